"""Answers in a sentence: the right fraction, the right days, and *not known* where it is not."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

import numpy as np
import pytest

from forecast.risk import SeasonWindow
from forecast.wording import (
    day,
    days,
    evidence_sentence,
    exposure_sentence,
    odds,
    region_sentence,
    runs,
    season_sentence,
    span,
)
from models.flare.attribution import Evidence


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.0, "under 1 in 30"),
        (0.029, "under 1 in 30"),
        (0.05, "1 in 20"),
        (0.11, "1 in 10"),
        (0.24, "1 in 4"),
        (1 / 3, "1 in 3"),
        (0.5, "1 in 2"),
        (0.65, "2 in 3"),
        (0.74, "3 in 4"),
        (0.9, "9 in 10"),
        (0.96, "19 in 20"),
        (0.98, "over 29 in 30"),
        (1.0, "over 29 in 30"),
        (np.nan, "not known"),
    ],
)
def test_odds_are_said_as_the_nearest_plain_fraction(probability, said):
    """Never as a level or a colour; what is not known is said so."""
    assert odds(probability) == said


def test_higher_odds_are_never_said_lower_nor_far_off():
    """Over the whole range the fraction rises, and lies within a twelfth of what it stands for.

    A twelfth is half of the widest step between two fractions in use, 1 in 3 and 1 in 2.
    """
    before = Fraction(0)
    for probability in np.linspace(0.03, 0.97, 400):
        part, whole = odds(probability).split(" in ")
        said = Fraction(int(part), int(whole))
        assert said >= before
        assert abs(float(said) - probability) <= 1 / 12 + 1e-9
        before = said


@pytest.mark.parametrize(
    ("first", "last", "said"),
    [
        (date(2023, 5, 9), date(2023, 5, 9), "9 May"),
        (date(2023, 5, 9), date(2023, 5, 21), "9-21 May"),
        (date(2023, 4, 28), date(2023, 5, 3), "28 Apr-3 May"),
        (date(2023, 12, 28), date(2024, 1, 3), "28 Dec-3 Jan"),
        (date(2023, 5, 9), date(2024, 4, 30), "9 May-30 Apr"),
        (date(2023, 5, 9), date(2024, 5, 21), "9 May 2023-21 May 2024"),
    ],
)
def test_spans_of_days_read_well_over_months_and_years(first, last, said):
    """A year is said only where a reader could take one span for another."""
    assert days(first, last) == said


def test_a_date_is_said_with_its_spread():
    """The middle first, then eight draws in ten."""
    assert day(date(2023, 5, 1)) == "1 May"
    window = (date(2023, 5, 9), date(2023, 5, 14), date(2023, 5, 21))
    assert span(window) == "14 May (9-21 May)"


def test_a_season_is_said_from_start_to_end():
    """With the spread of start and end and the middle of the peak."""
    window = SeasonWindow(
        "north",
        "exposure",
        "birch",
        (date(2023, 4, 2), date(2023, 4, 6), date(2023, 4, 10)),
        (date(2023, 4, 12), date(2023, 4, 14), date(2023, 4, 16)),
        (date(2023, 4, 28), date(2023, 5, 1), date(2023, 5, 3)),
        1.0,
    )
    assert season_sentence(window, "Birch") == (
        "Birch likely starts 2-10 Apr, peaks about 14 Apr and ends 28 Apr-3 May"
    )


def test_weeks_in_a_row_or_with_one_between_are_one_span():
    """Spans go from a Monday to a Sunday; two weeks between make two spans."""
    weeks = [date(2023, 5, 1), date(2023, 5, 8), date(2023, 5, 22), date(2023, 6, 12)]
    assert runs(weeks) == [
        (date(2023, 5, 1), date(2023, 5, 28)),
        (date(2023, 6, 12), date(2023, 6, 18)),
    ]
    assert runs([]) == []


# ------------------------------------------------------------------------------ a region
def draws_of(*rates: float, n_weeks: int = 52) -> np.ndarray:
    """Return 20 draws; week n is high in the given share of them."""
    draws = np.zeros((20, n_weeks))
    for week, share in enumerate(rates):
        draws[: round(20 * share), week] = 80
    return draws


def test_the_answer_names_the_likely_weeks_the_highest_and_what_to_expect(make_issued):
    """Weeks 2 and 3 are high in 12 and 15 of 20 draws; the diary expects the median of week 3."""
    issued = make_issued(draws_of(0, 0, 0.6, 0.75))
    assert region_sentence(issued, "north", "Northton") == (
        "Northton: high weeks are likely 20 Mar-2 Apr, the week of 27 Mar most of all (3 in 4); "
        "expect 80 flare visits in the week of 27 Mar (9 times in 10 between 0 and 80)."
    )


def test_where_no_week_is_likely_high_the_highest_odds_are_said(make_issued):
    """Two in five at most: no span is claimed."""
    sentence = region_sentence(make_issued(draws_of(0, 0.25, 0.4)), "north", "Northton")
    assert "no week ahead is more likely high than not" in sentence
    assert "the highest odds are 1 in 3, in the week of 20 Mar" in sentence
    assert "high weeks are likely" not in sentence


def test_a_span_of_the_next_year_is_said_with_its_year(make_issued):
    """High now and again at the end of the year ahead: the second says which February."""
    draws = draws_of(0.9, 0.9)
    draws[:, 50] = 80
    sentence = region_sentence(make_issued(draws), "north", "Northton")
    assert "likely 6-19 Mar and 19-25 Feb 2024," in sentence


def test_a_region_that_is_not_known_is_not_called_quiet(make_issued):
    """No odds: the sentence gives the reason, and no number at all."""
    issued = make_issued(draws_of(0.9), threshold=np.nan)
    assert region_sentence(issued, "north", "Northton") == (
        "Northton: not known; no visits of this region are held."
    )


def test_without_visits_the_sentence_claims_exposure_and_dates_only(without_visits):
    """No counts, no odds, no plans: said, not left out."""
    sentence = region_sentence(without_visits, "north", "Northton")
    assert "exposure and season dates only" in sentence
    assert "no counts, no odds of visits and no plans" in sentence


def day_number(moment: date) -> float:
    return float((moment - date(1970, 1, 1)).days)


@pytest.mark.parametrize(
    ("start", "said"),
    [
        (date(2023, 2, 20), "Birch pollen now, likely over 21 Mar"),
        (date(2023, 4, 3), "Birch pollen from 3 Apr"),
        (None, "no season ahead"),
    ],
)
def test_exposure_says_what_runs_and_what_comes_next(make_issued, start, said):
    """The origin is 8 March 2023."""
    first = np.full(20, np.nan if start is None else day_number(start))
    seasons = {"start": first, "peak": first + 10, "end": first + 29}
    issued = make_issued(np.zeros((20, 30)), seasons=seasons)
    assert exposure_sentence(issued, "north", "Northton") == (
        f"Modelled exposure in Northton: {said}."
    )


# ------------------------------------------------------------------------------ evidence
def test_a_driver_that_was_found_is_said_with_its_interval():
    """exp(0.0953) is 1.10, exp(0.1823) 1.20, exp(0.2624) 1.30; none of 79 stretches reached it."""
    found = Evidence("humidity", "found", 1 / 80, 79, np.log(1.2), np.log(1.1), np.log(1.3))
    sentence = evidence_sentence(found)
    assert sentence.startswith("Humidity: found.")
    assert "20 % more flare visits (9 in 10 between 10 and 30 %)" in sentence
    assert "none of 79 other stretches" in sentence
    one = Evidence("humidity", "found", 2 / 80, 79, np.log(1.2), np.log(1.1), np.log(1.3))
    assert "1 of 79 other stretches" in evidence_sentence(one)


def test_a_driver_that_cannot_be_told_is_not_said_to_do_nothing():
    """No number, and no claim either way."""
    open_question = Evidence("exposure", "cannot be told", 0.4, 79, 0.1, -0.2, 0.4)
    assert evidence_sentence(open_question) == (
        "Exposure: what it does to flares cannot be told from these visits."
    )
