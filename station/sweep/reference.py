"""The table of faults of the documents, drawn from the program: ``python -m station.sweep.reference``."""

from __future__ import annotations

import sys
from collections.abc import Iterator

from control.messages import Finish
from driver.faults import FaultCode
from station.sweep.cases import Case
from station.sweep.plan import run_case
from station.sweep.provoked import provoked

OF_THE_RUN = {
    "plate_not_mapped": "camera:black@0x60",
    "targets_moved": "camera:camera_knocked@50x1=0.2",
    "record_not_written": "record:disk_full@12x1=inf",
    "internal_error": "control:raises@20",
}
"""Codes that no device has, and a case of the sweep that ends with each."""

_HEAD = """# Faults

Drawn from the program by `python -m station.sweep.reference > docs/faults.md`: every code is brought about
on the simulated bench, and the row is what the program says then. A test keeps this page true.

## This is not a safety function

Nothing in this program protects a person. Emergency stop, interlock, guards, the laser's own shutter and
key act in hardware, by the site's own rules and the codes that hold there; what is done here comes on top,
and may fail.

- **Unknown is open circuit is stop.** An interlock that is not reported as closed counts as open, a reply
  that cannot be read is no permission, a state that was not asked since the last motion is not known.
  Nothing moves and no beam is let through then.
- **Faults latch.** After the first one nothing moves and the beam stays blocked until the axes are homed
  again, which only a new start does. Stop, shutter closed and lamp off work always.
- **Two ways to stop.** Stop is sent until it is acknowledged, six times at most, over a line opened anew
  where it was lost, and the controller is asked whether it is at rest. Where it does not answer, the second
  way is taken: a last stop and a last shutter closed without waiting, and the port is closed (a controller
  may be set to stop when its line drops). A bench that is put together in Python may hand in a line of its
  own that cuts the drives (`second_stop` of `driver.motion.SerialMotion`); the bench file has no key for
  one. The run says then that it is not known whether motion has stopped: use the emergency stop.
- Every run ends on the same way out, whatever ended it: motion stopped, shutter closed, lamp dark, each
  tried whatever became of the others.

## Faults of devices

The message of a fault is "code: what was asked while state: what came. Remedy: remedy".

"""

_OF_THE_RUN = """
## Faults of a run

Codes without a device; the run ends as stopped.

"""


def reference_text() -> str:
    """Return the page."""
    rows = [f"| {' | '.join(_safe(part) for part in row)} |" for row in _rows()]
    table = ["| code | state | asked | came | remedy |", "|---|---|---|---|---|", *rows]
    ends = [f"| {' | '.join(_safe(part) for part in row)} |" for row in _ends()]
    other = ["| code | reason of the end | remedy |", "|---|---|---|", *ends]
    return _HEAD + "\n".join(table) + "\n" + _OF_THE_RUN + "\n".join(other) + "\n"


def _rows() -> Iterator[tuple[str, ...]]:
    for code in FaultCode:
        fault = provoked(code)
        yield f"`{code.value}`", fault.state, fault.asked, fault.came, fault.remedy


def _ends() -> Iterator[tuple[str, str, str]]:
    for code, text in OF_THE_RUN.items():
        seen = run_case(Case.parse(text))
        assert isinstance(seen.finish, Finish)
        yield f"`{code}`", seen.finish.reason, seen.finish.remedy


def _safe(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


if __name__ == "__main__":
    sys.stdout.write(reference_text())
