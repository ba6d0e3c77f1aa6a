"""From an issue to its figures: the right values, the answer as a title, and what is invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from forecast.figures import (
    exposure_frame,
    fan_frame,
    figures,
    groups,
    past_years_frames,
    season_frame,
)
from forecast.wording import region_sentence


def test_each_region_has_its_fan_its_years_and_its_exposure(issue):
    """Named by figure and region; each with a description for those who do not see it."""
    practice, made = issue
    drawn = {figure.name: figure.draw() for figure in figures(practice, made)}
    of_a_region = ["visits", "years", "exposure", "why"]
    of_regions = [f"{kind}-{region}" for region in ("north", "south") for kind in of_a_region]
    assert list(drawn) == ["season-1", *of_regions]
    answer = region_sentence(made.forecast, "north", "Northton")
    assert answer in drawn["visits-north"].description
    for chart in drawn.values():
        assert "Invented practice" in chart.description
        assert f"Issued as of 2022-06-29, issue {made.id}" in chart.description


def test_a_hindcast_is_called_one_in_every_figure(issue):
    """It is never mixed with what was issued."""
    practice, made = issue
    past = replace(made, cut=replace(made.cut, kind="hindcast"))
    for figure in figures(practice, past):
        description = figure.draw().description
        assert "Hindcast as of" in description
        assert "Issued" not in description


def test_without_visits_only_exposure_is_drawn(issue):
    """No fan is drawn of what nobody counted."""
    practice, made = issue
    kept = [n for n in made.forecast.data_vars if str(n).startswith(("exposure", "season_"))]
    bare = replace(
        made,
        forecast=made.forecast[[*kept, "listed"]].drop_vars("season_threshold", errors="ignore"),
    )
    assert not bare.has_visits
    names = [figure.name for figure in figures(practice, bare)]
    assert names == ["exposure-north", "exposure-south"]


def test_the_fan_shows_a_quarter_as_seen_and_the_year_ahead(make_issued):
    """13 weeks behind, all ahead, every Monday once and in order."""
    frame = fan_frame(make_issued(np.full((20, 30), 40)), "north")
    assert len(frame) == 13 + 30
    assert (frame["week"].diff().dropna() == pd.Timedelta(days=7)).all()
    seen, ahead = frame.iloc[:13], frame.iloc[13:]
    assert seen["observed"].tolist() == list(range(47, 60))  # 0 to 59 were laid down, oldest first
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
    assert np.isnan(frame["observed"].iloc[10])
    assert not frame["high"].iloc[10]


def test_a_region_that_is_not_known_has_no_high_week_in_its_fan(make_issued):
    """No threshold, no mark."""
    frame = fan_frame(make_issued(np.full((20, 30), 400), threshold=np.nan), "north")
    assert frame["threshold"].isna().all()
    assert not frame["high"].any()


def test_exposure_joins_what_was_and_the_mean_of_the_draws(make_issued):
    """Thirteen weeks behind at 0.01, then draws of 0.02 and 0.04 in equal parts: 0.03."""
    issued = make_issued(np.zeros((20, 30)))
    issued["exposure_ahead"][..., 10:] = 0.04
    frame = exposure_frame(issued, "north")
    assert frame["allergen"].unique().tolist() == ["Birch pollen"]
    assert frame["exposure"].tolist() == pytest.approx([0.01] * 13 + [0.03] * 30)
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
    names = [figure.name for figure in figures(practice, replace(made, forecast=forecast))]
    of_north = [f"{kind}-north" for kind in ("visits", "years", "exposure", "why")]
    assert names == ["season-1", *of_north, "exposure-south"]


def test_a_late_source_stands_on_the_figures_of_its_region(issue):
    """In the note that each figure carries, of the south alone."""
    practice, made = issue
    of_south = ("visits-south", "years-south", "exposure-south", "why-south")
    late = '[{"source": "visits", "region": "south", "until": "2022-05-29"}]'
    forecast = made.forecast.assign_attrs(stale_sources=late)
    for figure in figures(practice, replace(made, forecast=forecast)):
        told = "are on record up to the week of 23 May 2022 only" in figure.draw().description
        assert told == (figure.name in {"season-1", *of_south})


def test_weeks_whose_exposure_is_not_known_are_empty_in_the_figure(make_issued):
    """Neither zero nor left out: seven weeks known, one not, and all draws of a week not known."""
    issued = make_issued(np.zeros((20, 30)))
    issued["exposure_past"][0, 0, -3] = np.nan
    issued["exposure_ahead"][0, 0, 4] = np.nan
    issued["exposure_ahead"][0, 0, 5, :10] = np.nan  # the mean of the draws that know it
    frame = exposure_frame(issued, "north")
    assert np.flatnonzero(frame["exposure"].isna()).tolist() == [10, 13 + 4]
    assert frame["exposure"].iloc[13 + 5] == pytest.approx(0.02)


def test_past_years_lie_on_the_weeks_of_the_figure(make_issued):
    """60 weeks were counted 0 to 59; 52 weeks before the first week ahead there were 8 visits.

    Weeks ahead 0 to 7 of the year before are counts 8 to 15 and so on; of two years before only
    nothing is told. The mean of the five weeks around a count in a row is that count itself.
    """
    past, ahead = past_years_frames(make_issued(np.full((20, 30), 40)), "north")
    assert past["year"].unique().tolist() == ["one year before"]
    first = ahead.loc[ahead["median"].notna(), "week"].iloc[0]
    of_first = past.loc[past["week"] == first].iloc[0]
    assert of_first["visits"] == 8
    assert of_first["smooth"] == 8
    assert (
        ahead["week"].tolist()
        == fan_frame(make_issued(np.full((20, 30), 40)), "north")["week"].tolist()
    )


def test_a_past_week_is_high_by_the_thresholds_own_rule(make_issued):
    """Counts 47 to 59 of 1,000 consultations without cover; above 50 lie 51 to 59, that is nine."""
    issued = make_issued(np.full((20, 30), 40), threshold=50.0)
    issued["covered_share_past"][:] = 0.0
    issued["consultations_past"][:] = 1000.0
    frame = season_frame(issued, {"north": "Northton"})
    past = frame[frame["odds"].isna()]
    assert len(past) == 13
    assert int(past["was_high"].sum()) == 9
    assert frame["was_high"].iloc[13:].isna().all()


def test_a_past_week_that_is_not_known_is_neither_high_nor_low(make_issued):
    """A count that nobody reported says nothing of the week."""
    issued = make_issued(np.full((20, 30), 40))
    issued["flare_visits_past"][0, -1] = np.nan
    frame = season_frame(issued, {"north": "Northton"})
    assert frame["was_high"].iloc[12] is pd.NA


def test_many_regions_come_in_groups_of_twenty():
    """Of 500 regions a figure shows twenty; none is lost."""
    names = [f"region-{number}" for number in range(500)]
    assert [len(group) for group in groups(names)] == [20] * 25
    assert [name for group in groups(names) for name in group] == names
    assert groups([]) == []
