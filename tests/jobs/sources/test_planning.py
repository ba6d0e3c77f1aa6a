"""Which days are asked for: all at first, then the trailing window, never a day for nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from jobs.sources.planning import Wish, asked_lately, wishes
from jobs.sources.source import Place, find_source

TODAY = date(2026, 6, 10)
NORTH, SOUTH = Place("north", 47.0, 8.0, 400.0), Place("south", 46.0, 9.0, 300.0)
WEATHER = find_source("open_meteo_archive")  # five days late, 95 days revised


def test_a_place_never_asked_for_lacks_twenty_years_and_the_year_so_far():
    """From the first of January on, up to the last day that is out."""
    assert WEATHER.lag_days == 5
    found = wishes(WEATHER, [NORTH, SOUTH], {}, today=TODAY)
    assert found == [Wish((NORTH, SOUTH), date(2006, 1, 1), date(2026, 6, 5))]


def test_a_source_that_began_late_is_not_asked_for_days_before_it():
    """Its first day goes before the twenty years."""
    young = replace(WEATHER, earliest=date(2023, 10, 1))
    assert wishes(young, [NORTH], {}, today=TODAY)[0].first == date(2023, 10, 1)


def test_days_that_are_revised_are_asked_again():
    """The last day asked for is the 4th; 95 days back from it, and to the 5th."""
    asked = {"north": (date(2006, 1, 1), date(2026, 6, 4))}
    found = wishes(WEATHER, [NORTH], asked, today=TODAY)
    assert found == [Wish((NORTH,), date(2026, 3, 2), date(2026, 6, 5))]


def test_values_that_come_later_than_usual_are_asked_again_too():
    """Nothing is revised, but a value may be as late as lag and allowance together."""
    late = replace(WEATHER, revised_days=0, lag_days=2, allowance_days=4)
    asked = {"north": (date(2006, 1, 1), date(2026, 6, 8))}
    assert wishes(late, [NORTH], asked, today=TODAY)[0].first == date(2026, 6, 3)


def test_a_first_run_that_was_broken_off_goes_on_where_it_stopped():
    """The place that came as far as 2015 from there, less the window; the other from the start."""
    asked = {"north": (date(2006, 1, 1), date(2015, 12, 31))}
    found = wishes(WEATHER, [NORTH, SOUTH], asked, today=TODAY)
    assert found == [
        Wish((SOUTH,), date(2006, 1, 1), date(2026, 6, 5)),
        Wish((NORTH,), date(2015, 9, 28), date(2026, 6, 5)),
    ]


def test_what_came_late_by_months_is_asked_again():
    """The service stood still from March on: the days since then, and the usual window before."""
    asked = {"north": (date(2006, 1, 1), date(2026, 6, 4))}
    found = wishes(WEATHER, [NORTH], asked, today=TODAY, newest={"north": date(2026, 2, 28)})
    assert found == [Wish((NORTH,), date(2026, 3, 1), date(2026, 6, 5))]
    # a station that ended years ago is not asked for those years every day: 400 days and 95
    ended = wishes(WEATHER, [NORTH], asked, today=TODAY, newest={"north": date(2015, 12, 31)})
    assert ended[0].first == date(2026, 6, 5) - timedelta(days=400 + 95 - 1)
    usual = wishes(WEATHER, [NORTH], asked, today=TODAY, newest={"north": date(2026, 6, 4)})
    assert usual[0].first == date(2026, 3, 2)


def test_earlier_years_are_filled_in():
    """A place that was asked for from 2010 on lacks the years before."""
    asked = {"north": (date(2010, 1, 1), date(2026, 6, 5))}
    first, second = wishes(WEATHER, [NORTH], asked, today=TODAY)
    assert (first.first, first.last) == (date(2006, 1, 1), date(2009, 12, 31))
    assert second.last == date(2026, 6, 5)


def test_a_forecast_is_asked_for_its_whole_horizon():
    """Whatever was asked before: each run replaces the one before."""
    ahead = find_source("open_meteo_forecast")
    assert ahead.horizon_days == 16
    assert wishes(ahead, [NORTH], {}, today=TODAY) == [Wish((NORTH,), TODAY, date(2026, 6, 25))]


def test_pollen_reaches_back_and_ahead():
    """Four days ahead, today being the first."""
    pollen = find_source("open_meteo_pollen")
    assert pollen.horizon_days == 4
    asked = {"north": (date(2023, 10, 1), date(2026, 6, 12))}
    found = wishes(pollen, [NORTH], asked, today=TODAY)
    assert found == [Wish((NORTH,), date(2026, 6, 8), date(2026, 6, 13))]


def test_a_place_asked_lately_lacks_nothing_unless_it_lacks_days():
    """North has all of them; south lacks the last one, and west was never asked for."""
    west = replace(NORTH, id="west")
    whole, short = (date(2006, 1, 1), date(2026, 6, 5)), (date(2006, 1, 1), date(2026, 6, 4))
    asked = {"north": whole, "south": short}
    lately = {"north", "south", "west"}
    found = wishes(WEATHER, [NORTH, SOUTH, west], asked, today=TODAY, lately=lately)
    assert [(wish.places, wish.last) for wish in found] == [
        ((west,), date(2026, 6, 5)),
        ((SOUTH,), date(2026, 6, 5)),
    ]
    ahead = find_source("open_meteo_forecast")
    assert wishes(ahead, [NORTH, SOUTH], {}, today=TODAY, lately={"north"})  # a run comes whole
    assert wishes(ahead, [NORTH, SOUTH], {}, today=TODAY, lately={"north", "south"}) == []


def test_lately_is_within_the_hours_of_the_source():
    """Six; a moment that is yet to come, of a clock that was put back, is not trusted."""
    now = datetime(2026, 6, 10, 12, tzinfo=UTC)
    ago = {"a": 0.0, "b": 5.9, "c": 6.0, "d": -0.1}
    asked_at = {place: now - timedelta(hours=hours) for place, hours in ago.items()}
    assert WEATHER.fresh_hours == 6
    assert asked_lately(WEATHER, asked_at, now=now) == {"a", "b"}
    assert asked_lately(replace(WEATHER, fresh_hours=0.0), asked_at, now=now) == set()
