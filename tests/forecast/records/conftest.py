"""A practice with empty records."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from forecast.practice import Practice, create_practice
from forecast.records import Records, open_records

NOW = datetime(2024, 5, 31, 20, 0, tzinfo=UTC)


@pytest.fixture
def practice(tmp_path) -> Practice:
    return create_practice(tmp_path / "practice", now=NOW)


@pytest.fixture
def records(practice) -> Records:
    return open_records(practice)
