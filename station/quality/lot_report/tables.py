"""Column heads of the report's tables, the same in HTML and PDF."""

from __future__ import annotations

from collections.abc import Sequence

_MOST_NAMED = 40

TALLY_HEAD = (
    "recipe",
    "tolerance (radial)",
    "parts",
    "aligned",
    "rejected",
    "timed out",
    "stopped",
    "yield",
    "median time",
)
PART_HEAD = ("serial", "ended", "outcome", "recipe", "decentre x, y / µm", "tilt x, y / arcsec", "reason")
ASIDE_HEAD = ("serial", "ended", "outcome", "recipe", "why", "what helps")
EVENT_HEAD = ("what", "how often", "when", "stood", "what helps")
PROCESS_HEAD = ("recipe", "axis", "aligned", "mean", "sigma", "limits", "Cpk (95 %)", "state")
OUTSIDE_HEAD = ("expected outside the tolerance", "decentre", "tilt")


def left_out(what: str, count: int, shown: int, which: str) -> str:
    """Return what a table does not show, in words; empty when it shows all."""
    return "" if count <= shown else f"{count} {what}; {which} {shown} are shown, the export has all."


def aside_left_out(serials: Sequence[str], shown: int) -> str:
    """Return which parts that are not aligned have no line, by their serial numbers; empty when all have."""
    rest = serials[: len(serials) - shown]
    if not rest:
        return ""
    named = ", ".join(rest[-_MOST_NAMED:])
    earlier = f" and {len(rest) - _MOST_NAMED} earlier ones" if len(rest) > _MOST_NAMED else ""
    return f"{len(serials)} parts are not aligned; before these: {named}{earlier}. The export has all."
