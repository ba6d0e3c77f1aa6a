"""A trained model is data: the same data, the same model; written and read, the same futures."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from forecast.array_files import ArrayFileError
from forecast.cut import Known
from forecast.flowering import flowering_ahead
from forecast.training import (
    futures,
    read_model,
    train,
    what_drives,
    write_model,
)
from models.weeks import week_range


def draws_of(model, known, seed=(1, 2), n_draws=30):
    return futures(model, known, n_weeks=26, n_draws=n_draws, seed=list(seed))


def test_the_same_data_train_the_same_model(known, places, cut, model):
    """Equal to the last bit, by its hash."""
    copied = Known(
        known.origin,
        known.observed.copy(deep=True),
        known.flowering.copy(),
        known.counts.copy(deep=True),
    )
    assert train(copied, places, cut=cut).hash == model.hash


def test_other_data_train_another_model(known, places, cut, model):
    """One flare more in one week is another model, and so is another cut of the same data."""
    counts = known.counts.copy(deep=True)
    counts["flare_visits"][0, 10] += 1
    other = train(replace(known, counts=counts), places, cut=cut)
    repinned = train(known, places, cut=replace(cut, visit_vintage="vintage-2"))
    assert len({model.hash, other.hash, repinned.hash}) == 3


def test_a_model_read_back_draws_the_same_futures(known, model, tmp_path):
    """All that a draw needs is in the file."""
    read = read_model(write_model(model, tmp_path))
    assert read.hash == model.hash
    assert read.cut == model.cut
    one, two = draws_of(model, known), draws_of(read, known)
    for name in ("weekly", "start", "peak", "end"):
        assert getattr(one.exposure, name).equals(getattr(two.exposure, name))
    for name in ("visits", "pressure", "consultations"):
        assert getattr(one.visits, name).equals(getattr(two.visits, name))


def test_a_model_read_back_forecasts_the_same_flowering(known, model, tmp_path):
    """The fitted plants are in the file; on 1 March cherry is ahead, at 28 June none is."""
    read = read_model(write_model(model, tmp_path))
    assert list(read.onsets) == ["cherry"]
    in_march = replace(known, origin=date(2022, 3, 1))
    one, two = (flowering_ahead(m, in_march)["cherry"] for m in (model, read))
    assert one.equals(two)
    assert (one["date"] >= np.datetime64("2022-02-28T12")).all()
    assert (one["date"].isel(level=[10, 50, 90]).diff("level") > np.timedelta64(0, "h")).all()
    assert flowering_ahead(model, known) == {}


def test_a_model_without_visits_is_kept_too(known, places, cut, tmp_path):
    """It says why there are none, and still draws exposure."""
    bare = train(replace(known, counts=None), places, cut=cut)
    read = read_model(write_model(bare, tmp_path))
    assert read.visits is None
    assert read.why_no_visits == "no visits are held"
    drawn = draws_of(read, known)
    assert drawn.visits is None
    assert drawn.exposure.start.notnull().any()


def test_one_year_of_visits_is_too_few_and_the_reason_is_kept(known, places, cut):
    """Exposure is trained all the same."""
    counts = known.counts.isel(week=slice(0, 52))
    short = train(replace(known, counts=counts), places, cut=cut)
    assert short.visits is None
    assert "needs 2 years of counts; the practice has 52 weeks" in short.why_no_visits


def test_a_model_under_another_name_is_refused(model, tmp_path):
    """A file must hold the model that its name says."""
    path = write_model(model, tmp_path)
    other = path.rename(tmp_path / "0123456789abcdef.nc")
    with pytest.raises(ArrayFileError, match="does not hold the model its name says"):
        read_model(other)


def test_a_damaged_model_is_refused_and_written_anew(model, tmp_path):
    """Learning the same again mends the file."""
    path = write_model(model, tmp_path)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ArrayFileError, match="cut short or changed"):
        read_model(path)
    assert write_model(model, tmp_path) == path
    assert read_model(path).hash == model.hash


def test_a_model_of_another_version_is_refused_in_words(model, tmp_path, monkeypatch):
    """What was learnt with other members can't be drawn with: it is learnt anew."""
    monkeypatch.setattr("forecast.training.FORMAT", 2)
    path = write_model(model, tmp_path)
    monkeypatch.undo()
    with pytest.raises(ArrayFileError, match=r"another version of forepaw .* learns anew"):
        read_model(path)


