"""What the tests of records share: both databases, for real."""

import pytest


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.process)])
def any_url(request, tmp_path):
    """The URL of an empty ledger in each kind of database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path}/ledger.sqlite"
    return request.getfixturevalue("postgres_url")
