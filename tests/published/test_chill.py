"""Chilling: Utah units, chilling hours, the dynamic model, and requirements of three early trees.

Utah classes: Richardson, Seeley & Walker 1974, HortScience 9:331-332. Dynamic model: Fishman, Erez
& Couvillon 1987 and Erez et al. 1990; its constants as public implementations agree on them, in
which the first hour only sets the start. "Worked out" marks sums over the stated formula, done once
apart from this code. Requirements of trees: the sources stand beside each test.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import allergen
from models.chill import chill_portions, chilling_hours, utah_units, utah_units_of_day
from models.parameters import load_table


@pytest.mark.parametrize(
    ("celsius", "unit"),
    [
        # Richardson et al. 1974, every class at both its printed ends
        *((t, 0.0) for t in (-20.0, 0.0, 1.4)),
        *((t, 0.5) for t in (1.5, 2.4)),
        *((t, 1.0) for t in (2.5, 9.1)),
        *((t, 0.5) for t in (9.2, 12.4)),
        *((t, 0.0) for t in (12.5, 15.9)),
        *((t, -0.5) for t in (16.0, 18.0)),
        *((t, -1.0) for t in (18.1, 35.0)),
    ],
)
def test_utah_units_of_an_hour(celsius, unit):
    """Each class of the table gives its unit, and none below zero in the positive variant."""
    assert utah_units(celsius) == unit
    # Linsley-Noakes & Allan 1994: negative units count as zero
    assert utah_units(celsius, positive_only=True) == max(unit, 0.0)


def test_utah_units_of_seven_hours():
    """Worked out: 1, 2, 5, 10, 14, 17 and 20 degC give 0 + 0.5 + 1 + 0.5 + 0 - 0.5 - 1."""
    assert utah_units(np.array([1.0, 2, 5, 10, 14, 17, 20])).sum() == pytest.approx(0.5)


def wave(days: int) -> np.ndarray:
    """Return hourly temperature swinging between 0 and 12 degC."""
    return 6 + 6 * np.sin(2 * np.pi * (np.arange(days * 24) - 9) / 24)


def test_forty_days_between_0_and_12_degrees():
    """Worked out: 580.0 Utah units, 520 hours below 7.2 degC and 29.5419 portions."""
    hourly = wave(40)
    threshold = load_table("models", "chill.toml").number("chilling_hours.threshold")
    assert utah_units(hourly).sum() == pytest.approx(580.0)
    assert (hourly < threshold).sum() == 520
    assert chill_portions(hourly).sum() == pytest.approx(29.5419, abs=0.5e-4)


@pytest.mark.parametrize(
    ("celsius", "portions"),
    [
        # worked out, a thousand hours at one temperature
        (0.0, 4.8519),
        (2.0, 26.3322),
        (4.0, 29.8494),
        (6.0, 34.2042),
        (8.0, 34.5684),
        (10.0, 32.4355),
        (12.0, 25.0015),
        (13.0, 0.0),
    ],
)
def test_chill_portions_at_one_temperature(celsius, portions):
    """The dynamic model has its optimum at 6 to 8 degC and gives nothing from 13 degC on."""
    total = chill_portions(np.full(1000, celsius)).sum()
    assert total == pytest.approx(portions, abs=0.5e-4)


def test_the_first_portion_takes_about_thirty_hours():
    """Worked out: between 4 and 10 degC the first portion is complete after 29 to 31 hours."""
    for celsius in (4.0, 6.0, 8.0, 10.0):
        first = int(np.argmax(chill_portions(np.full(100, celsius)) > 0))
        assert 28 <= first <= 31


@pytest.mark.filterwarnings("ignore:The 'name' property is deprecated")  # in xclim's own code
def test_a_winter_agrees_with_xclim():
    """An independent library gives the same Utah units, and the same portions.

    It ends the sixth class at 17.9 instead of 18 degC, so no hour of the series lies between; and
    it takes 0 degC as 273.15 K where the model's constants go with 273 K, hence our 0.15 K more.
    """
    indices = pytest.importorskip("xclim.indices")
    time = pd.date_range("2001-10-01", "2002-03-31 23:00", freq="h")
    hour = np.arange(len(time))
    rng = np.random.default_rng(3)
    celsius = 8 + 6 * np.sin(hour * np.pi / 12) - 6 * np.sin(np.pi * hour / len(hour))
    celsius = np.round(celsius + rng.normal(0, 2, len(hour)), 1)
    celsius[celsius == 18.0] = 17.9
    tas = xr.DataArray(celsius, dims="time", coords={"time": time}, attrs={"units": "degC"})
    assert (celsius > 18).any()
    assert utah_units(celsius).sum() == float(indices.chill_units(tas, freq="YS-OCT").item())
    theirs = float(indices.chill_portions(tas, freq="YS-OCT").item())
    assert chill_portions(celsius + 0.15).sum() == pytest.approx(theirs, rel=1e-9)


def test_hours_along_a_sine_are_those_of_its_fine_steps():
    """Daily extremes give the hours and units of the same day cut into 20,000 steps."""
    for high, low in ((12.0, 0.0), (5.0, -9.0), (20.0, 9.0), (7.3, 7.1), (-1.0, -8.0)):
        steps = (high + low) / 2 + (high - low) / 2 * np.sin(np.linspace(0, 2 * np.pi, 20_001)[1:])
        for threshold in (-0.25, 7.1, 7.2):
            fine = 24 * np.mean(steps < threshold)
            assert chilling_hours(high, low, threshold=threshold) == pytest.approx(fine, abs=0.01)
        assert utah_units_of_day(high, low) == pytest.approx(
            24 * utah_units(steps).mean(), abs=0.01
        )


@pytest.mark.parametrize(
    ("identity", "name", "value", "unit"),
    [
        # Rodriguez-Rajo et al. 2009, Ann Agric Environ Med 16:277-284, Poznan, abstract
        ("alder", "chill_threshold", -0.25, "degC"),
        ("alder", "chill_sum", 985, "h"),
        ("alder", "base", 0.5, "degC"),
        ("alder", "onset_sum", 118, "degC d"),
        # Frenguelli et al. 1992, Aerobiologia 8:415-418, Perugia, summary
        ("hazel", "chill_sum", 1000, "1"),
        ("hazel", "onset_sum", 220, "degC h"),
        # Fuertes-Rodriguez et al. 2007, Ann Agric Environ Med 14:237-242, Ponferrada, abstract
        ("cypress", "chill_threshold", 7.1, "degC"),
        ("cypress", "chill_sum", 927, "h"),
        ("cypress", "base", 0, "degC"),
        ("cypress", "onset_sum", 490, "degC d"),
    ],
)
def test_requirements_of_early_trees_are_the_published_ones(identity, name, value, unit):
    """The catalogue carries the numbers of the three papers, marked as published."""
    parameter = allergen(identity).parameters[name]
    assert (parameter.value, parameter.unit, parameter.status) == (value, unit, "published")
