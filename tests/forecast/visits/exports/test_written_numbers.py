"""Numbers as exports write them: what each spelling means, and what proves the decimal mark."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.visits.exports.written_numbers import read_numbers

NONE = np.nan


@pytest.mark.parametrize(
    ("text", "with_comma", "with_point"),
    [
        ("12", 12, 12),
        ("12,50", 12.5, NONE),
        ("12.50", NONE, 12.5),
        ("1.234,56", 1234.56, NONE),
        ("1,234.56", NONE, 1234.56),
        ("1,234", 1.234, 1234),
        ("1.234", 1234, 1.234),
        ("1.234.567", 1234567, NONE),
        ("0,125", 0.125, NONE),  # no thousand begins with a nought
        (",5", 0.5, NONE),
        ("-12,50", -12.5, NONE),
        ("12,50-", -12.5, NONE),
        ("(12,50)", -12.5, NONE),
        ("+3", 3, 3),
        ("€ 12,50", 12.5, NONE),
        ("12,50 EUR", 12.5, NONE),
        ("-€5,00", -5, NONE),
        ("1 234,50", 1234.5, NONE),
        ("1'234.50", NONE, 1234.5),
        ("1\u00a0234,50", 1234.5, NONE),
        ("", NONE, NONE),
        ("one", NONE, NONE),
        ("1.23.4", NONE, NONE),
        ("12..5", NONE, NONE),
        ("--5", NONE, NONE),
        ("(5", NONE, NONE),
        ("1,2,3", NONE, NONE),
    ],
)
def test_a_number_is_read_with_either_mark(text, with_comma, with_point):
    """Not-a-number where the mark does not fit."""
    found = read_numbers([text]).with_mark
    np.testing.assert_array_equal([found[","][0], found["."][0]], [with_comma, with_point])


@pytest.mark.parametrize(
    ("texts", "proved", "in_question"),
    [
        (["12,50", "1,234"], ",", "1,234"),
        (["12.50", "1,234"], ".", "1,234"),
        (["1,234", "5"], "", "1,234"),
        (["12", "7", "x", ""], "", ""),
        (["12,50", "12.50"], "", "12,50"),
        ([], "", ""),
    ],
)
def test_the_mark_is_proved_by_the_whole_column_or_asked(texts, proved, in_question):
    """A cell that needs one mark proves it unless another needs the other."""
    numbers = read_numbers(texts)
    assert (numbers.proved, numbers.in_question) == (proved, in_question)
