"""The folder of a campaign: its plan, the chunks that are done, and in the end one file of columns.

``results.npz`` holds one array per column (see :class:`station.campaign.outcomes.Row`), the rows in the order
of the benches; ``numpy.load`` reads it, nothing in it is pickled. Equal campaigns give equal files.
"""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from station.campaign.outcomes import Row, Table, as_table, joined
from station.campaign.plan import CampaignPlan
from station.config.problems import BadInput
from station.record import write_atomically

PLAN_NAME, RESULTS_NAME, SUMMARY_NAME = "plan.json", "results.npz", "summary.json"
_CHUNKS = "chunks"


class CampaignFolder:
    """Where a campaign is kept; opened anew, it goes on where it was left.

    Parameters
    ----------
    folder : Path or None
        None makes a dated one below ``runs/``.
    plan : CampaignPlan

    Raises
    ------
    BadInput
        When the folder holds another campaign, or something else, or cannot be written.
    """

    def __init__(self, folder: Path | None, plan: CampaignPlan) -> None:
        stamp = datetime.now(UTC).strftime("%Y-%m-%d_%H%M%S")
        self.path = folder or Path("runs") / f"campaign_{stamp}_{plan.seed}"
        self.plan = plan
        try:
            self._open()
        except OSError as error:
            found = f"{self.path}: {error.strerror}"
            raise BadInput("--out", "", found=found, allowed="a folder that can be written") from error

    def _open(self) -> None:
        there = self.path / PLAN_NAME
        if there.is_file():
            if json.loads(there.read_text(encoding="utf-8")) != self.plan.data():
                found = f"{self.path}, which holds a campaign with other settings"
                allowed = "the same settings, to go on with it, or another folder"
                raise BadInput("--out", "", found=found, allowed=allowed)
        elif self.path.exists() and (not self.path.is_dir() or any(self.path.iterdir())):
            found = f"{self.path}, which is not empty"
            raise BadInput("--out", "", found=found, allowed="a new or empty folder, or that of a campaign")
        else:
            self.path.mkdir(parents=True, exist_ok=True)
            write_atomically(there, json.dumps(self.plan.data(), indent=1).encode())
        (self.path / _CHUNKS).mkdir(exist_ok=True)

    def done(self) -> set[int]:
        """Return the chunks that are there, whole."""
        return {chunk for chunk in range(self.plan.chunks) if self._chunk(chunk).is_file()}

    def keep(self, chunk: int, rows: list[Row]) -> None:
        """Keep the rows of a chunk, whole or not at all."""
        write_atomically(self._chunk(chunk), _packed(as_table(rows)))

    def table(self) -> Table:
        """Return all rows that are there."""
        return joined([_unpacked(self._chunk(chunk)) for chunk in sorted(self.done())])

    def finish(self, table: Table, figures: dict[str, Any]) -> None:
        """Write the whole results and their summary."""
        write_atomically(self.path / RESULTS_NAME, _packed(table))
        write_atomically(self.path / SUMMARY_NAME, json.dumps(figures, indent=1).encode())

    def _chunk(self, chunk: int) -> Path:
        return self.path / _CHUNKS / f"{chunk:06d}.npz"


def _packed(table: Table) -> bytes:
    stream = io.BytesIO()
    np.savez_compressed(stream, allow_pickle=False, **table)
    return stream.getvalue()


def _unpacked(path: Path) -> Table:
    with np.load(path, allow_pickle=False) as columns:
        return {name: columns[name] for name in columns.files}
