"""What the tests of the service share."""

import itertools

import pytest
from postgres import Postgres

_names = itertools.count(1)


@pytest.fixture(scope="session")
def postgres():
    """A real PostgreSQL; a test that stops it must start it again."""
    server = Postgres()
    server.start()
    yield server
    server.remove()


@pytest.fixture
def postgres_url(postgres):
    return postgres.url(f"pair{next(_names)}")
