"""The report of a campaign: one self-contained HTML file with figures and distributions."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Sequence
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy.stats import chi2

from station.campaign.outcomes import OUTCOMES, Table
from station.campaign.plan import CampaignPlan
from station.campaign.summary import CHI2_95_4, coverage, middle_and_top, radial, sizes

mpl.use("Agg")

# Colours that colour-blind people can tell apart (Okabe & Ito, Color Universal Design, 2008; from memory).
_BLUE, _VERMILION, _GREY = "#0072B2", "#D55E00", "#555555"
_CHI2_95_2: Final = 5.991464547107979
_TELL = 20


def write_report(plan: CampaignPlan, table: Table, figures: dict[str, Any]) -> bytes:
    """Return the report as HTML; pictures are inside, nothing is fetched from anywhere."""
    environment = Environment(
        loader=PackageLoader("station", "templates"), autoescape=True, undefined=StrictUndefined
    )
    page = environment.get_template("campaign.html").render(
        plan=plan,
        figures=figures,
        families=[_family(table, name) for name in dict.fromkeys(table["family"].tolist())],
        coverages=_coverages(table),
        outcomes=OUTCOMES,
        unusual=_unusual(table),
        pictures={"errors": _png(_errors(table)), "efforts": _png(_efforts(table))},
    )
    return page.encode()


def _family(table: Table, name: str) -> dict[str, Any]:
    part = {key: column[table["family"] == name] for key, column in table.items()}
    aligned = part["outcome"] == "aligned"
    return {
        "name": name,
        "benches": len(part["index"]),
        "outcomes": [int(np.sum(part["outcome"] == outcome)) for outcome in OUTCOMES],
        "false_accepts": int(np.sum(aligned & ~part["within"])),
        "moves": middle_and_top(part["moves"]),
        "looks": middle_and_top(part["looks"]),
        "decenter": sizes(radial(part, "true_decenter", "um")[aligned]),
        "tilt": sizes(radial(part, "true_tilt", "arcsec")[aligned]),
        "coverage": coverage(part["distance2"], CHI2_95_4),
    }


def _coverages(table: Table) -> list[tuple[str, float | None]]:
    return [
        ("decentre and tilt together", coverage(table["distance2"], CHI2_95_4)),
        ("decentre", coverage(table["distance2_decenter"], _CHI2_95_2)),
        ("tilt", coverage(table["distance2_tilt"], _CHI2_95_2)),
    ]


def _unusual(table: Table) -> list[dict[str, Any]]:
    """Return what did not end as it should have, the worst first; as many as a person reads."""
    accepted = (table["outcome"] == "aligned") & ~table["within"]
    order = [*np.flatnonzero(accepted), *np.flatnonzero(table["outcome"] != "aligned")]
    keys = ("index", "seed", "family", "outcome", "reason")
    return [{key: table[key][place].item() for key in keys} for place in order[:_TELL]]


def _errors(table: Table) -> Figure:
    """Draw how far off the lenses truly were, and whether the verdicts knew."""
    figure = Figure(figsize=(10.5, 3.2), layout="constrained")
    decenter, tilt, known = figure.subplots(1, 3)
    aligned = table["outcome"] == "aligned"
    _histogram(decenter, radial(table, "true_decenter", "um")[aligned], "true radial decentre, um")
    _histogram(tilt, radial(table, "true_tilt", "arcsec")[aligned], "true radial tilt, arcsec")
    decenter.set_ylabel("aligned lenses")
    _distances(known, table["distance2"])
    return figure


def _distances(axes: Axes, distance2: NDArray[np.float64]) -> None:
    known = np.sort(distance2[np.isfinite(distance2)])
    if known.size:
        share = (np.arange(known.size) + 0.5) / known.size
        axes.plot(chi2.ppf(share, 4), known, color=_BLUE, linewidth=1.5)
        top = float(chi2.ppf(share[-1], 4))
        axes.plot([0, top], [0, top], color=_GREY, linewidth=1, linestyle="--")
    axes.set_xlabel("chi-square, 4 degrees of freedom")
    axes.set_ylabel("truth from verdict, squared")


def _efforts(table: Table) -> Figure:
    """Draw what the alignments took."""
    figure = Figure(figsize=(10.5, 2.8), layout="constrained")
    moves, looks, time = figure.subplots(1, 3)
    _counts(moves, table["moves"], "moves to the null")
    _counts(looks, table["looks"], "looks")
    moves.set_ylabel("benches")
    _histogram(time, table["bench_seconds"], "bench time, s")
    return figure


def _histogram(axes: Axes, values: NDArray[np.float64], label: str) -> None:
    values = values[np.isfinite(values)]
    axes.hist(values, bins=min(40, max(5, math.isqrt(values.size))), color=_BLUE)
    if values.size:
        top = float(np.quantile(values, 0.95))
        axes.axvline(top, color=_VERMILION, linestyle="--", linewidth=1.2)
        axes.set_title(f"95 % below {top:.3g}", fontsize=9)
    axes.set_xlabel(label)


def _counts(axes: Axes, values: NDArray[np.int64], label: str) -> None:
    names, counts = np.unique(values, return_counts=True)
    axes.bar(names, counts, color=_BLUE)
    axes.set_xlabel(label)


def _png(figure: Figure) -> str:
    stream = io.BytesIO()
    figure.savefig(stream, format="png", dpi=130, metadata={"Software": None})
    return base64.b64encode(stream.getvalue()).decode("ascii")


def lines(table: Table, figures: dict[str, Any]) -> Sequence[str]:
    """Say the figures in a few lines for a person."""
    ended = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in figures["outcomes"].items())
    parts = [f"{figures['benches']} benches: {ended}"]
    parts.append(f"  false accepts {figures['false_accepts']}, false rejects {figures['false_rejects']}")
    for key, name in (
        ("moves", "moves to the null"),
        ("looks", "looks"),
        ("bench_seconds", "bench time, s"),
    ):
        spread = figures[key]
        parts.append(f"  {name}: median {spread['median']:g}, 95 % {spread['p95']:g}, most {spread['max']:g}")
    for key, name in (("true_decenter_um", "true decentre, um"), ("true_tilt_arcsec", "true tilt, arcsec")):
        spread = figures[key]
        if spread["rms"] is not None:
            parts.append(f"  {name}: rms {spread['rms']:g}, 95 % {spread['p95']:g}, most {spread['max']:g}")
    if figures["coverage_95"] is not None:
        parts.append(f"  the verdicts' 95 % ellipsoids hold {figures['coverage_95']:.2%} of the truths")
    if figures["alignments_per_second"]:
        parts.append(f"  {figures['alignments_per_second']:g} alignments per second")
    return parts
