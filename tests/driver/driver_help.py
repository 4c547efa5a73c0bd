"""What the driver's tests share."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from driver.faults import DeviceFault, FaultCode
from driver.phrases import PhraseTable

TABLES = ("word_address", "comma_steps")


def code_of(call: Callable[[], object]) -> FaultCode:
    """Call, and return the code of the fault that has to come."""
    with pytest.raises(DeviceFault) as fault:
        call()
    return fault.value.code


def variant(name: str = "word_address", **parts: dict[str, Any]) -> PhraseTable:
    """Return a table with some keys changed."""
    table = PhraseTable.named(name).model_dump(exclude_none=True)
    for part, changes in parts.items():
        for key, value in changes.items():
            if value is None:
                table[part].pop(key)
            else:
                table[part][key] = value
    return PhraseTable.from_mapping(table)


def during_motion(change: Callable[[Any], None]) -> Callable[[Any], None]:
    """What the far end does at the second look at a motion."""

    def on_look(mechanics: Any) -> None:
        if mechanics.state in ("MOVING", "HOMING") and mechanics.looks_left == 1:
            change(mechanics)

    return on_look


def never_arrives(m: Any) -> None:
    m.looks_left = 10**9
