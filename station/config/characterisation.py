"""The file that a characterisation of a mount writes, and that a bench file names."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Literal, Self

import numpy as np
from pydantic import Field, model_validator

from station.config.bench import BenchTable
from station.config.problems import BadInput
from station.config.values import Name, NotNegative, Positive, Strict, refuse

_UNKNOWNS = 24
_SYMMETRIC = 1e-9
_HEAD = """\
# Written by `coincide characterize`: what the axes of one mount do to a lens.
# A bench file reads it by [mount] characterisation = "THIS FILE".
"""


class KnownAxis(Strict):
    """An axis as it was when the mount was measured."""

    name: Name = Field(description="axis word")
    unit: Literal["mm", "deg"] = Field(description="its unit")
    moves: Literal["decenter_x", "decenter_y", "tilt_x", "tilt_y"] = Field(description="what it mainly moves")
    backlash: float = Field(description="free play, axis unit; 0 where the driver takes it up")


class Said(Strict):
    """A property of the mount, for people; control reads the matrix."""

    name: Name = Field(description="what it is")
    value: float = Field(description="value")
    sigma: NotNegative = Field(description="standard uncertainty (k = 1)")
    unit: str = Field(description="unit")


class RepeatsTable(Strict):
    """How the mount repeats: most likely, and limits (95 %)."""

    value: Positive = Field(description="most likely standard deviation")
    low: NotNegative = Field(description="lower limit")
    high: Positive = Field(description="upper limit")


class CharacterisationTable(Strict):
    """What is known of one mount."""

    bench: Name = Field(description="name of the bench")
    lens: Name = Field(description="lens that it was measured with")
    made: date = Field(description="day (UTC)")
    valid_days: int = Field(gt=0, description="from then on it is trusted for as many days")
    looks: int = Field(gt=0, description="looks that it rests on")
    pivot_behind_mm: float = Field(description="nominal pivot that the bench file had")
    mount_matrix: list[list[float]] = Field(description="pose (mm, mm, mrad, mrad) per axis unit, 4 x 4")
    clocking_rad: list[float] = Field(min_length=2, max_length=2, description="of both targets")
    distances_mm: list[float] = Field(min_length=2, max_length=2, description="L1 and L2")
    covariance: list[list[float]] = Field(
        description="24 x 24: matrix row by row, clocking, distances, backlash"
    )
    repeatability_um: RepeatsTable
    repeatability_urad: RepeatsTable
    axes: list[KnownAxis] = Field(min_length=4, max_length=4, description="in the order of the columns")
    quantities: list[Said] = Field([], description="what a person reads")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if [len(row) for row in self.mount_matrix] != [4] * 4:
            refuse("mount_matrix", "another shape", "four rows of four numbers")
        if [len(row) for row in self.covariance] != [_UNKNOWNS] * _UNKNOWNS:
            refuse("covariance", "another shape", f"{_UNKNOWNS} rows of {_UNKNOWNS} numbers")
        covariance = np.array(self.covariance)
        scale = np.sqrt(np.outer(np.abs(np.diag(covariance)), np.abs(np.diag(covariance))))
        if not np.all(np.diag(covariance) > 0.0) or np.any(
            np.abs(covariance - covariance.T) > _SYMMETRIC * scale
        ):
            refuse("covariance", "no covariance", "a symmetric matrix with a diagonal above 0")
        correlation = covariance / scale
        if np.linalg.eigvalsh(correlation)[0] <= 0.0:
            refuse("covariance", "no covariance", "a positive definite matrix")
        if np.linalg.cond(np.array(self.mount_matrix)) > 1e6:
            refuse("mount_matrix", "a singular matrix", "one that moves all four degrees of freedom")
        return self

    def check_bench(self, bench: BenchTable, name: str) -> None:
        """Refuse a file of another bench or of other axes.

        Raises
        ------
        BadInput
        """
        if self.bench != bench.name:
            raise BadInput(
                name, "bench", found=repr(self.bench), allowed=f"{bench.name!r}, this bench's name"
            )
        here = [(axis.name, axis.unit, axis.moves) for axis in bench.motion.axes]
        there = [(axis.name, axis.unit, axis.moves) for axis in self.axes]
        if here != there:
            raise BadInput(name, "axes", found=str(there), allowed=f"the axes of the bench file: {here}")

    def check_day(self, name: str) -> None:
        """Refuse a file whose time is over.

        Raises
        ------
        BadInput
        """
        until = self.made + timedelta(days=self.valid_days)
        if datetime.now(UTC).date() > until:
            raise BadInput(
                name,
                "made",
                found=f"{self.made}, valid until {until}",
                allowed="a characterisation that is still valid; make a new one with coincide characterize",
            )

    def text(self) -> str:
        """Return the file's text (TOML)."""
        lines = [_HEAD, *(f"{key} = {_value(getattr(self, key))}" for key in _PLAIN)]
        lines += [
            "",
            "# Pose (mm, mm, mrad, mrad) per axis unit.",
            f"mount_matrix = {_rows(self.mount_matrix)}",
        ]
        lines += ["", "# Of the matrix row by row, clocking, distances and backlash."]
        lines += [f"covariance = {_rows(self.covariance)}"]
        for key in ("repeatability_um", "repeatability_urad"):
            lines += ["", f"[{key}]", *_items(getattr(self, key))]
        for key in ("axes", "quantities"):
            for row in getattr(self, key):
                lines += ["", f"[[{key}]]", *_items(row)]
        return "\n".join(lines) + "\n"


_PLAIN = (
    *("bench", "lens", "made", "valid_days", "looks", "pivot_behind_mm"),
    *("clocking_rad", "distances_mm"),
)


def _items(table: Strict) -> list[str]:
    return [f"{key} = {_value(value)}" for key, value in table.model_dump().items()]


def _value(value: object) -> str:
    if isinstance(value, str):
        return json.dumps(value)  # a JSON string of these characters is a basic string of TOML
    if isinstance(value, list):
        return "[" + ", ".join(_value(part) for part in value) + "]"
    return value.isoformat() if isinstance(value, date) else repr(value)


def _rows(rows: Sequence[Sequence[float]]) -> str:
    return "[\n" + "".join(f"    {_value(list(row))},\n" for row in rows) + "]"
