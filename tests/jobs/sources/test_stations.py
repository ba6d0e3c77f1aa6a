"""Stations: how far off they are, which is near enough, and what is asked where."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date

import pytest

from jobs.sources.source import Place, RefusedError, find_source
from jobs.sources.spans import spans
from jobs.sources.stations import (
    Reach,
    Station,
    box_around,
    choose_stations,
    distance,
    nearby,
)

TOWN = Place("town", 50.0, 10.0, 100.0)
SOURCE = find_source("ghcn_daily")
# one degree of a great circle on a sphere of 6,371.0088 km
DEGREE = 2 * math.pi * 6371.0088 / 360


def test_a_degree_of_latitude_is_111_kilometres():
    assert distance(50.0, 10.0, Station("s", 51.0, 10.0)) == pytest.approx(DEGREE)
    assert pytest.approx(111.195, abs=0.001) == DEGREE


def test_a_degree_of_longitude_shrinks_with_latitude():
    """At 60 degrees it is half as long, nearly: a great circle cuts the corner."""
    there = Station("s", 60.0, 1.0)
    assert distance(60.0, 0.0, there) == pytest.approx(DEGREE / 2, rel=1e-4)
    assert distance(0.0, 179.5, Station("s", 0.0, -179.5)) == pytest.approx(DEGREE)
    assert distance(90.0, 0.0, Station("s", -90.0, 0.0)) == pytest.approx(180 * DEGREE)


def test_the_nearest_comes_first_and_what_is_too_far_or_high_not_at_all():
    stations = [
        Station("far", 50.4, 10.0, 100.0),  # 44 km
        Station("near", 50.1, 10.0, 100.0),
        Station("nearest", 50.05, 10.0, 100.0),
        Station("high", 50.01, 10.0, 400.0),
    ]
    reach = Reach(40.0, 250.0, most=5)
    assert [station.id for station in nearby(TOWN, stations, reach)] == ["nearest", "near"]
    assert [s.id for s in nearby(TOWN, stations, Reach(40.0, 250.0))] == ["nearest"]
    assert next(s.id for s in nearby(TOWN, stations, Reach(40.0, most=5))) == "high"


def test_a_height_that_is_not_known_rules_nobody_out():
    unknown = Station("s", 50.0, 10.0)
    assert nearby(TOWN, [unknown], Reach(1.0, 10.0)) == [unknown]
    nowhere = replace(TOWN, elevation=math.nan)
    assert nearby(nowhere, [Station("s", 50.0, 10.0, 900.0)], Reach(1.0, 10.0))


def test_stations_equally_far_are_taken_in_the_order_of_their_names():
    pair = [Station("b", 50.1, 10.0), Station("a", 49.9, 10.0)]
    assert nearby(TOWN, pair, Reach(40.0))[0].id == "a"
    assert nearby(TOWN, pair[::-1], Reach(40.0))[0].id == "a"


def test_a_place_without_a_station_is_kept_as_such_unless_all_are():
    stations = [Station("s", 50.0, 10.0)]
    sea = Place("sea", 0.0, 0.0, 0.0)
    pairs = choose_stations(SOURCE, [TOWN, sea], stations, Reach(40.0))
    assert pairs == (("town", "s"), ("sea", ""))
    with pytest.raises(RefusedError, match="none of its 1 stations is within 40 km of sea"):
        choose_stations(SOURCE, [sea], stations, Reach(40.0))


def test_a_box_holds_every_point_so_near_and_ends_at_the_poles():
    south, west, north, east = box_around([TOWN, Place("b", 52.0, 12.0, 0.0)], DEGREE)
    assert (south, north) == pytest.approx((49.0, 53.0))
    # at 53 degrees a great circle of one degree reaches 1/cos(53) degrees of longitude
    assert (west, east) == pytest.approx(
        (10 - 1 / math.cos(math.radians(53)), 12 + 1 / math.cos(math.radians(53)))
    )
    assert box_around([Place("pole", 89.5, 0.0, 0.0)], DEGREE)[2] == 90.0


def test_days_are_cut_into_spans_that_meet():
    limits = replace(SOURCE.limits, days_per_request=10)
    source = replace(SOURCE, limits=limits, earliest=date(2026, 1, 5))
    assert spans(source, date(2026, 1, 1), date(2026, 1, 25)) == [
        (date(2026, 1, 5), date(2026, 1, 14)),
        (date(2026, 1, 15), date(2026, 1, 24)),
        (date(2026, 1, 25), date(2026, 1, 25)),
    ]
    assert spans(source, date(2025, 1, 1), date(2026, 1, 4)) == []
    unbounded = replace(source, limits=replace(limits, days_per_request=None), earliest=None)
    assert spans(unbounded, date(1990, 1, 1), date(2026, 1, 1)) == [
        (date(1990, 1, 1), date(2026, 1, 1))
    ]
