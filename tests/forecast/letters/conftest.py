"""A practice in Seoul with one dog, its owner and a proposal of two doses."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from planned_dog import DOSES, NOW, UNCOVERED, add_dog, propose

from forecast.practice import Practice, create_practice, template
from forecast.records import Records, open_records


@pytest.fixture
def practice(tmp_path, database) -> Practice:
    return create_practice(tmp_path / "practice", template() + database, now=NOW)


@pytest.fixture
def records(practice) -> Iterator[Records]:
    opened = open_records(practice)
    add_dog(opened, "rex", number="D1")
    propose(opened, "rex", doses=DOSES, uncovered=UNCOVERED, at=NOW)
    yield opened
    opened.close()
