"""What all tests share."""

import itertools
from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from postgres import Postgres

# No deadlines: speed is measured in tests/benchmarks, as ratios.
settings.register_profile("contactd", deadline=None, derandomize=True, max_examples=60)
settings.register_profile("thorough", deadline=None, max_examples=2000)
settings.load_profile("contactd")

_numbers = itertools.count(1)


@pytest.fixture(scope="session")
def postgres() -> "Iterator[Postgres]":
    """A real PostgreSQL; a test that stops it must start it again."""
    from postgres import Postgres

    server = Postgres()
    server.start()
    yield server
    server.remove()


@pytest.fixture
def postgres_url(postgres: "Postgres") -> str:
    """The URL of a new, empty database on it."""
    return postgres.url(f"ledger{next(_numbers)}")
