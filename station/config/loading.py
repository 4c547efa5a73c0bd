"""Loads the two files together and checks what concerns both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic

from optics.errors import OpticsError, WavelengthOutOfRangeError
from optics.glass import GLASSES, refractive_index
from optics.layout import Beam, Layout
from optics.lens import Lens, Surface
from station.config.bench import BenchTable
from station.config.characterisation import CharacterisationTable
from station.config.places import key_lines, line_of
from station.config.problems import BadInput, Key, dotted, nearest
from station.config.reading import Model, read_model, read_text
from station.config.recipe import RecipeTable

_WAVELENGTH_AGREES_NM = 0.5


@dataclass(frozen=True, slots=True)
class TomlFile(Generic[Model]):
    """One configuration file, checked.

    Attributes
    ----------
    name : str
        For messages.
    text : str
        As written.
    table : BaseModel
        As checked.
    """

    name: str
    text: str
    table: Model

    def bad(self, key: Key, found: str, allowed: str, near: str | None = None) -> BadInput:
        """Make the error for a value that only turns out bad when it is used."""
        line = line_of(key_lines(self.text), key)
        return BadInput(self.name, dotted(key), found=found, allowed=allowed, line=line, nearest=near)


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """Both files, checked by themselves and against each other, and that of the mount where there is one.

    Told apart by identity, so that what follows from a setup can be kept: campaigns use one for many benches.
    """

    bench_file: TomlFile[BenchTable]
    recipe_file: TomlFile[RecipeTable]
    mount_file: TomlFile[CharacterisationTable] | None = None

    @property
    def bench(self) -> BenchTable:
        """The bench."""
        return self.bench_file.table

    @property
    def recipe(self) -> RecipeTable:
        """The recipe."""
        return self.recipe_file.table

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


def load_bench(path: Path) -> TomlFile[BenchTable]:
    """Read and check a bench file by itself.

    Raises
    ------
    BadInput
        For the first thing that is wrong.
    """
    return _checked(BenchTable, read_text(path), str(path))


def load_setup(bench_path: Path, recipe_path: Path) -> Setup:
    """Read and check both files.

    Raises
    ------
    BadInput
        For the first thing that is wrong.
    """
    return setup_from_texts(read_text(bench_path), read_text(recipe_path), str(bench_path), str(recipe_path))


def setup_from_texts(
    bench_text: str,
    recipe_text: str,
    bench_name: str,
    recipe_name: str,
    *,
    mount: tuple[str, str] | None = None,
) -> Setup:
    """Check both texts; the names are for messages.

    Parameters
    ----------
    bench_text, recipe_text, bench_name, recipe_name : str
    mount : tuple of str, optional
        Text and name of the characterisation that the bench file names, where it was kept: its day is not
        looked at. Otherwise the file itself is read, from the folder of ``bench_name``.

    Raises
    ------
    BadInput
        For the first thing that is wrong.
    """
    bench = _checked(BenchTable, bench_text, bench_name)
    setup = Setup(bench, _checked(RecipeTable, recipe_text, recipe_name), _mount_file(bench, mount))
    _check_wavelength(setup)
    _check_glasses(setup)
    _check_lens(setup)
    _check_outputs(setup)
    return setup


def setup_from_record(configuration: Mapping[str, Any]) -> Setup:
    """Check the texts that a record holds.

    Raises
    ------
    BadInput
        For the first thing that is wrong.
    KeyError, TypeError
        When it does not hold them.
    """
    bench, recipe, mount = configuration["bench"], configuration["recipe"], configuration.get("mount")
    kept = None if mount is None else (mount["text"], mount["file"])
    return setup_from_texts(bench["text"], recipe["text"], bench["file"], recipe["file"], mount=kept)


def _mount_file(
    bench: TomlFile[BenchTable], kept: tuple[str, str] | None
) -> TomlFile[CharacterisationTable] | None:
    named = bench.table.mount.characterisation
    if named is None:
        return None
    path = Path(bench.name).parent / named
    text, name = kept or (read_text(path), str(path))
    file = _checked(CharacterisationTable, text, name)
    file.table.check_bench(bench.table, name)
    if kept is None:
        file.table.check_day(name)
    return file


def _checked(model: type[Model], text: str, name: str) -> TomlFile[Model]:
    return TomlFile(name, text, read_model(model, text, name))


def _check_wavelength(setup: Setup) -> None:
    bench_nm, recipe_nm = setup.bench.beam.wavelength_nm, setup.recipe.wavelength_nm
    if abs(bench_nm - recipe_nm) > _WAVELENGTH_AGREES_NM:
        raise setup.recipe_file.bad(
            ("wavelength_nm",),
            f"{recipe_nm:g}",
            f"{bench_nm:g} to within {_WAVELENGTH_AGREES_NM} nm, the wavelength in {setup.bench_file.name}",
        )


def _check_glasses(setup: Setup) -> None:
    for number, name in enumerate(setup.recipe.lens.glasses):
        key: Key = ("lens", "glasses", number)
        if name not in GLASSES:
            raise setup.recipe_file.bad(key, repr(name), ", ".join(sorted(GLASSES)), nearest(name, GLASSES))
        try:
            refractive_index(name, setup.bench.beam.wavelength_nm)
        except WavelengthOutOfRangeError as error:
            raise setup.recipe_file.bad(
                ("wavelength_nm",), f"{setup.recipe.wavelength_nm:g} with glass {name}", str(error)
            ) from error


def _check_lens(setup: Setup) -> None:
    try:
        setup.lens().effective_focal_length_mm(setup.bench.beam.wavelength_nm)
    except (OpticsError, ValueError) as error:
        raise setup.recipe_file.bad(("lens",), str(error), "a lens that can be made") from error


def _check_outputs(setup: Setup) -> None:
    names = [output.name for output in setup.bench.outputs]
    for number, step in enumerate(setup.recipe.fix):
        if step.output not in names:
            raise setup.recipe_file.bad(
                ("fix", number, "output"),
                repr(step.output),
                f"an output of {setup.bench_file.name}: {', '.join(names) or 'it has none'}",
                nearest(step.output, names),
            )
