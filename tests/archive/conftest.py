"""A small recording, made once, of which the archives of the tests are copies."""

from pathlib import Path

import pytest

from tests.archive.made import small_recording


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sealed recording of the shipped drive with few samples."""
    return small_recording(tmp_path_factory.mktemp("small") / "small")
