"""Loads the two files together and checks what concerns both."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optics.errors import OpticsError, WavelengthOutOfRangeError
from optics.glass import GLASSES, refractive_index
from optics.layout import Beam, Layout
from optics.lens import Lens, Surface
from station.config.bench import BenchTable
from station.config.places import key_lines, line_of
from station.config.problems import BadInput, Key, dotted, nearest
from station.config.reading import read_model, read_text
from station.config.recipe import RecipeTable

_WAVELENGTH_AGREES_NM = 0.5


@dataclass(frozen=True, slots=True)
class Setup:
    """Both files, checked, with their texts for the record.

    Attributes
    ----------
    bench, recipe : BenchTable, RecipeTable
    bench_file, recipe_file : str
        Names for messages.
    bench_text, recipe_text : str
        As written.
    bench_data, recipe_data : dict
        As parsed, without defaults.
    """

    bench: BenchTable
    recipe: RecipeTable
    bench_file: str
    recipe_file: str
    bench_text: str
    recipe_text: str
    bench_data: dict[str, Any]
    recipe_data: dict[str, Any]

    def lens(self) -> Lens:
        """Return the prescription as optics knows it."""
        table = self.recipe.lens
        return Lens(
            name=table.name,
            surfaces=tuple(
                Surface(surface.radius_mm, coating=surface.coating, reflectance=surface.reflectance)
                for surface in table.surfaces
            ),
            thicknesses_mm=tuple(table.thicknesses_mm),
            glasses=tuple(table.glasses),
            clear_aperture_mm=table.clear_aperture_mm,
        )

    def layout(self) -> Layout:
        """Return the distances as optics knows them."""
        return Layout(l1_mm=self.bench.layout.l1_mm, l2_mm=self.bench.layout.l2_mm)

    def beam(self) -> Beam:
        """Return the nominal beam as optics knows it."""
        table = self.bench.beam
        return Beam(
            wavelength_nm=table.wavelength_nm,
            waist_radius_mm=table.waist_radius_mm,
            waist_z_mm=table.waist_z_mm,
        )

    def bad_bench(self, key: Key, found: str, allowed: str, near: str | None = None) -> BadInput:
        """Make the error for a value of the bench file that only turns out bad when it is used."""
        line = line_of(key_lines(self.bench_text), key)
        return BadInput(self.bench_file, dotted(key), found=found, allowed=allowed, line=line, nearest=near)

    def bad_recipe(self, key: Key, found: str, allowed: str, near: str | None = None) -> BadInput:
        """Make the error for a value of the recipe that only turns out bad when it is used."""
        line = line_of(key_lines(self.recipe_text), key)
        return BadInput(self.recipe_file, dotted(key), found=found, allowed=allowed, line=line, nearest=near)


def load_setup(bench_path: Path, recipe_path: Path) -> Setup:
    """Read and check both files.

    Raises
    ------
    BadInput
        For the first thing that is wrong.
    """
    return setup_from_texts(read_text(bench_path), read_text(recipe_path), str(bench_path), str(recipe_path))


def setup_from_texts(bench_text: str, recipe_text: str, bench_file: str, recipe_file: str) -> Setup:
    """Check both texts; the names are for messages only.

    Raises
    ------
    BadInput
        For the first thing that is wrong.
    """
    bench, bench_data = read_model(BenchTable, bench_text, bench_file)
    recipe, recipe_data = read_model(RecipeTable, recipe_text, recipe_file)
    setup = Setup(bench, recipe, bench_file, recipe_file, bench_text, recipe_text, bench_data, recipe_data)
    _check_wavelength(setup)
    _check_glasses(setup)
    _check_lens(setup)
    return setup


def _check_wavelength(setup: Setup) -> None:
    bench_nm, recipe_nm = setup.bench.beam.wavelength_nm, setup.recipe.wavelength_nm
    if abs(bench_nm - recipe_nm) > _WAVELENGTH_AGREES_NM:
        raise setup.bad_recipe(
            ("wavelength_nm",),
            f"{recipe_nm:g}",
            f"{bench_nm:g} to within {_WAVELENGTH_AGREES_NM} nm, the wavelength in {setup.bench_file}",
        )


def _check_glasses(setup: Setup) -> None:
    for number, name in enumerate(setup.recipe.lens.glasses):
        key: Key = ("lens", "glasses", number)
        if name not in GLASSES:
            raise setup.bad_recipe(key, repr(name), ", ".join(sorted(GLASSES)), nearest(name, GLASSES))
        try:
            refractive_index(name, setup.bench.beam.wavelength_nm)
        except WavelengthOutOfRangeError as error:
            raise setup.bad_recipe(
                ("wavelength_nm",), f"{setup.recipe.wavelength_nm:g} with glass {name}", str(error)
            ) from error


def _check_lens(setup: Setup) -> None:
    try:
        setup.lens().effective_focal_length_mm(setup.bench.beam.wavelength_nm)
    except (OpticsError, ValueError) as error:
        raise setup.bad_recipe(("lens",), str(error), "a lens that can be made") from error
