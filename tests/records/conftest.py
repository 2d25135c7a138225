"""What the tests of records share: both databases, for real."""

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
    return postgres.url(f"ledger{next(_names)}")


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.process)])
def any_url(request, tmp_path):
    """The URL of an empty ledger in each kind of database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/ledger.sqlite"
    return request.getfixturevalue("postgres_url")
