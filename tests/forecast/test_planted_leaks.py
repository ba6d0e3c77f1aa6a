"""Leaks planted in cut and training: the poison test, which holds without them, catches each one.

A slip of the cut alone, where what follows has a second look at the origin, is stopped there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from forecast import training
from forecast.cut import Known
from forecast.training import Normals, futures, train
from models.outlook import ExposureModel

pytestmark = [pytest.mark.long, pytest.mark.usefixtures("all_members")]

ORIGIN = date(2022, 3, 16)
Leak = Callable[[pytest.MonkeyPatch, Known], None]
Slip = Callable[[Known, Known], Known]


# -------------------------------------------------------------------- planted where they do harm
def in_scaling(patch: pytest.MonkeyPatch, everything: Known) -> None:
    """Bring past counts to the level of all years, those to come included."""
    level = everything.counts["flare_visits"].mean("week") / 7.0
    real = Known.before

    def before(known: Known, origin: date) -> Known:
        then = real(known, origin)
        scaled = (then.counts["flare_visits"] * level).round()
        return replace(then, counts=then.counts.assign(flare_visits=scaled))

    patch.setattr(Known, "before", before)


def in_normals(patch: pytest.MonkeyPatch, everything: Known) -> None:
    """Take what is usual from all years."""
    warmth = float(everything.observed["tas"].mean())
    real = Normals.of
    patch.setattr(
        Normals, "of", lambda history: replace(found := real(history), mean=found.mean + warmth)
    )


def in_the_size_of_a_season(patch: pytest.MonkeyPatch, everything: Known) -> None:
    """Scale exposure by the seasons of all years."""
    warmth = float(everything.observed["tas"].mean()) / 15.0
    real = ExposureModel.fit

    def fit(*given, **named):
        model, past = real(*given, **named)
        return replace(model, season_total=model.season_total * warmth), past

    patch.setattr(ExposureModel, "fit", fit)


def in_the_days_of_flowering(patch: pytest.MonkeyPatch, everything: Known) -> None:
    """Fit onset to the dates of all years."""
    real = training.fit_onsets
    patch.setattr(training, "fit_onsets", lambda _, regions: real(everything, regions))


# -------------------------------------------------------------------- slips that are stopped later
def of_the_running_week(everything: Known, then: Known) -> Known:
    """Let in the counts of one week more than had ended."""
    return replace(then, counts=everything.before(ORIGIN + timedelta(days=7)).counts)


def of_volume(everything: Known, then: Known) -> Known:
    """Let in the consultations of the coming half year, as if the diary were known."""
    later = everything.counts["week"] <= np.datetime64(ORIGIN) + np.timedelta64(180, "D")
    counts = everything.counts.sel(week=everything.counts["week"][later]).copy(deep=True)
    seen = counts["week"].isin(then.counts["week"])
    counts["flare_visits"] = counts["flare_visits"].where(seen)
    return replace(then, counts=counts)


def of_the_days_ahead(everything: Known, then: Known) -> Known:
    """Let in three days of weather that had not come, a source's lag forgotten."""
    return replace(then, observed=everything.before(ORIGIN + timedelta(days=3)).observed)


def of_the_spring_ahead(everything: Known, then: Known) -> Known:
    """Let in dates of flowering that were not reported yet."""
    return replace(then, flowering=everything.flowering)


def is_the_same(known, places, cut, *, leak: Leak | None = None, slip: Slip | None = None) -> bool:
    """Say whether poison of all that follows the origin leaves model and futures as they were."""
    found = []
    for everything in (known, poisoned(known)):
        with pytest.MonkeyPatch.context() as patch:
            if leak is not None:
                leak(patch, everything)
            then = everything.before(ORIGIN)
            if slip is not None:
                then = slip(everything, then)
            model = train(then, places, cut=replace(cut, origin=ORIGIN))
            drawn = futures(model, then, n_weeks=26, n_draws=10, seed=[1, 2])
        found.append((model.hash, drawn.visits.visits, drawn.exposure.weekly))
    (one, visits, exposure), (two, other_visits, other_exposure) = found
    return one == two and visits.identical(other_visits) and exposure.identical(other_exposure)


def test_without_a_leak_nothing_is_caught(known, places, cut):
    """Warmer by 8 degC, flowering 20 days late and thrice the visits, later: no difference."""
    assert is_the_same(known, places, cut)


@pytest.mark.parametrize(
    "leak", [in_scaling, in_normals, in_the_size_of_a_season, in_the_days_of_flowering]
)
def test_a_planted_leak_is_caught(known, places, cut, leak):
    """The same poison changes the model or its futures."""
    assert not is_the_same(known, places, cut, leak=leak)


@pytest.mark.parametrize(
    "slip", [of_the_running_week, of_volume, of_the_days_ahead, of_the_spring_ahead]
)
def test_a_slip_of_the_cut_is_stopped_by_what_follows(known, places, cut, slip):
    """Counts without their weather, weather from the origin on, and dates without it are unused."""
    assert is_the_same(known, places, cut, slip=slip)


def poisoned(known: Known) -> Known:
    """Return the same up to the origin, and other numbers, within what a fit takes, from it on."""
    day = np.datetime64(ORIGIN)
    weather = known.observed.copy(deep=True)
    for name in ("tas", "tasmin", "tasmax"):
        weather[name] = weather[name] + 8.0 * (weather["time"] >= day)
    flowering = known.flowering.copy()
    late = flowering["date"] >= pd.Timestamp(ORIGIN)
    assert late.any()
    flowering.loc[late, "date"] += pd.Timedelta(days=20)
    counts = known.counts.copy(deep=True)
    ended = counts["week"] + np.timedelta64(7, "D") <= day
    for name in ("flare_visits", "consultations"):
        counts[name] = counts[name].where(ended, 3.0 * counts[name])
    return Known(known.origin, weather, flowering, counts)
