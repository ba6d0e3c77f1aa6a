"""A practice with empty records, in SQLite and in PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from forecast.practice import Practice, create_practice, template
from forecast.records import Records, open_records

NOW = datetime(2024, 5, 31, 20, 0, tzinfo=UTC)


@pytest.fixture
def practice(tmp_path, database) -> Practice:
    return create_practice(tmp_path / "practice", template() + database, now=NOW)


@pytest.fixture
def records(practice) -> Iterator[Records]:
    opened = open_records(practice)
    yield opened
    opened.close()
