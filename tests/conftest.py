"""What tests of several packages lean on."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from tests.flows.real_servers import Database, database


def pytest_configure(config: pytest.Config) -> None:
    """Let the processes that tests start share what they compile: Prefect alone takes seconds."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(config.rootpath / ".pytest_cache" / "bytecode")
    # A busy machine is no reason to fail: no test is timed.
    settings.register_profile(
        "untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
    settings.load_profile("untimed")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files with slow tests first: begun last, one of them leaves the other processor idle."""
    slow = {item.path for item in items if item.get_closest_marker("slow")}
    items.sort(key=lambda item: item.path not in slow)


@pytest.fixture(scope="module")
def postgres() -> Iterator[Database]:
    """A PostgreSQL server on loopback, with nothing in it."""
    with database() as started:
        yield started
