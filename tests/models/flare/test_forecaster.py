from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.flare.forecaster import TooFewVisitsError, VisitForecaster
from models.flare.season_regression import SeasonRegression
from models.streams import DrawStreams
from models.weeks import phase

REGIONS = ["north", "south"]


def make_counts(*, years: int = 6, effect: float = 0.25, covered: float = 0.0, seed: int = 0):
    """Invent counts with a known season and a known effect of one driver."""
    rng = np.random.default_rng(seed)
    weeks = pd.date_range("2014-01-06", periods=52 * years + 52, freq="7D")
    driver = rng.normal(size=(1, 2, len(weeks)))
    anomalies = xr.DataArray(
        driver,
        dims=("driver", "region", "week"),
        coords={"driver": ["humidity"], "region": REGIONS, "week": weeks},
    )
    season = np.cos(2 * np.pi * (phase(weeks) - 0.6))
    level = np.array([[-3.0], [-2.6]])
    volume = rng.poisson(200, (2, len(weeks))).astype(float)
    mean = volume * np.exp(level + 0.6 * season + effect * driver[0]) * (1 - 0.6 * covered)
    visits = rng.poisson(mean * rng.gamma(10, 0.1, mean.shape)).astype(float)
    dims, coords = ("region", "week"), {"region": REGIONS, "week": weeks}
    weekly = xr.Dataset(
        {
            "flare_visits": (dims, visits),
            "consultations": (dims, volume),
            "covered_share": (dims, np.full_like(volume, covered)),
        },
        coords=coords,
    )
    return weekly.isel(week=slice(0, 52 * years)), anomalies, weekly


def _streams(seed, draws: int = 300):
    return DrawStreams([seed], draws, REGIONS)


def _ahead(anomalies, n_weeks: int = 52, draws: int = 300):
    ahead = anomalies.isel(week=slice(-n_weeks, None))
    return ahead.expand_dims(draw=draws)


@pytest.mark.long
def test_the_effect_of_a_driver_is_recovered():
    """The truth lies in the 90 % interval or close to it, and is told from nothing."""
    past, anomalies, _ = make_counts(effect=0.25)
    effects = VisitForecaster(("humidity",)).fit(past, anomalies).regression_.effects()
    found = effects.set_index("term").loc["humidity"]
    assert found["low"] - 0.05 < 0.25 < found["high"] + 0.05
    assert found["low"] > 0


def test_no_effect_is_not_invented():
    """With no true effect, the interval holds zero for at least 16 of 20 seeds (nominal: 18)."""
    held = 0
    for seed in range(20):
        past, anomalies, _ = make_counts(effect=0.0, years=3, seed=seed)
        found = SeasonRegression(("humidity",)).fit(
            past["flare_visits"],
            past["consultations"].copy(data=np.log(past["consultations"])),
            anomalies,
        )
        row = found.effects().set_index("term").loc["humidity"]
        held += row["low"] <= 0 <= row["high"]
    assert held >= 16


@pytest.mark.long
def test_draws_are_calibrated_on_the_season_to_come():
    """About half of the coming weeks lie between the quartiles, nine tenths inside 90 %."""
    inside = {0.5: [], 0.9: []}
    for seed in range(4):
        past, anomalies, everything = make_counts(seed=seed)
        draws = (
            VisitForecaster(("humidity",))
            .fit(past, anomalies)
            .draw(_ahead(anomalies), streams=_streams(seed))
        )
        came = everything["flare_visits"].isel(week=slice(-52, None)).values
        values = draws.members["regression"].values
        rank = (values < came).mean(0) + 0.5 * (values == came).mean(0)
        for level in inside:
            inside[level].append(np.abs(rank - 0.5) < level / 2)
    assert np.mean(inside[0.5]) == pytest.approx(0.5, abs=0.1)
    assert np.mean(inside[0.9]) == pytest.approx(0.9, abs=0.06)


