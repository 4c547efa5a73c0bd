"""Column heads of the report's tables, the same in HTML and PDF."""

from __future__ import annotations

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
EVENT_HEAD = ("time", "kind", "what happened", "what helps")
PROCESS_HEAD = ("recipe", "axis", "aligned", "mean", "sigma", "limits", "Cpk (95 %)", "state")
OUTSIDE_HEAD = ("expected outside the tolerance", "decentre", "tilt")
