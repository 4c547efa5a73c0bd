"""The digest of a record notices every value in it, and nothing else."""

from __future__ import annotations

import copy
import dataclasses
import math
from collections.abc import Iterator, Mapping
from enum import Enum
from typing import Any

import numpy as np
import pytest

from control.messages import Homed, LensIsIn, LensIsOut, Looked, Moved
from station.campaign.digest import digest_of
from station.campaign.inprocess import InProcess, MemoryRecord
from station.campaign.plan import CampaignPlan, deviations, setup_of
from station.record.codec import CodecError
from vision.spots import Flag, NoSpot, Reason, Spot, SpotName


@pytest.fixture(scope="module")
def record() -> MemoryRecord:
    plan = CampaignPlan(benches=8, seed=3)
    made = InProcess(setup_of(plan, 1), plan.seed_of(1), nuisances=deviations(), line=False)
    made.run()
    assert isinstance(made.record, MemoryRecord)
    return made.record


def with_one_changed(value: Any) -> Iterator[Any]:
    """Yield copies of messages that differ in one value each."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        for field in dataclasses.fields(value):
            for changed in with_one_changed(getattr(value, field.name)):
                yield dataclasses.replace(value, **{field.name: changed})
    elif isinstance(value, Mapping):
        for key, part in value.items():
            yield {other: value[other] for other in value if other is not key}
            yield from ({**value, key: changed} for changed in with_one_changed(part))
    elif isinstance(value, tuple | list):
        yield value[:-1]
        for n, part in enumerate(value):
            yield from ([*value[:n], changed, *value[n + 1 :]] for changed in with_one_changed(part))
    elif isinstance(value, np.ndarray):
        for n in range(value.size):
            changed = value.copy()
            changed.flat[n] = math.nextafter(changed.flat[n], math.inf)
            yield changed
    elif isinstance(value, frozenset):
        yield value ^ {Flag.FRINGES}
    else:
        yield changed_leaf(value)


def changed_leaf(value: Any) -> Any:
    if isinstance(value, Enum):
        return next(other for other in type(value) if other is not value)
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    if isinstance(value, float):
        return math.nextafter(value, math.inf)
    return "other" if value is None else f"{value}."


def test_any_value_that_differs_makes_another_digest(record: MemoryRecord) -> None:
    steps = {(type(one), type(other)): (one, other) for one, other in record.steps}
    assert len(steps) > 8
    own = {digest_of(step) for step in steps.values()}
    changed = [digest_of(other) for step in steps.values() for other in with_one_changed(step)]
    assert len(changed) > 200
    assert not own.intersection(changed)


def test_the_whole_record_counts(record: MemoryRecord) -> None:
    own = record.digest()
    changed = [copy.deepcopy(record) for _ in range(4)]
    changed[0].controller += "."
    changed[1].steps[3:5] = []
    changed[2].add_fault("stalled", "it stalled", 1.0, "Move")
    changed[3].replace_finish(changed[3].steps[-1][1])
    assert own not in {other.digest() for other in changed}


def test_equal_records_have_equal_digests(record: MemoryRecord) -> None:
    assert copy.deepcopy(record).digest() == record.digest()  # none of its objects is the same
    spot = Spot(np.array([1.0, 2.0]), np.eye(2), (0.5, 0.5), 1e6)
    assert digest_of([spot]) == digest_of([dataclasses.replace(spot, power_e_per_s=np.float64(1e6))])
    one, other = frozenset([0, 8]), frozenset([8, 0])
    assert list(one) != list(other)  # their hashes collide
    assert digest_of([one]) == digest_of([other])


def test_what_no_message_carries_has_none() -> None:
    hidden = NoSpot(Reason.IN_THE_HOLE, "", math.nan)
    off = Spot(np.array([1.0, math.inf]), np.eye(2), (0.5, 0.5), 1e6)
    for sighting in (hidden, off):
        with pytest.raises(CodecError, match="finite"):
            digest_of([Looked({SpotName.FRONT: sighting}, {"X": 0.0}, 2, 1.0)])
    with pytest.raises(CodecError, match="no message holds a complex"):
        digest_of([Homed({"X": 1j}, 0.0)])


def test_messages_of_one_content_and_two_kinds_differ() -> None:
    assert digest_of([LensIsIn(1.0)]) != digest_of([LensIsOut(1.0)])
    assert digest_of([Homed({"X": 0.0}, 1.0)]) != digest_of([Moved({"X": 0.0}, 1.0)])
