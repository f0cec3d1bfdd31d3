"""Fixtures that several parts of the suite share."""

from pathlib import Path

import pytest
from hypothesis import settings

from tests.synthetic import make_campaign

# The same examples in every run; scripts/test --slow looks further, with new ones each time.
# Without deadlines: the first example of a test may wait for numba to compile.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.register_profile("searching", deadline=None)
settings.load_profile("repeatable")


@pytest.fixture(scope="session")
def small_campaign(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a small invented campaign without faults; not to be changed."""
    folder = tmp_path_factory.mktemp("synthetic") / "small"
    make_campaign(folder)
    return folder
