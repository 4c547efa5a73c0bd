"""What the rooms' tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from postgres_server import Server, running_server, why_none


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server of these tests' own; they skip, and say why, where none can run."""
    reason = why_none()
    if reason:
        pytest.skip(reason)
    with running_server() as running:
        yield running
