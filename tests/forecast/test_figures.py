"""From an issue to its figures: the right values, the answer as a title, and what is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from forecast.figures import exposure_frame, fan_frame, figures
from forecast.wording import region_sentence


def test_each_region_has_its_fan_and_its_exposure(issue):
    """Named by figure and region; each with a description for those who do not see it."""
    practice, made = issue
    drawn = dict(figures(practice, made))
    assert list(drawn) == ["visits-north", "exposure-north", "visits-south", "exposure-south"]
    answer = region_sentence(made.forecast, "north", "Northton")
    assert answer in drawn["visits-north"].description
    for chart in drawn.values():
        assert "Invented practice" in chart.description
        assert f"Issued as of 2022-06-29, issue {made.id}" in chart.description


def test_a_hindcast_is_called_one_in_every_figure(issue):
    """It is never mixed with what was issued."""
    practice, made = issue
    past = replace(made, cut=replace(made.cut, kind="hindcast"))
    for _, chart in figures(practice, past):
        assert "Hindcast as of" in chart.description
        assert "Issued" not in chart.description


def test_without_visits_only_exposure_is_drawn(issue):
    """No fan is drawn of what nobody counted."""
    practice, made = issue
    kept = [n for n in made.forecast.data_vars if str(n).startswith(("exposure", "season_"))]
    bare = replace(
        made,
        forecast=made.forecast[[*kept, "listed"]].drop_vars("season_threshold", errors="ignore"),
    )
    assert not bare.has_visits
    assert [name for name, _ in figures(practice, bare)] == ["exposure-north", "exposure-south"]


def test_the_fan_shows_last_year_as_seen_and_the_year_ahead(make_issued):
    """52 weeks behind, all ahead, every Monday once and in order."""
    frame = fan_frame(make_issued(np.full((20, 30), 40)), "north")
    assert len(frame) == 52 + 30
    assert (frame["week"].diff().dropna() == pd.Timedelta(days=7)).all()
    seen, ahead = frame.iloc[:52], frame.iloc[52:]
    assert seen["observed"].tolist() == list(range(8, 60))  # 0 to 59 were laid down, oldest first
    assert ahead["observed"].isna().all()
    assert seen["median"].isna().all()
    assert (ahead["median"] == 40).all()


def test_the_bands_and_the_threshold_of_the_fan_are_worked_out_by_hand(make_issued):
    """Draws 0 to 100: quantiles are their own level. 30 per 1,000 of 500 consultations is 15."""
    draws = np.repeat(np.arange(101)[:, None], 4, axis=1)
    issued = make_issued(draws, threshold=30.0, consultations=500.0)
    ahead = fan_frame(issued, "north").iloc[-4:]
    bands = ahead[["lower_90", "lower_50", "median", "upper_50", "upper_90"]].iloc[0]
    assert bands.tolist() == [5, 25, 50, 75, 95]
    assert (ahead["threshold"] == 15).all()
    # 85 of 101 draws lie above 15 visits of 500 consultations
    assert ahead["high"].all()


def test_a_week_that_was_not_reported_is_no_zero_in_the_fan(make_issued):
    """It is empty, and not called high."""
    issued = make_issued(np.full((20, 30), 40))
    issued["flare_visits_past"][0, -3] = np.nan
    frame = fan_frame(issued, "north")
    assert np.isnan(frame["observed"].iloc[49])
    assert not frame["high"].iloc[49]


def test_a_region_that_is_not_known_has_no_high_week_in_its_fan(make_issued):
    """No threshold, no mark."""
    frame = fan_frame(make_issued(np.full((20, 30), 400), threshold=np.nan), "north")
    assert frame["threshold"].isna().all()
    assert not frame["high"].any()


def test_exposure_joins_what_was_and_the_mean_of_the_draws(make_issued):
    """Eight weeks behind at 0.01, then draws of 0.02 and 0.04 in equal parts: 0.03."""
    issued = make_issued(np.zeros((20, 30)))
    issued["exposure_ahead"][..., 10:] = 0.04
    frame = exposure_frame(issued, "north")
    assert frame["allergen"].unique().tolist() == ["Birch pollen"]
    assert frame["exposure"].tolist() == pytest.approx([0.01] * 8 + [0.03] * 30)
    assert frame["week"].is_unique
    assert (frame["week"].diff().dropna() == pd.Timedelta(days=7)).all()


def test_only_allergens_that_a_region_lists_are_drawn(issue):
    """South does not list birch."""
    forecast = issue[1].forecast
    drawn = {
        region: set(exposure_frame(forecast, region)["allergen"]) for region in ("north", "south")
    }
    assert drawn == {"north": {"Birch pollen", "Grass pollen"}, "south": {"Grass pollen"}}


def test_a_region_whose_visits_are_not_known_has_no_fan(issue):
    """Its exposure is drawn all the same."""
    practice, made = issue
    forecast = made.forecast.copy(deep=True)
    forecast["threshold"] = forecast["threshold"].where(forecast["region"] == "north")
    names = [name for name, _ in figures(practice, replace(made, forecast=forecast))]
    assert names == ["visits-north", "exposure-north", "exposure-south"]


def test_a_late_source_stands_on_the_figures_of_its_region(issue):
    """In the note that each figure carries, of the south alone."""
    practice, made = issue
    late = '[{"source": "visits", "region": "south", "until": "2022-05-29"}]'
    forecast = made.forecast.assign_attrs(stale_sources=late)
    for name, chart in figures(practice, replace(made, forecast=forecast)):
        told = "are on record up to the week of 23 May 2022 only" in chart.description
        assert told == name.endswith("south")


def test_weeks_whose_exposure_is_not_known_are_empty_in_the_figure(make_issued):
    """Neither zero nor left out: seven weeks known, one not, and all draws of a week not known."""
    issued = make_issued(np.zeros((20, 30)))
    issued["exposure_past"][0, 0, -3] = np.nan
    issued["exposure_ahead"][0, 0, 4] = np.nan
    issued["exposure_ahead"][0, 0, 5, :10] = np.nan  # the mean of the draws that know it
    frame = exposure_frame(issued, "north")
    assert np.flatnonzero(frame["exposure"].isna()).tolist() == [5, 8 + 4]
    assert frame["exposure"].iloc[8 + 5] == pytest.approx(0.02)