def test_the_same_seed_draws_the_same_and_another_does_not(known, model):
    """Nothing but the seed decides."""
    one, two, other = (draws_of(model, known, seed=s) for s in ((1, 2), (1, 2), (1, 3)))
    assert one.visits.pressure.equals(two.visits.pressure)
    assert not one.visits.pressure.equals(other.visits.pressure)
    assert not one.exposure.weekly.equals(other.exposure.weekly)


def test_futures_begin_with_the_week_that_holds_the_origin(known, model):
    """The origin is a Wednesday: the first week ahead is that of its Monday."""
    weeks = draws_of(model, known).visits.pressure["week"].values
    assert list(weeks) == list(week_range(known.origin, 26).values)
    assert weeks[0] == np.datetime64("2022-06-27")


def test_every_listed_allergen_has_a_next_season_whatever_the_origin(known, model):
    """At the end of June birch is over: its next season is the one of the year after."""
    ahead = draws_of(model, known).exposure
    start = ahead.start.sel(allergen="birch", region="north")
    assert start.notnull().all()
    days = pd.to_datetime(start.values, unit="D")
    assert set(days.year) == {2023}
    assert ahead.end.sel(allergen="grasses").min() >= known.origin.toordinal() - 719163


def test_past_years_stand_in_for_days_that_are_not_held_yet(known, places, cut):
    """Weather that ends nine days early still gives whole futures, of the same weeks."""
    ends = known.observed.sel(time=slice(None, "2022-06-19"))
    late = replace(known, observed=ends)
    assert late.weather_until == date(2022, 6, 19)
    model = train(late, places, cut=cut)
    drawn = draws_of(model, late)
    assert np.isfinite(drawn.visits.pressure).all()
    assert drawn.visits.pressure["week"].values[0] == np.datetime64("2022-06-27")
    # weeks whose weather is not whole are not learnt from: the last is that of 13 June
    assert model.visits.past_["week"].values[-1] == np.datetime64("2022-06-13")


def test_a_long_gap_shortly_before_the_origin_leaves_no_hole_in_the_futures(known, places, cut):
    """Ten days without humidity in June: the weeks that look back on them are drawn too."""
    gappy = known.observed.copy(deep=True)
    gappy["hurs"].loc[{"region": "north", "time": slice("2022-06-10", "2022-06-19")}] = np.nan
    with_gap = replace(known, observed=gappy)
    drawn = draws_of(train(with_gap, places, cut=cut), with_gap)
    assert np.isfinite(drawn.visits.pressure).all()
    assert float(drawn.visits.pressure.mean()) > 0


def test_a_model_keeps_a_review_that_stands_and_its_file_holds_it(
    known, places, cut, model, tmp_path
):
    """Exposure kept by an earlier model of the year enters; that model's review is handed on."""
    weather = ("temperature", "humidity")
    assert model.review.exposure.verdict == "not yet known"
    assert model.visits.drivers == weather
    exposure = replace(model.review.exposure, verdict="kept")
    spread = model.review.recalibration._replace(pressure=1.5)
    earlier = replace(
        model.review, decided_at=date(2022, 2, 1), exposure=exposure, recalibration=spread
    )
    later = train(known, places, cut=cut, standing=earlier)
    assert later.review is earlier
    assert later.visits.drivers == (*weather, "trees", "grasses")
    read = read_model(write_model(later, tmp_path))
    assert read.review.to_dict() == earlier.to_dict()
    assert read.visits.recalibration.pressure == 1.5
    assert draws_of(read, known).visits.pressure.equals(draws_of(later, known).visits.pressure)
    # one of an earlier year is made anew
    last_year = replace(earlier, reviewed=date(2021, 1, 1), decided_at=date(2021, 2, 1))
    assert train(known, places, cut=cut, standing=last_year).hash == model.hash


def test_what_drives_is_said_of_humidity_and_exposure_or_not_at_all(known, places, cut, model):
    """With visits two families are judged; without, none."""
    assert [e.family for e in what_drives(model, known)] == ["humidity", "exposure"]
    bare = replace(known, counts=None)
    assert what_drives(train(bare, places, cut=cut), bare) == []
