"""Numbers of things agree with the thing."""

from __future__ import annotations

import pytest

from models.words import number_of


@pytest.mark.parametrize(
    ("number", "thing", "said"),
    [
        (0, "dose", "0 doses"),
        (1, "dose", "1 dose"),
        (2, "dose", "2 doses"),
        (1200, "dog", "1,200 dogs"),
        (1.0, "flare-week", "1 flare-week"),
        (0.25, "flare-week", "0.25 flare-weeks"),
    ],
)
def test_one_is_one_and_all_else_are_more(number, thing, said):
    assert number_of(number, thing) == said