@pytest.mark.long
def test_pressure_exceeds_visits_by_what_cover_prevents():
    """Half of the dogs covered in the past year: visits are pressure less 0.6 x 0.5 of it."""
    past, anomalies, _ = make_counts(covered=0.5)
    draws = (
        VisitForecaster(("humidity",))
        .fit(past, anomalies)
        .draw(_ahead(anomalies), streams=_streams(0))
    )
    assert (draws.visits <= draws.pressure).all()
    ratio = float(draws.visits.mean() / draws.pressure.mean())
    assert ratio == pytest.approx(1 - 0.6 * 0.5, abs=0.03)


def test_cover_not_known_leaves_pressure_and_visits_equal():
    """Without a known share there is nothing to correct."""
    past, anomalies, _ = make_counts()
    past["covered_share"] = past["covered_share"] * np.nan
    draws = VisitForecaster(()).fit(past, anomalies).draw(_ahead(anomalies), streams=_streams(0))
    assert draws.pressure.equals(draws.visits)


def test_weeks_that_were_not_reported_do_not_count_as_quiet():
    """Taking half of the weeks away leaves the level where it was."""
    past, anomalies, _ = make_counts()
    gappy = past.copy(deep=True)
    gappy["flare_visits"][:, ::2] = np.nan
    whole = VisitForecaster(()).fit(past, anomalies)
    half = VisitForecaster(()).fit(gappy, anomalies)
    draws = [
        float(f.draw(_ahead(anomalies), streams=_streams(3)).visits.mean()) for f in (whole, half)
    ]
    assert draws[1] == pytest.approx(draws[0], rel=0.06)


@pytest.mark.long
def test_weeks_after_an_alert_do_not_train_the_pressure():
    """Thrice the visits in flagged weeks leave pressure and thresholds where they were."""
    past, anomalies, _ = make_counts()
    alerted = xr.zeros_like(past["flare_visits"], dtype=bool)
    alerted[:, 20::26] = True
    usual = past.assign(alerted=alerted)
    moved = past.assign(alerted=alerted, flare_visits=past["flare_visits"] * (1 + 2 * alerted))
    one, two = (VisitForecaster(()).fit(weekly, anomalies) for weekly in (usual, moved))
    assert one.thresholds().equals(two.thresholds())
    drawn = [f.draw(_ahead(anomalies), streams=_streams(3)).pressure for f in (one, two)]
    assert drawn[0].equals(drawn[1])


@pytest.mark.long
def test_weeks_of_a_full_diary_are_at_least_what_was_counted():
    """The busiest third cut off: flagged as full, the forecast lies nearer to the truth."""
    past, anomalies, everything = make_counts()
    limit = past["flare_visits"].quantile(0.67, dim="week").drop_vars("quantile").round()
    full = past["flare_visits"] >= limit
    cut = past.assign(flare_visits=past["flare_visits"].where(~full, limit))
    no = xr.zeros_like(full)
    means = [
        float(
            VisitForecaster(("humidity",))
            .fit(cut.assign(full_share=flag.astype(float)), anomalies)
            .draw(_ahead(anomalies), streams=_streams(0))
            .members["regression"]
            .mean()
        )
        for flag in (full, no)
    ]
    truth = float(everything["flare_visits"].isel(week=slice(-52, None)).mean())
    assert abs(means[0] - truth) < 0.5 * abs(means[1] - truth)


def test_a_region_without_visits_is_drawn_from_the_others():
    """A branch that opens has the pooled rate, not nothing, and no climatology of its own."""
    past, anomalies, _ = make_counts()
    past["flare_visits"].loc[{"region": "south"}] = np.nan
    past["consultations"].loc[{"region": "south"}] = np.nan
    draws = VisitForecaster(()).fit(past, anomalies).draw(_ahead(anomalies), streams=_streams(0))
    assert float(draws.pressure.sel(region="south").mean()) > 1
    assert draws.members["climatology"].sel(region="south").isnull().all()


def test_too_short_a_past_is_refused_in_a_sentence():
    """Under two years there is no year to compare."""
    past, anomalies, _ = make_counts(years=1)
    with pytest.raises(TooFewVisitsError, match="needs 2 years of counts"):
        VisitForecaster(()).fit(past, anomalies)


