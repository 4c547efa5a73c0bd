"""What a verdict means, in a person's words: why, and what would help."""

from __future__ import annotations

import math
from collections.abc import Mapping

from control.messages import Verdict
from control.plan import ARCSEC_PER_MRAD
from control.suspicion import Fault
from control.unknowns import Pose
from control.verdict import Agreement
from optics.observability import Observability
from vision.spots import Sighting, Spot, SpotName


def why_passed(verdict: Verdict) -> str:
    """Return the result of a part that passed."""
    decenter, tilt = math.hypot(*verdict.decenter_um), math.hypot(*verdict.tilt_arcsec)
    return (
        f"decentre {decenter:.1f} +- {verdict.expanded_decenter_um:.1f} um and tilt {tilt:.1f} +- "
        f"{verdict.expanded_tilt_arcsec:.1f} arcsec lie within tolerance"
    )


def why_rejected(verdict: Verdict, observability: Observability) -> tuple[str, str]:
    """Return reason and remedy of a part that did not pass."""
    too_unsure = [
        f"the expanded uncertainty of {what} is {expanded:.1f} {unit}, the tolerance {limit:g} {unit}"
        for what, expanded, limit, unit in (
            ("decentre", verdict.expanded_decenter_um, verdict.tolerance_decenter_um, "um"),
            ("tilt", verdict.expanded_tilt_arcsec, verdict.tolerance_tilt_arcsec, "arcsec"),
        )
        if expanded >= limit
    ]
    if too_unsure:
        hidden = "; ".join(observability.words[:2])
        reason = f"not sure enough: {'; '.join(too_unsure)}; dominated by {verdict.dominated_by}; {hidden}"
        return reason, what_would_help(verdict)
    decenter, tilt = math.hypot(*verdict.decenter_um), math.hypot(*verdict.tilt_arcsec)
    reason = (
        f"residual decentre {decenter:.1f} um and tilt {tilt:.1f} arcsec with their uncertainty "
        "do not lie within tolerance"
    )
    return reason, "align again; if it repeats, characterise the mount"


def what_would_help(verdict: Verdict) -> str:
    """Return the measurement that would reduce what dominates the uncertainty."""
    if verdict.dominated_by in ("spots", "placing of the lens"):
        return (
            "more looks, or another measurement of the hidden direction: an autocollimator on a flat of the "
            "lens or its cell for tilt, or the lens's rim for decentre"
        )
    return f"reduce the uncertainty of: {verdict.dominated_by}"


def why_contradictory(agreement: Agreement) -> tuple[str, str]:
    """Return reason and remedy where returns and transmitted spot contradict each other."""
    reason = (
        "the returns and the transmitted spot contradict each other by "
        f"{1000.0 * agreement.apart_mm:.0f} um on the reference target (chance {agreement.probability:.1g}): "
        "the axis or the reference is wrong"
    )
    return reason, "check the hole target, the beam's pointing and the bare beam's record; then start anew"


def remedy_for(fault: Fault) -> str:
    """Return what a person can do about a fault."""
    return {
        Fault.WRONG_LENS: "check the part against the recipe",
        Fault.LENS_REVERSED: "turn the lens round",
        Fault.RETURNS_SWAPPED: "check that the hole target's camera and vision know front from back",
        Fault.LOST_STEPS: "home the axes; if it repeats, look for a stiff or slipping axis",
        Fault.LENS_SLIPPED: "seat the lens firmly in the mount",
        Fault.MOUNT_UNSTEADY: "look for play in the mount; characterise it, or correct its repeatability",
        Fault.BEAM_DRIFTED: "let the laser warm up, check its mount, record the bare beam anew",
    }[fault]


def why_not_found(places: int, sightings: Mapping[SpotName, Sighting]) -> tuple[str, str]:
    """Return reason and remedy where the search has come to its end."""
    seen = ", ".join(
        f"{name.value}: {'seen' if isinstance(sighting, Spot) else sighting.reason.value}"
        for name, sighting in sightings.items()
    )
    reason = f"the spots were not found in {places} places within the mount's travel ({seen})"
    return reason, "check that the lens is in the mount and the shutter open, and place it nearer to the beam"


def why_not_there(steps: int, pose: Pose) -> tuple[str, str]:
    """Return reason and remedy where steps do not lead to the null."""
    decenter, tilt = 1000.0 * math.hypot(*pose.mean[:2]), ARCSEC_PER_MRAD * math.hypot(*pose.mean[2:])
    reason = f"after {steps} steps the lens is still {decenter:.0f} um and {tilt:.0f} arcsec from the axis"
    return reason, "check that the right lens is in the mount, the right way round, and that the axes move it"


def why_beyond_travel(axis: str) -> tuple[str, str]:
    """Return reason and remedy where an axis ends before the null."""
    reason = f"the null lies beyond the travel of axis {axis}"
    return reason, "place the lens nearer to the beam in the mount, or move the mount"
