"""Fixtures of the tests of layers."""

from pathlib import Path

import pytest
from small_district import District


@pytest.fixture
def district(tmp_path: Path) -> District:
    return District(tmp_path)
