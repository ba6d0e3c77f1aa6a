"""Answers in a sentence: the right fraction, the right days, and *not known* where it is not."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from fractions import Fraction

import numpy as np
import pytest

from forecast.risk import SeasonWindow
from forecast.wording import (
    answer,
    day,
    days,
    evidence_sentence,
    exposure_sentence,
    odds,
    opening_sentences,
    region_sentence,
    runs,
    season_cell,
    season_sentence,
    source_sentences,
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
    assert season_sentence(window, "Birch", date(2023, 3, 1)) == (
        "Birch likely starts 2-10 Apr, peaks about 14 Apr and ends 28 Apr-3 May"
    )
    half = replace(window, start_half=(date(2023, 4, 4), date(2023, 4, 8)))
    assert season_sentence(half, "Birch", date(2023, 3, 1)).startswith(
        "Birch likely starts 2-10 Apr (in half of the futures 4-8 Apr), peaks"
    )
    assert season_sentence(half, "Birch", date(2023, 4, 29)) == (
        "Birch is likely on since 6 Apr and ends 29 Apr-3 May"
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
        "Northton: high weeks are likely 20 Mar-2 Apr, the week of 27 Mar most of all (3 in 4, "
        "usual 1 in 5); expect 80 flare visits that week (9 times in 10 between 0 and 80)."
    )


def test_where_no_week_is_likely_high_the_highest_odds_are_said(make_issued):
    """Two in five at most: no span is claimed."""
    sentence = region_sentence(make_issued(draws_of(0, 0.25, 0.4)), "north", "Northton")
    assert "no week ahead is more likely high than not" in sentence
    assert "the highest odds are 1 in 3, usual 1 in 5, in the week of 20 Mar" in sentence
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
        "Northton: flare visits are not known, as no week of visits of this region is on record; "
        "exposure and season dates only. Bring its visits in with `forepaw import visits FILE`."
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
        (date(2023, 2, 20), "birch pollen now, likely over 21 Mar"),
        (date(2023, 4, 3), "birch pollen from 3 Apr"),
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


# ------------------------------------------------------------------------------ seasons
def window_of(*days: tuple[int, int]) -> SeasonWindow:
    """Return a season from three days of start, peak and end, each a (month, day) of 2023."""
    dates = [date(2023, *day) for day in days]
    spans = [tuple(dates[n : n + 3]) for n in (0, 3, 6)]
    return SeasonWindow("north", "exposure", "birch", *spans, 1.0)


SPRING = window_of((4, 1), (4, 6), (4, 10), (4, 12), (4, 14), (4, 16), (4, 28), (5, 1), (5, 3))


@pytest.mark.parametrize(
    ("origin", "said"),
    [
        (date(2022, 9, 8), ("6 Apr-1 May 2023", "start 1-10 Apr")),
        (date(2023, 3, 8), ("6 Apr-1 May", "start 1-10 Apr")),
        (date(2023, 4, 6), ("6 Apr-1 May", "start 1-10 Apr")),
        (date(2023, 4, 8), ("likely on now", "ends 28 Apr-3 May")),
        (date(2023, 4, 20), ("on since 6 Apr", "ends 28 Apr-3 May")),
        (date(2023, 4, 30), ("on since 6 Apr", "ends 30 Apr-3 May")),
    ],
)
def test_a_season_that_runs_is_not_said_to_start(origin, said):
    """Before the median start its dates; then likely on; past nine starts in ten, since when.

    No end is said to lie before the day itself.
    """
    assert season_cell(SPRING, origin) == said


def test_a_season_that_is_not_known_is_said_so(make_issued):
    """No date, no claim that none comes."""
    issued = make_issued(np.zeros((20, 30)))
    issued["season_dated"] = (("region", "allergen", "draw"), np.zeros((1, 1, 20), np.int8))
    assert exposure_sentence(issued, "north", "Northton") == (
        "Modelled exposure in Northton: not known of birch pollen, for want of weather."
    )


# ------------------------------------------------------------------------------ sources
NAMES = {"north": "Northton", "south": "Southby"}


def with_sources(make_issued, *, until="2023-03-07", stale=(), gaps=()):
    """Return an issue of 8 March whose weather ends on a day, with late sources and gaps."""
    issued = make_issued(np.zeros((20, 30)))
    late = [dict(zip(("source", "region", "until"), one, strict=True)) for one in stale]
    holes = [dict(zip(("region", "first", "last", "n_days"), one, strict=True)) for one in gaps]
    issued.attrs |= {"weather_until": until, "stale_sources": json.dumps(late)}
    issued.attrs["weather_gaps"] = json.dumps(holes)
    return issued


def test_where_everything_is_held_nothing_is_said(make_issued):
    """Up to the day before the origin."""
    assert source_sentences(with_sources(make_issued), NAMES) == []


@pytest.mark.parametrize(
    ("until", "said", "between"),
    [
        ("2023-03-06", "6 Mar 2023", "the day between"),
        ("2023-03-05", "5 Mar 2023", "the 2 days between"),
    ],
)
def test_days_without_weather_are_counted_in_good_english(make_issued, until, said, between):
    """One day is not *1 days*."""
    assert source_sentences(with_sources(make_issued, until=until), NAMES) == [
        f"Weather is held until {said} only: past years stand in for {between}."
    ]


def test_a_stale_source_is_named_with_its_reach_its_stand_in_and_what_to_do(make_issued):
    """Weather of both regions, visits of one: a sentence each."""
    stale = [
        ("weather", "north", "2023-02-20"),
        ("weather", "south", "2023-02-20"),
        ("visits", "south", "2023-02-05"),
    ]
    issued = with_sources(make_issued, until="2023-02-20", stale=stale)
    weather, visits = source_sentences(issued, NAMES)
    assert weather == (
        "Weather of Northton and Southby is held until 20 Feb 2023 only: past years stand in for "
        "the 15 days between; load newer weather with `forepaw import weather FILE`."
    )
    assert visits.startswith(
        "Visits of Southby are on record up to the week of 30 Jan 2023 only: flares since"
    )
    assert visits.endswith("bring newer ones in with `forepaw import visits FILE`.")
    # a figure of one region speaks of it alone
    issued.attrs["sources_in_use"] = "nasa_power ghcn_daily"
    assert source_sentences(issued, NAMES)[0].endswith(
        "; fetch newer weather with `forepaw pull`, or load it with `forepaw import weather FILE`."
    )
    (own,) = source_sentences(issued, {"north": "Northton"})
    assert own.startswith("Weather of Northton is held until")


def test_many_late_regions_are_named_in_part_and_counted(make_issued):
    """Five names and the number of the others; each region in its place once."""
    names = {f"r{n}": f"Region {n}" for n in range(12)}
    stale = [("visits", name, "2023-02-05") for name in names]
    (said,) = source_sentences(with_sources(make_issued, stale=stale), names)
    assert said.startswith(
        "Visits of Region 0, Region 1, Region 2, Region 3, Region 4 and 7 more regions are"
    )


@pytest.mark.parametrize(
    ("gap", "when"),
    [
        (("north", "2023-02-10", "2023-02-10", 1), "on 10 Feb 2023"),
        (("north", "2023-02-03", "2023-02-14", 12), "on 12 days of 3-14 Feb 2023"),
        (("north", "2022-12-28", "2023-01-06", 10), "on 10 days of 28 Dec-6 Jan 2023"),
    ],
)
def test_a_hole_in_the_weather_is_told_with_its_days(make_issued, gap, when):
    """Which region, when, and what that leaves unknown."""
    (said,) = source_sentences(with_sources(make_issued, gaps=[gap]), NAMES)
    assert said.startswith(f"Weather of Northton is not known {when}: nor is past exposure then")


def test_the_answer_opens_with_what_it_rests_on(issue):
    """Practice and issue, invented, then region by region; the credit last."""
    made = issue[1]
    lines = answer(made, NAMES)
    assert lines[0] == f"Made up: forecast as of 2022-06-29 (issued, issue {made.id})"
    assert lines[1].startswith("Invented practice")
    assert [line.split(":")[0].split(" of ")[0] for line in lines[2:-1]] == [
        "Northton",
        "Northton, week",
        "Modelled exposure in Northton",
        "Southby",
        "Southby, week",
        "Modelled exposure in Southby",
    ]
    assert lines[-1] == made.forecast.attrs["credit"]
    past = replace(made, cut=replace(made.cut, kind="hindcast"))
    assert "A hindcast: made after that day" in opening_sentences(past, NAMES)[1]
