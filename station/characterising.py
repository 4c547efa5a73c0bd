"""One characterisation of a mount, from the configuration to the file that a bench file can name."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from control.characterise import CharacterisingPlan
from control.characterised import Characterised, Repeats
from control.messages import Outcome
from station.config import BadInput, Setup
from station.config.characterisation import CharacterisationTable, KnownAxis, RepeatsTable, Said
from station.display import AskedPerson, Display
from station.looking import Eyes
from station.planning import characteriser_of
from station.record import Record, new_run_folder, write_atomically
from station.record.folder import WIRE_LOG_NAME
from station.runner import Runner
from station.stopping import StopRequest
from station.wiring import opened_bench


def characterise(
    setup: Setup,
    out: Path,
    how: CharacterisingPlan,
    valid_days: int,
    display: Display,
    stop: StopRequest,
) -> dict[str, Any]:
    """Characterise the mount of a bench and write its file.

    Returns
    -------
    dict
        Outcome, reason, the file or None, the quantities, and the run folder with record and wire log.

    Raises
    ------
    BadInput
        When ``out`` is there already or its folder is not; nothing has moved then.
    """
    if out.exists() or not out.parent.is_dir():
        found = f"{out} is there already" if out.exists() else f"no folder {out.parent}"
        raise BadInput("--out", "", found=found, allowed="a new file in a folder that is there")
    decides = characteriser_of(setup, how)
    display.cautions()
    with opened_bench(setup.bench_file, AskedPerson(display, setup.recipe.lens.name)) as bench, display:
        folder = new_run_folder(None, f"{setup.bench.name} mount")
        record = Record(folder, setup, None)
        record.characterising = {"rounds": how.rounds, "frames": how.frames}
        bench.wire_log.open(folder / WIRE_LOG_NAME, record.head())
        finish = Runner(bench, decides, Eyes(bench, record.add_frame), record, display, stop).run()
    result: dict[str, Any] = {
        "outcome": finish.outcome.value,
        "reason": finish.reason,
        "file": None,
        "quantities": [],
        "run_dir": str(folder),
    }
    if finish.outcome is Outcome.ALIGNED and decides.result is not None:
        table = table_of(setup, decides.result, valid_days)
        write_atomically(out, table.text().encode())
        result |= {"file": str(out), "quantities": [said.model_dump() for said in table.quantities]}
        result |= {
            key: getattr(table, key).model_dump() for key in ("repeatability_um", "repeatability_urad")
        }
    record.result = result
    record.save()
    return result


def table_of(setup: Setup, found: Characterised, valid_days: int) -> CharacterisationTable:
    """Return a characterisation as its file has it."""
    axes = [
        KnownAxis(name=axis.name, unit=axis.unit, moves=axis.moves, backlash=float(backlash))
        for axis, backlash in zip(setup.bench.motion.axes, found.backlash, strict=True)
    ]
    return CharacterisationTable(
        bench=setup.bench.name,
        lens=setup.recipe.lens.name,
        made=datetime.now(UTC).date(),
        valid_days=valid_days,
        looks=found.looks,
        pivot_behind_mm=setup.bench.mount.pivot_behind_mm,
        mount_matrix=found.mount_matrix.tolist(),
        clocking_rad=found.clocking_rad.tolist(),
        distances_mm=found.distances_mm.tolist(),
        covariance=((found.covariance + found.covariance.T) / 2.0).tolist(),
        repeatability_um=_repeats(found.repeatability_um),
        repeatability_urad=_repeats(found.repeatability_urad),
        axes=axes,
        quantities=[
            Said(name=one.name, value=float(one.value), sigma=float(one.sigma), unit=one.unit)
            for one in found.quantities
        ],
    )


def _repeats(found: Repeats) -> RepeatsTable:
    return RepeatsTable(value=found.value, low=found.low, high=found.high)


def words(result: dict[str, Any]) -> list[str]:
    """Return the lines that a person reads."""
    lines = [f"{result['outcome']}: {result['reason']}"]
    for one in result["quantities"]:
        spread = f" +- {2.0 * one['sigma']:.4g} (k = 2)" if one["sigma"] else ""
        lines.append(f"  {one['name']}: {one['value']:.5g}{spread} {one['unit']}".rstrip())
    for key, unit in (("repeatability_um", "um"), ("repeatability_urad", "urad")):
        if key in result:
            low, value, high = (result[key][name] for name in ("low", "value", "high"))
            lines.append(f"  repeatability: {value:.3g} {unit}, within {low:.3g} to {high:.3g} {unit} (95 %)")
    if result["file"]:
        lines += [
            f"  file: {result['file']}",
            '  name it in the bench file: [mount] characterisation = "..."',
        ]
    return [*lines, f"  record: {result['run_dir']}"]
