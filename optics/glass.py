"""Refractive indices from Sellmeier dispersion constants."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from optics.errors import OpticsError, UnknownGlassError, WavelengthOutOfRangeError


@dataclass(frozen=True, slots=True)
class Glass:
    """An optical glass with its three-term Sellmeier constants.

    ``n^2 = 1 + sum_i B_i L^2 / (L^2 - C_i)`` with the wavelength ``L`` in um. The constants of the
    manufacturer's glasses are relative to air, those of fused silica to air as measured; air counts as 1.

    Attributes
    ----------
    name : str
    b : tuple of float
        ``B_i``, no unit.
    c_um2 : tuple of float
        ``C_i``, um^2.
    range_nm : tuple of float
        Shortest and longest wavelength that the constants hold for.
    source : str
        Where the constants were published.
    """

    name: str
    b: tuple[float, ...]
    c_um2: tuple[float, ...]
    range_nm: tuple[float, float]
    source: str

    @classmethod
    def constant(cls, name: str, index: float) -> Glass:
        """Return a dispersionless medium, for textbook cases and for a measured index.

        Parameters
        ----------
        name : str
        index : float
            Refractive index, at least 1.

        Raises
        ------
        OpticsError
            If ``index`` is not a finite number of at least 1.
        """
        if not (math.isfinite(index) and index >= 1.0):
            raise OpticsError(f"glass {name!r}: refractive index is {index}, allowed is 1 or more")
        return cls(name, (index * index - 1.0,), (0.0,), (0.0, math.inf), "given by the user")

    def index(self, wavelength_nm: float) -> float:
        """Return the refractive index.

        Raises
        ------
        WavelengthOutOfRangeError
            If the wavelength lies outside ``range_nm``.
        """
        low, high = self.range_nm
        if not low <= wavelength_nm <= high:
            raise WavelengthOutOfRangeError(
                f"glass {self.name!r}: wavelength is {wavelength_nm:g} nm, allowed is {low:g} to {high:g} nm"
            )
        square_um2 = (wavelength_nm * 1e-3) ** 2
        terms = (b * square_um2 / (square_um2 - c) for b, c in zip(self.b, self.c_um2, strict=True))
        return math.sqrt(1.0 + sum(terms))


_MAKER = "manufacturer's published dispersion constants, as in the open (CC0) refractive-index database"

_ALL = (
    Glass(
        "N-BK7",
        (1.03961212, 0.231792344, 1.01046945),
        (0.00600069867, 0.0200179144, 103.560653),
        (300.0, 2500.0),
        _MAKER,
    ),
    Glass(
        "N-SF11",
        (1.73759695, 0.313747346, 1.89878101),
        (0.013188707, 0.0623068142, 155.23629),
        (370.0, 2500.0),
        _MAKER,
    ),
    Glass(
        "N-BAF10",
        (1.5851495, 0.143559385, 1.08521269),
        (0.00926681282, 0.0424489805, 105.613573),
        (350.0, 2500.0),
        _MAKER,
    ),
    Glass(
        "N-SF10",
        (1.62153902, 0.256287842, 1.64447552),
        (0.0122241457, 0.0595736775, 147.468793),
        (380.0, 2500.0),
        _MAKER,
    ),
    Glass(
        "N-SF5",
        (1.52481889, 0.187085527, 1.42729015),
        (0.011254756, 0.0588995392, 129.141675),
        (370.0, 2500.0),
        _MAKER,
    ),
    Glass(
        "fused silica",
        (0.6961663, 0.4079426, 0.8974794),
        (0.0684043**2, 0.1162414**2, 9.896161**2),
        (210.0, 3710.0),
        "I. H. Malitson, J. Opt. Soc. Am. 55, 1205 (1965)",
    ),
)

GLASSES: Mapping[str, Glass] = MappingProxyType({glass.name: glass for glass in _ALL})
"""The glasses that a prescription may name."""


def glass(name: str | Glass) -> Glass:
    """Return the glass of that name; a ``Glass`` is handed back as it is.

    Raises
    ------
    UnknownGlassError
        If there is no such glass; the message names the nearest one.
    """
    if isinstance(name, Glass):
        return name
    found = GLASSES.get(name)
    if found is not None:
        return found
    folded = {known.casefold(): known for known in GLASSES}
    near = difflib.get_close_matches(name.casefold(), folded, n=1, cutoff=0.0)
    raise UnknownGlassError(
        f"glass {name!r} is not known; nearest is {folded[near[0]]!r}; known are {', '.join(GLASSES)}"
    )


def refractive_index(name: str | Glass, wavelength_nm: float) -> float:
    """Return the refractive index of a glass relative to air.

    Parameters
    ----------
    name : str or Glass
    wavelength_nm : float
        Wavelength in air.

    Raises
    ------
    UnknownGlassError, WavelengthOutOfRangeError
    """
    return glass(name).index(wavelength_nm)
