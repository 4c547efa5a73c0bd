"""The archive: what a line remembers of every lot, part, look, move, decision, alarm and setting.

One part's life, from the recipe to the report::

    from pathlib import Path
    from station.archive import Archive, CalibrationKind, Ending, Need, Phase, Severity, WhenExpired

    with Archive("runs/archive.sqlite", station="cell 1", software=software_versions()) as archive:
        # Once: a recipe is put in, signed off, and only then used.
        archive.recipes.add("f100", Path("RECIPE.toml").read_text(), who="A. Person", why="first trial")
        archive.recipes.release("f100", 1, who="B. Person", why="trial lot 7 was good")
        recipe = archive.recipes.for_run("f100")            # recipe.words says on what grounds; show them

        # Before a part, never in the middle of one: calibrations have to be valid.
        beam = Need(CalibrationKind.BARE_BEAM, "beam")
        ready = archive.calibrations.for_run("bench 1", [beam], WhenExpired.REDO)
        for need in ready.redo:
            archive.calibrations.add("bench 1", need, text, who="program", why="expired", valid_until_utc=end)
        setup = archive.calibrations.setup(
            "bench 1", bench_sha256, controller=identity, software=software, calibrations=ready.valid
        )

        # After every start: what was in hand when everything stopped? Home, verify, then go on.
        for held in archive.claims.in_hand():
            archive.check_file()
            part = archive.claims.resume(held.part_id, setup, why="power came back")
            ...

        lot = archive.lots.create("lot 8", ["A001", "A002"], recipe, who="A. Person")
        while (part := archive.claims.claim_next(lot.id, setup)) is not None:
            part.enter(Phase.LOADING)                       # on the disk when it returns
            part.enter(Phase.ALIGNING)
            ...
            part.take(observation, action)                  # each turn of control; written in batches
            ...
            part.finish(Ending.of(finish, result))          # once and for all; counts as done only now
        archive.lots.finish(lot.id, who="program", why="all parts are done")

        archive.alarms.note("dim", Severity.WARNING, cause="...", remedy="...")  # again: counts up
        archive.charts.lot(lot.id)                          # what it adds up to
        archive.charts.series("f100", "decenter_x_um", last=1000)  # for a control chart
        archive.export.csv(Path("lot 8.csv"), lot_id=lot.id)
        archive.audit().clean                               # nobody has changed anything

Promises, each with a test: what a method has written is on the disk when it returns; a piece of work is kept
whole or not at all; any method may be called again after an :class:`ArchiveError`, and nothing is kept twice;
a part is held by one station at a time and has one final record; no part is called aligned whose verdict does
not rest on a look after the last move and after it was fixed; rows that are promised to be kept refuse to be
changed or removed.
"""

from station.archive.alarms import Alarm, Severity
from station.archive.archive import Archive, ArchiveFacts
from station.archive.doubt import Doubt
from station.archive.errors import ArchiveError, Problem, Refused
from station.archive.frames import KeepRule, KeptFrame
from station.archive.lots import Lot, LotState, PartKind
from station.archive.papers.calibrations import (
    Calibration,
    CalibrationKind,
    CalibrationsForRun,
    Need,
    Setup,
    WhenExpired,
)
from station.archive.papers.recipes import RecipeForRun, RecipeState, RecipeVersion
from station.archive.parts.claims import HeldPart
from station.archive.parts.final import Ending, FinalRecord, Pose4
from station.archive.parts.in_hand import Claim, InHand, Phase
from station.archive.parts.steps import DecisionStep, LookStep, MoveStep
from station.archive.trail import ChainCheck, Entry
from station.archive.views.audit import Audit
from station.archive.views.charts import QUANTITIES, Point, Report, Spread
from station.archive.views.export import COLUMNS

__all__ = [
    "COLUMNS",
    "QUANTITIES",
    "Alarm",
    "Archive",
    "ArchiveError",
    "ArchiveFacts",
    "Audit",
    "Calibration",
    "CalibrationKind",
    "CalibrationsForRun",
    "ChainCheck",
    "Claim",
    "DecisionStep",
    "Doubt",
    "Ending",
    "Entry",
    "FinalRecord",
    "HeldPart",
    "InHand",
    "KeepRule",
    "KeptFrame",
    "LookStep",
    "Lot",
    "LotState",
    "MoveStep",
    "Need",
    "PartKind",
    "Phase",
    "Point",
    "Pose4",
    "Problem",
    "RecipeForRun",
    "RecipeState",
    "RecipeVersion",
    "Refused",
    "Report",
    "Setup",
    "Severity",
    "Spread",
    "WhenExpired",
]
