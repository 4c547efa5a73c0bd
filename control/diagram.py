"""Draws the state table as Mermaid text: ``python -m control.diagram`` prints it."""

from __future__ import annotations

import sys

from control.states import ROWS, RULES, TERMINAL, State


def draw_states() -> str:
    """Return the diagram of :data:`control.states.ROWS` and ``RULES`` as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {State.READY.value}"]
    lines += [f"    {source.value} --> {target.value}: {event.value}" for source, event, target in ROWS]
    for states, event, target in RULES:
        if len(states) == len(State) - len(TERMINAL):
            where = "any_working_state"
        else:
            where = "any_state_with_the_lens_in"
        lines.append(f"    {where} --> {target.value}: {event.value}")
    lines += [f"    {state.value} --> [*]" for state in State if state in TERMINAL]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.stdout.write(draw_states())
