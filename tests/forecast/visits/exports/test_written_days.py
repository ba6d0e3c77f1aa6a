"""Days as exports write them: what each spelling means, and what proves the order of its parts."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from forecast.visits.exports.written_days import take_apart

TODAY = date(2024, 5, 31)
DAY_FIRST, MONTH_FIRST, YEAR_FIRST = "day month year", "month day year", "year month day"


def read(text: str, order: str = DAY_FIRST, zone: str = "") -> str:
    return str(take_apart([text]).read(order, zone=zone)[0])


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("13.05.2024", "2024-05-13T00:00:00"),
        ("3.5.2024", "2024-05-03T00:00:00"),
        ("13/05/2024", "2024-05-13T00:00:00"),
        ("13-05-2024 ", "2024-05-13T00:00:00"),
        ("13. 05. 2024", "2024-05-13T00:00:00"),
        ("13.05.24", "2024-05-13T00:00:00"),
        ("13.05.80", "1980-05-13T00:00:00"),
        ("13.05.79", "2079-05-13T00:00:00"),
        ("2024-05-13", "2024-05-13T00:00:00"),
        ("2024/5/13", "2024-05-13T00:00:00"),
        ("20240513", "2024-05-13T00:00:00"),
        ("13052024", "2024-05-13T00:00:00"),
        ("13 May 2024", "2024-05-13T00:00:00"),
        ("13. Mai 2024", "2024-05-13T00:00:00"),
        ("13-Okt-23", "2023-10-13T00:00:00"),
        ("1. März 2024", "2024-03-01T00:00:00"),
        ("May 13, 2024", "2024-05-13T00:00:00"),
        ("Sept 3rd, 2023", "2023-09-03T00:00:00"),
        ("2024-May-13", "2024-05-13T00:00:00"),
        ("Mo, 13.05.2024", "2024-05-13T00:00:00"),
        ("Montag 13. Mai 2024", "2024-05-13T00:00:00"),
        ("Mon 13 May 2024 14:05", "2024-05-13T14:05:00"),
        ("13.05.2024 14:05", "2024-05-13T14:05:00"),
        ("13.05.2024, 14:05:09", "2024-05-13T14:05:09"),
        ("13.05.2024 2:05 PM", "2024-05-13T14:05:00"),
        ("13.05.2024 12:05 am", "2024-05-13T00:05:00"),
        ("13.05.2024 14:05 Uhr", "2024-05-13T14:05:00"),
        ("2024-05-13T14:05:09.123", "2024-05-13T14:05:09"),
        ("2024-05-13T14:05:09Z", "2024-05-13T14:05:09"),
        ("2024-05-13 14:05+02:00", "2024-05-13T14:05:00"),
    ],
)
def test_a_day_is_read_as_a_person_of_the_place_would(text, moment):
    """Day before month, English and German months, a time behind."""
    assert read(text) == moment


@pytest.mark.parametrize(
    "text",
    [
        *("", "soon", "31.02.2024", "29.02.2023", "13.13.2024", "00.00.0000", "0000-00-00"),
        *("13.05.2024 25:00", "13.05.2024 12:60", "13.5", "May 2024", "13.05.202", "2024-13-05"),
        *("13 Mayor 2024", "45425", "123456789", "13.05.2024.1", "14:05", "13..05.2024"),
    ],
)
def test_what_is_no_day_is_none(text):
    """Nothing is bent into a day."""
    assert read(text) == "NaT"


def test_each_order_reads_its_own():
    """Three days from the same cell."""
    assert [read("03-04-05", order)[:10] for order in (DAY_FIRST, MONTH_FIRST, YEAR_FIRST)] == [
        "2005-04-03",
        "2005-03-04",
        "2003-04-05",
    ]


def test_a_time_with_an_offset_is_told_in_the_practice_s_zone():
    """Seoul is nine hours ahead of UTC all year, Berlin two in summer and one in winter."""
    assert read("2024-05-13T23:30:00Z", zone="Asia/Seoul") == "2024-05-14T08:30:00"
    assert read("2024-05-13T23:30:00+02:00", zone="Europe/Berlin") == "2024-05-13T23:30:00"
    assert read("2024-01-13T23:30:00Z", zone="Europe/Berlin") == "2024-01-14T00:30:00"
    assert read("2024-05-13 23:30", zone="Asia/Seoul") == "2024-05-13T23:30:00"


def test_serial_numbers_are_read_only_when_asked_for():
    """Day 45292 is the first of January 2024; the half is noon."""
    assert read("45292", "serial") == "2024-01-01T00:00:00"
    assert read("45292.5", "serial") == "2024-01-01T12:00:00"
    assert read("45292,25", "serial") == "2024-01-01T06:00:00"
    assert read("2024-05-13", "serial") == "2024-05-13T00:00:00"
    assert read("13.05.2024", "serial") == "NaT"


@pytest.mark.parametrize(
    ("texts", "proved"),
    [
        (["03/04/2024", "13/04/2024"], DAY_FIRST),
        (["03/04/2024", "04/13/2024"], MONTH_FIRST),
        (["31/02/2024"], DAY_FIRST),  # no day, but it shows which part was meant to be one
        (["03.04.24", "31.12.99"], DAY_FIRST),
        (["03-04-24", "99-12-31"], YEAR_FIRST),
        (["24-04-03", "23-04-31"], YEAR_FIRST),  # the day first would make it April 2031
        (["03/04/2024", "05/06/2024"], ""),
        (["13/04/2024", "04/13/2024"], ""),
        (["2024-04-03"], ""),
    ],
)
def test_the_order_is_proved_by_the_whole_column_or_not_at_all(texts, proved):
    """One cell that fits one order only, and none that speaks against it."""
    assert take_apart(texts).proof(TODAY).proved == proved


def test_two_digits_that_would_be_a_year_ahead_are_the_day():
    """30.12.23 with the year first would be December 2030."""
    proof = take_apart(["30.12.23", "29.11.23"]).proof(TODAY)
    assert proof.proved == DAY_FIRST


def test_a_slip_of_the_pen_does_not_undo_a_proof():
    """A visit dated ahead reads like the others; only where several orders are left is it asked."""
    assert take_apart(["31.12.99", "03.05.25"]).proof(TODAY).proved == DAY_FIRST


def test_cells_that_all_orders_read_alike_ask_nothing():
    """05/05 is in May either way, and ISO days have no order to prove."""
    for texts in (["05/05/2024"], ["2024-04-03", "3 May 2024", ""]):
        proof = take_apart(texts).proof(TODAY)
        assert not proof.in_question
    proof = take_apart(["05/05/2024", "03/04/2024"]).proof(TODAY)
    assert proof.in_question
    assert proof.example == "03/04/2024"


def test_contradicting_cells_are_in_question():
    """Neither order reads both; how many cells each cannot read is told."""
    proof = take_apart(["13/04/2024", "14/04/2024", "04/13/2024"]).proof(TODAY)
    assert proof.in_question
    assert proof.possible == ()
    assert proof.misfits == {DAY_FIRST: 1, MONTH_FIRST: 2}


def test_a_column_without_cells_asks_nothing():
    """An empty column has nothing to be read."""
    written = take_apart([])
    assert not written.proof(TODAY).in_question
    assert len(written.read(DAY_FIRST)) == 0
    assert written.read(DAY_FIRST).dtype == np.dtype("datetime64[s]")
