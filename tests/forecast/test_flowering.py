"""Flowering ahead in an issue: the forecast in season, what it rests on, and what was reported."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.flowering import flowering_ahead, flowering_arrays
from forecast.risk import FloweringWindow, exposure_seasons, flowering_windows
from forecast.season_words import allergen_sentence
from forecast.wording import flowering_sentence
from models.scores import QUANTILE_LEVELS

IN_MARCH = date(2022, 3, 1)


@pytest.fixture(scope="module")
def then(known):
    """Give what was known on 1 March: dates up to 2021, the plants of 2022 are ahead."""
    return known.before(IN_MARCH)


@pytest.fixture(scope="module")
def held(model, then) -> xr.Dataset:
    return flowering_arrays(model, then)


def test_the_dates_kept_are_those_of_the_forecast_in_season(model, then, held):
    """Its middle, by its own quantiles; the model has 18 dates of each region."""
    ahead = flowering_ahead(model, then)["cherry"]
    middle = ahead["date"].isel(level=ahead.sizes["level"] // 2)
    days = held["flowering_days"].sel(plant="cherry").sel(quantile=0.5, method="nearest")
    expected = (middle.values - np.datetime64(0, "D")) / np.timedelta64(1, "D")
    assert days.values == pytest.approx(expected)
    assert held["flowering_dates"].values.tolist() == [[18, 18]]
    assert held["flowering_seen"].isnull().all()
    rising = held["flowering_days"].transpose("quantile", ...).diff("quantile")
    assert (rising >= 0).all()


def test_what_was_reported_is_not_forecast(model, then):
    """Cherry of the north seen on 28 February: known; the south stays ahead."""
    day = pd.Timestamp("2022-02-28")
    row = {"region": "north", "species": "cherry", "stage": "flowering", "date": day}
    told = replace(then, flowering=pd.concat([then.flowering, pd.DataFrame([row])]))
    held = flowering_arrays(model, told).assign_attrs(origin=f"{IN_MARCH}")
    north, south = (flowering_windows(held, region)[0] for region in ("north", "south"))
    assert (north.seen, north.days) == (date(2022, 2, 28), None)
    assert flowering_sentence(north) == "Cherry flowered on 28 Feb, as reported."
    assert south.seen is None
    assert south.days[0] <= south.half[0] <= south.days[1] <= south.half[1] <= south.days[2]


def test_silence_says_something_only_where_somebody_reports(model, known):
    """No cherry of 2022 is reported by 14 April: in the south, as far as is known, nobody looks.

    There it has likely flowered, and is said to. The north reported its forsythia in March and had
    cherry the year before: a cherry in flower a week ago would be known, so it flowers from then
    on. A report of the year before last makes no observer of this year.
    """
    day = date(2022, 4, 14)
    then = known.before(day)
    dates = then.flowering[then.flowering["date"] < pd.Timestamp("2022-01-01")]
    row = {"region": "north", "species": "forsythia", "stage": "flowering"}
    row["date"] = pd.Timestamp("2022-03-20")
    told = replace(then, flowering=pd.concat([dates, pd.DataFrame([row])]))
    ahead = flowering_ahead(model, told)["cherry"]["date"]
    a_week_ago = np.datetime64("2022-04-07")
    assert (ahead.sel(region="north") >= a_week_ago - np.timedelta64(12, "h")).all()
    held = flowering_arrays(model, told)
    south = flowering_windows(held.assign_attrs(origin="2022-04-14"), "south")[0]
    assert south.likely_over
    assert south.days[1] < day
    assert flowering_sentence(south).startswith("Cherry has likely flowered, unreported, ")
    longer = dates[(dates["region"] != "north") | (dates["date"] < pd.Timestamp("2021-01-01"))]
    gone = replace(then, flowering=pd.concat([longer, pd.DataFrame([row])]))
    silent = flowering_ahead(model, gone)["cherry"]["date"].sel(region="north")
    assert (silent < a_week_ago).any()


def test_a_region_with_few_years_of_weather_does_not_silence_the_others(model, then):
    """Of the north the weather is known for five years: no dates of it, those of the south stay.

    The page of the north says that cherry is not forecast there, and that it takes ten years.
    """
    known = then.observed
    young = (known["region"] == "north") & (known["time"] < np.datetime64("2016-09-01"))
    few = replace(then, observed=known.where(~young))
    held = flowering_arrays(model, few).assign_attrs(origin=f"{IN_MARCH}")
    (silent,) = flowering_windows(held, "north")
    assert (silent.plant, silent.days, silent.seen) == ("cherry", None, None)
    assert "not forecast here: that takes 10 earlier years" in flowering_sentence(silent)
    assert [window.days is None for window in flowering_windows(held, "south")] == [False]


def test_out_of_season_there_is_none(issue, known, model):
    """At the end of June cherry is over: nothing is said, and the issue holds no date."""
    _, made = issue
    assert made.forecast["flowering_days"].isnull().all()
    assert flowering_windows(made.forecast, "north") == []
    bare = replace(model, onsets={})
    assert flowering_arrays(bare, known).sizes == {}


def test_an_older_issue_tells_of_none(make_issued):
    """It opens, without plants."""
    assert flowering_windows(make_issued(np.zeros((20, 26))), "north") == []


def test_the_sentence_says_the_span_and_what_it_rests_on():
    """8 in 10, then even odds; without own dates that it is wider for it."""
    days = tuple(date(2023, 4, d) for d in (2, 5, 9))
    half = (date(2023, 4, 4), date(2023, 4, 7))
    window = FloweringWindow("north", "cherry", days, half, 0.0, 18, None)
    assert flowering_sentence(window) == (
        "Cherry likely flowers 2-9 Apr, as likely as not 4-7 Apr (learnt from 18 dates of this "
        "region)."
    )
    borrowed = flowering_sentence(replace(window, own_dates=0, never=0.1))
    assert borrowed.endswith(
        "; 1 in 10 that it does not come (no date of this region is known: learnt from others, so "
        "the spread is wider)."
    )


def test_an_allergens_season_says_by_what_it_was_moved(make_issued):
    """Birch's indicator is cherry: with dates of it here, without, and not held at all."""
    days = {k: np.full(20, float(np.datetime64(f"2023-04-{d}").astype(int)))
            for k, d in (("start", "01"), ("peak", "10"), ("end", "20"))}  # fmt: skip
    issued = make_issued(np.zeros((20, 26)), seasons=days)
    (window,) = exposure_seasons(issued)
    assert window.start_half == (date(2023, 4, 1), date(2023, 4, 1))
    said = "Birch pollen likely starts 1 Apr (in half of the futures 1 Apr), peaks about 10 Apr"
    assert allergen_sentence(issued, window) == f"{said} and ends 20 Apr (modelled)."
    for plant, number, rests in (
        ("cherry", 12, "moved by 12 dates of cherry of this region"),
        ("cherry", 0, "no date of cherry of this region is known: moved by others'"),
        ("forsythia", 5, "no dates of cherry are held: the catalogue's dates, unmoved"),
    ):
        told = issued.assign_coords(plant=[plant]).assign(
            flowering_dates=(("plant", "region"), np.array([[number]]))
        )
        assert allergen_sentence(told, window).endswith(f"(modelled; {rests}).")


def test_levels_are_those_of_every_other_quantile(held):
    """One coordinate serves them all."""
    assert held["quantile"].values.tolist() == list(QUANTILE_LEVELS)