def test_a_stored_forecaster_draws_the_same():
    """What is written is all that a draw needs."""
    past, anomalies, _ = make_counts()
    fitted = VisitForecaster(("humidity",)).fit(past, anomalies)
    again = VisitForecaster.from_dict(fitted.to_dict(), fitted.past_)
    one, two = (f.draw(_ahead(anomalies), streams=_streams(5)) for f in (fitted, again))
    assert one.pressure.equals(two.pressure)
    assert one.visits.equals(two.visits)


def test_thresholds_are_the_centile_of_the_training_weeks():
    """One week in five of the past lies above the region's threshold."""
    past, anomalies, _ = make_counts()
    fitted = VisitForecaster(()).fit(past, anomalies)
    rate = 1000 * fitted.past_["pressure_rate"]
    share = (rate > fitted.thresholds()).mean("week")
    assert share.values == pytest.approx(0.2, abs=0.01)
    odds = fitted.climatology_odds(anomalies["week"].values[-52:])
    assert float(odds.mean()) == pytest.approx(0.2, abs=0.02)


# ------------------------------------------------------------------------------ newer counts
def test_told_of_the_counts_it_was_fitted_to_it_draws_the_same():
    """To the last bit, in every quantity and member."""
    past, anomalies, _ = make_counts(covered=0.3)
    fitted = VisitForecaster(("humidity",)).fit(past, anomalies)
    told = fitted.updated(past, anomalies)
    one, two = (f.draw(_ahead(anomalies), streams=_streams(3)) for f in (fitted, told))
    for name in ("pressure", "visits", "consultations"):
        assert getattr(one, name).identical(getattr(two, name))
    for name, member in one.members.items():
        assert member.identical(two.members[name])


def test_newer_counts_correct_the_level_and_leave_what_was_learnt():
    """Eight weeks of three times the flares raise the next weeks, not coefficients, not limits.

    In a practice in which bad weeks, and good ones, last: else they would say nothing of the next.
    """
    past, anomalies, everything = make_counts(years=5)
    rng, shock = np.random.default_rng(4), np.zeros(everything.sizes["week"])
    for week in range(1, len(shock)):
        shock[week] = 0.9 * shock[week - 1] + 0.15 * rng.standard_normal()
    everything["flare_visits"].values[:] = rng.poisson(everything["flare_visits"] * np.exp(shock))
    past = everything.sel(week=past["week"])
    fitted = VisitForecaster(("humidity",)).fit(past, anomalies)
    newer = everything.isel(week=slice(0, past.sizes["week"] + 8)).copy(deep=True)
    newer["flare_visits"][:, -8:] = 3 * newer["flare_visits"][:, -8:]
    told = fitted.updated(newer, anomalies)
    assert np.array_equal(told.regression_.coefficients_, fitted.regression_.coefficients_)
    assert told.thresholds().identical(fitted.thresholds())
    assert told.season_thresholds().identical(fitted.season_thresholds())
    assert np.array_equal(told.past_["week"], newer["week"])
    ahead = anomalies.sel(week=slice(newer["week"].values[-1] + np.timedelta64(7, "D"), None))
    ahead = ahead.isel(week=slice(0, 4)).expand_dims(draw=300)
    usual, raised = (
        float(f.draw(ahead, streams=_streams(3)).visits.mean()) for f in (fitted, told)
    )
    assert raised > 1.1 * usual
    # the fit itself is not changed by being told
    again = fitted.draw(ahead, streams=_streams(3)).visits
    assert float(again.mean()) == usual


def test_the_cover_of_the_newest_year_is_the_cover_ahead():
    """A practice that has begun to cover dogs since: fewer visits of the same pressure."""
    past, anomalies, everything = make_counts(covered=0.0, years=5)
    fitted = VisitForecaster().fit(past, anomalies)
    newer = everything.copy(deep=True)
    newer["covered_share"][:, past.sizes["week"] :] = 0.5
    told = fitted.updated(newer, anomalies)
    drawn = told.draw(_ahead(anomalies), streams=_streams(3))
    assert float(drawn.visits.mean()) < 0.9 * float(drawn.pressure.mean())
