"""What came of one run, small enough to be handed from one process to another."""

from __future__ import annotations

from dataclasses import dataclass

from station.sweep.oracle import Oracle
from station.sweep.seen import Seen


@dataclass(frozen=True, slots=True)
class Judged:
    """What came of one run.

    Attributes
    ----------
    case : str
    outcome : str
        "raised" where it did not end.
    broken : tuple of str
        Rules that it broke.
    bench_s : float
    digest : str
        Of its record, where it was asked for.
    """

    case: str
    outcome: str
    broken: tuple[str, ...]
    bench_s: float
    digest: str = ""


def judged(seen: Seen, oracle: Oracle | None = None, *, digest: bool = False) -> Judged:
    """Ask the oracle about a run that has ended; it may have followed it."""
    oracle = Oracle(seen) if oracle is None else oracle
    outcome = "raised" if seen.finish is None else seen.finish.outcome.value
    return Judged(
        str(seen.case),
        outcome,
        tuple(oracle.violations(seen)),
        seen.end_s,
        seen.record.digest() if digest else "",
    )
