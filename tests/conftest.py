"""What the rooms' tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings
from postgres_server import Server, running_server, why_none

# How long an example takes says how busy the machine is, nothing of the program.
settings.register_profile("coincide", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("coincide")


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server of these tests' own; they skip, and say why, where none can run."""
    reason = why_none()
    if reason:
        pytest.skip(reason)
    with running_server() as running:
        yield running
