"""An issue: one file that tells everything about itself, the same for the same data and seed."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest
import xarray as xr
from threadpoolctl import threadpool_info, threadpool_limits

import forecast.issuing as issuing
from forecast.array_files import ArrayFileError
from forecast.climate import open_climate
from forecast.issue_files import drop_draws
from forecast.issuing import (
    IssueError,
    draw_forecast,
    keep_issue,
    latest_issue,
    make_issue,
    read_issue,
)
from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.issues import issue_summaries, issues, settings_of
from forecast.records.vintages import add_vintage
from forecast.risk import flare_seasons
from forecast.training import train

NOW = datetime(2022, 6, 28, 23, tzinfo=UTC)


@pytest.fixture(scope="module")
def first(issue, known, model, tmp_path_factory):
    """Make a practice with one issue, its row in the records; return its folder."""
    text = issue[0].settings_text
    small = create_practice(tmp_path_factory.mktemp("first") / "small", text, now=NOW)
    climate, records = open_climate(small), open_records(small)
    vintage = add_vintage(
        records, [], known_on=known.origin, made_at=NOW, case_definition="v", kind="as known then"
    )
    cut = replace(model.cut, climate_snapshot=climate.head(), visit_vintage=vintage.id)
    made = make_issue(small, replace(model, cut=cut), known, issued_at=NOW, run_id="run-1")
    keep_issue(records, climate, made)
    records.close()
    return small.folder


@pytest.fixture
def kept(first, tmp_path):
    """Give a copy of that practice, opened, and its issue."""
    practice = open_practice(shutil.copytree(first, tmp_path / "kept"), now=NOW)
    (file,) = practice.issued_folder.glob("*.nc")
    return practice, open_records(practice), open_climate(practice), read_issue(file)


def names_of(made):
    """Return the names of snapshots that an issue leaves, of its weather and of its model's."""
    return [f"issue-{made.id}", f"model-{made.model_hash[:16]}"]


def test_a_forecast_is_drawn_by_one_thread(known, model, small, monkeypatch):
    """Libraries that would use two threads add up in another order; the bytes would differ."""
    threads, draw = set(), issuing.futures

    def watched(*given, **options):
        threads.update(pool["num_threads"] for pool in threadpool_info())
        return draw(*given, **options)

    monkeypatch.setattr(issuing, "futures", watched)
    with threadpool_limits(2):
        draw_forecast(small, model, known)
    assert threads == {1}


def test_an_issue_is_read_back_as_it_was_made(issue):
    """Arrays, cut, moment, model and settings."""
    practice, made = issue
    again = read_issue(made.file)
    xr.testing.assert_identical(again.forecast, made.forecast)
    assert again == replace(made, forecast=again.forecast)
    assert again.cut.kind == "issued"
    assert again.issued_at == NOW
    assert again.settings_hash == practice.settings_sha256
    assert made.file.name == f"2022-06-29-{made.id}.nc"


def test_the_same_seed_and_data_are_the_same_issue(issue, known, model, small):
    """In another folder, at another hour, by another run: the same id, and equal arrays."""
    _, made = issue
    later = datetime(2022, 6, 29, 9, tzinfo=UTC)
    again = make_issue(small, model, known, issued_at=later, run_id="another")
    assert (again.id, again.hash) == (made.id, made.hash)
    xr.testing.assert_equal(again.forecast, made.forecast)


def test_another_seed_is_another_issue(known, model, small):
    """The seed stands in practice.toml."""
    text = small.settings_text.replace("draws = 20", "draws = 20\nseed = 2")
    small.settings_file.write_text(text, encoding="utf-8")
    reseeded = open_practice(small.folder, now=NOW)
    one, two = (draw_forecast(practice, model, known) for practice in (small, reseeded))
    assert not one["pressure"].equals(two["pressure"])
    assert two.attrs["seed"] == 2


def test_an_issue_changed_or_cut_in_half_is_refused_and_can_be_made_again(kept, known, model):
    """The sentence says restore; issuing the same again mends the file too."""
    practice, records, _, made = kept
    whole = made.file.read_bytes()
    for broken in (whole[: len(whole) // 2], whole[:-200] + b"\0" * 200):
        made.file.write_bytes(broken)
        with pytest.raises(ArrayFileError, match=f"{made.id}.nc was cut short or changed"):
            latest_issue(practice, records)
    again = make_issue(practice, replace(model, cut=made.cut), known, issued_at=NOW)
    assert again.id == made.id
    assert latest_issue(practice, records).id == made.id


def test_an_issue_under_another_name_is_refused(kept):
    """A whole file of another forecast does not pass for this one."""
    practice, records, _, made = kept
    made.file.rename(made.file.with_name("2022-06-29-0123456789ab.nc"))
    with pytest.raises(ArrayFileError, match="there is no such file"):
        latest_issue(practice, records)
    with pytest.raises(ArrayFileError, match="was changed after it was issued"):
        read_issue(made.file.with_name("2022-06-29-0123456789ab.nc"))


def test_the_row_of_an_issue_says_what_its_file_says(kept):
    """One row and a summary a region; keeping it again changes nothing."""
    practice, records, climate, made = kept
    keep_issue(records, climate, made)
    (row,) = issues(records)
    assert (row.id, row.origin, row.kind) == (made.id, date(2022, 6, 29), "issued")
    assert (row.model_hash, row.file_sha256) == (made.model_hash, made.hash)
    assert settings_of(records, made.id) == practice.settings_text
    assert climate.tags() == dict.fromkeys(names_of(made), made.cut.climate_snapshot)
    odds = made.forecast["odds_high"].sel(region="north")
    summary = issue_summaries(records, made.id)["north"]
    assert summary["odds_high"] == pytest.approx(float(odds.max()), abs=0.001)
    assert odds.sel(week=summary["highest_week"]) == odds.max()


def test_an_issue_whose_snapshot_is_gone_is_kept_without_a_name_for_it(kept):
    """As when the records come back from an old back-up: the row is there, the practice opens."""
    _, records, climate, made = kept
    gone = replace(made.cut, climate_snapshot="00000000000000000000")
    keep_issue(records, climate, replace(made, id="another", cut=gone))
    assert {row.id for row in issues(records)} == {made.id, "another"}
    assert climate.tags() == dict.fromkeys(names_of(made), made.cut.climate_snapshot)


def test_the_latest_issue_is_the_one_of_the_latest_origin_by_a_day(kept, known, places):
    """An issue made later from an earlier origin is not the latest; as of a day it can be."""
    practice, records, climate, made = kept
    then = known.before(date(2022, 5, 4))
    cut = replace(made.cut, origin=then.origin, kind="hindcast")
    past = make_issue(practice, train(then, places, cut=cut), then, issued_at=NOW)
    keep_issue(records, climate, past)
    assert past.cut.kind == "hindcast"
    assert latest_issue(practice, records).id == made.id
    assert latest_issue(practice, records, as_of=date(2022, 6, 28)).id == past.id
    assert latest_issue(practice, records, as_of=date(2022, 5, 4)).id == past.id
    with pytest.raises(IssueError, match="forepaw issue --as-of 2022-05-03"):
        latest_issue(practice, records, as_of=date(2022, 5, 3))


def test_the_latest_issue_without_its_draws_is_refused_with_what_to_do(kept):
    """Nothing is planned from an issue whose futures are gone."""
    practice, records, _, made = kept
    drop_draws([made.file])
    with pytest.raises(IssueError, match=r"of 2022-06-29 .* `forepaw issue --as-of 2022-06-29`"):
        latest_issue(practice, records)


def test_without_an_issue_the_sentence_says_how_to_make_one(small):
    """Nothing is invented in its place."""
    with pytest.raises(IssueError, match="make one with `forepaw issue`"):
        latest_issue(small, open_records(small))


def test_an_issue_without_visits_holds_exposure_and_dates_only(small, known, places, cut):
    """No counts, no odds, no pressure; and the reason."""
    bare = replace(known, counts=None)
    made = make_issue(small, train(bare, places, cut=cut), bare, issued_at=NOW)
    assert not made.has_visits
    assert made.forecast.attrs["why_no_visits"] == "no visits are held"
    assert set(made.forecast.data_vars) == {
        "exposure_past",
        "exposure_ahead",
        "exposure_quantiles",
        "season_start",
        "season_peak",
        "season_end",
        "season_dated",
        "listed",
        "flowering_days",
        "flowering_never",
        "flowering_seen",
        "flowering_dates",
    }


def test_what_cannot_be_higher_is_not(issue):
    """Visits never exceed pressure, odds lie in 0 to 1, quantiles rise, a draw is a count."""
    forecast = issue[1].forecast
    assert (forecast["visits"] <= forecast["pressure"]).all()
    assert ((forecast["odds_high"] >= 0) & (forecast["odds_high"] <= 1)).all()
    for name in ("visits", "pressure", "consultations", "climatology"):
        assert (forecast[f"{name}_quantiles"].diff("quantile") >= 0).all()
    assert (forecast["visits"] == forecast["visits"].round()).all()
    assert (forecast["visits"] >= 0).all()


def test_odds_are_the_share_of_draws_above_the_threshold(issue):
    """Counted anew from the draws, for one region and week."""
    one = issue[1].forecast.sel(region="south").isel(week=5)
    rate = 1000 * one["pressure"] / one["consultations"]
    share = np.mean([float(r) > float(one["threshold"]) for r in rate])
    assert float(one["odds_high"]) == pytest.approx(share)


def test_what_moves_each_week_adds_up_to_the_forecast(issue):
    """The terms kept sum to the log of mean pressure over mean consultations of the draws kept."""
    _, made = issue
    one = made.forecast
    rate = one["pressure"].mean("draw") / one["consultations"].clip(min=1).mean("draw")
    told = one["explanation"].sum("term").transpose(*rate.dims)
    assert np.exp(told.values) == pytest.approx(rate.values, rel=1e-5)
    terms = [str(t) for t in one["term"].values]
    assert terms[:5] == ["usual", "season", "trend", "temperature", "humidity"]
    assert terms[-2:] == ["recent weeks", "remainder"]


def test_the_practice_says_which_centile_is_high(known, model, small):
    """At the 95th centile of the training weeks a week is high far less often than at the 50th."""
    found = {}
    for centile in (0.5, 0.95):
        text = small.settings_text.replace(
            "draws = 20", f"draws = 20\nhigh_week_centile = {centile}"
        )
        small.settings_file.write_text(text, encoding="utf-8")
        found[centile] = draw_forecast(open_practice(small.folder, now=NOW), model, known)
    rate = 1000 * known.counts["flare_visits"] / known.counts["consultations"]
    rate = rate / (1 - 0.6 * 0.2)  # a fifth of the dogs under cover, which prevents 0.6 of flares
    for centile, forecast in found.items():
        expected = rate.quantile(centile, "week")
        assert forecast["threshold"].values == pytest.approx(expected.values)
    assert found[0.95]["odds_high"].mean() < 0.5 * found[0.5]["odds_high"].mean()


def test_of_a_region_without_visits_nothing_is_forecast_of_them(known, places, cut, small):
    """Not known is not *never*: no count, no quantile, no odds; the other region keeps its own.

    Exposure and season dates stay, and the row of the issue says that visits are not known.
    """
    counts = known.counts.copy(deep=True)
    for name in counts.data_vars:
        counts[name].loc[{"region": "south"}] = np.nan
    half = replace(known, counts=counts)
    forecast = draw_forecast(small, train(half, places, cut=cut), half)
    quantiles = [f"{n}_quantiles" for n in ("visits", "pressure", "consultations", "climatology")]
    odds = ["odds_high", "climatology_odds", "threshold", "season_threshold"]
    for name in ("visits", "pressure", "consultations", *quantiles, *odds):
        assert forecast[name].sel(region="south").isnull().all(), name
        assert forecast[name].sel(region="north").notnull().all(), name
    for name in ("exposure_ahead", "season_start"):
        assert forecast[name].sel(region="south", allergen="grasses").notnull().all(), name
    records, climate = open_records(small), open_climate(small)
    vintage = add_vintage(
        records, [], known_on=known.origin, made_at=NOW, case_definition="v", kind="as known then"
    )
    pinned = replace(cut, climate_snapshot=climate.head(), visit_vintage=vintage.id)
    made = make_issue(small, train(half, places, cut=pinned), half, issued_at=NOW)
    keep_issue(records, climate, made)
    assert [made.knows_visits_of(region) for region in ("north", "south")] == [True, False]
    summaries = issue_summaries(records, made.id)
    assert summaries["south"] == {"visits": "not known"}
    assert summaries["north"]["expected_visits"] > 0


def test_weeks_of_a_long_gap_are_not_known_in_the_issue(known, places, cut, small):
    """Two weeks of May without humidity in the north: told, not known there, known elsewhere.

    Of birch, which the south does not list, it has none at all.
    """
    observed = known.observed.copy(deep=True)
    gap = slice("2022-05-23", "2022-06-05")  # a Monday to a Sunday, in the season of grass
    observed["hurs"].loc[{"region": "north", "time": gap}] = np.nan
    holed = replace(known, observed=observed)
    forecast = draw_forecast(small, train(holed, places, cut=cut), holed)
    past = forecast["exposure_past"].sel(allergen="grasses").isel(past_week=slice(-30, None))
    unknown = past["past_week"].values[past.sel(region="north").isnull().values]
    assert unknown.astype("datetime64[D]").astype(str).tolist() == ["2022-05-23", "2022-05-30"]
    assert past.sel(region="south").notnull().all()
    assert (forecast["exposure_past"].sel(region="south", allergen="birch") == 0).all()
    assert forecast["exposure_ahead"].notnull().all()
    assert forecast["season_dated"].all()
    (told,) = json.loads(forecast.attrs["weather_gaps"])
    assert told == {
        "region": "north",
        "first": "2022-05-23",
        "last": "2022-06-05",
        "n_days": 14,
    }
    assert np.isfinite(forecast["pressure"]).all()


def test_an_issue_names_its_stale_sources(known, places, cut, small):
    """In its file, and on the issue that is read back; none where nothing is late."""
    late = replace(known, observed=known.observed.sel(time=slice(None, "2022-06-12")))
    made = make_issue(small, train(late, places, cut=cut), late, issued_at=NOW)
    assert made.stale_sources == ("weather of north", "weather of south")
    assert json.loads(made.forecast.attrs["stale_sources"])[0] == {
        "source": "weather",
        "region": "north",
        "until": "2022-06-12",
    }
    assert read_issue(made.file).stale_sources == made.stale_sources
    fresh = make_issue(small, train(known, places, cut=cut), known, issued_at=NOW)
    assert fresh.stale_sources == ()


def test_past_weeks_reach_the_first_week_ahead_even_where_weather_is_late(
    known, places, cut, small
):
    """Weeks in a row: those without weather are there, with exposure not known."""
    late = replace(known, observed=known.observed.sel(time=slice(None, "2022-06-12")))
    forecast = draw_forecast(small, train(late, places, cut=cut), late)
    past = forecast["past_week"].values
    assert past[-1] + np.timedelta64(7, "D") == forecast["week"].values[0]
    assert (np.diff(past) == np.timedelta64(7, "D")).all()
    unknown = forecast["exposure_past"].sel(region="north", allergen="grasses").isnull()
    assert past[unknown.values].astype("datetime64[D]").tolist() == [
        date(2022, 6, 13),
        date(2022, 6, 20),
    ]
    assert forecast["flare_visits_past"].isel(past_week=-1).notnull().all()
    assert forecast.attrs["weather_until"] == "2022-06-12"


def test_an_issue_tells_its_origin_settings_tables_and_packages(issue):
    """What is needed to make it again stands in the file."""
    practice, made = issue
    attrs = made.forecast.attrs
    assert attrs["origin"] == "2022-06-29"
    assert attrs["settings_text"] == practice.settings_text
    assert attrs["invented"] == 1
    assert json.loads(attrs["cut"])["visit_vintage"] == "vintage-1"
    assert set(json.loads(attrs["packages"])) >= {"numpy", "xarray"}
    assert all(len(digest) == 64 for digest in json.loads(attrs["tables"]).values())


def test_closures_listed_ahead_take_their_part_of_what_the_diary_sees(known, model, small):
    """A week closed has no visit, a half week about half; pressure, odds and season stay."""
    usual = draw_forecast(small, model, known)
    weeks = usual["week"].values
    share = np.ones((1, len(weeks)))
    share[0, :2] = (0.0, 0.5)
    coords = {"region": ["north"], "week": weeks}
    listed = xr.DataArray(share, dims=("region", "week"), coords=coords)
    closed = draw_forecast(small, model, replace(known, open_ahead=listed))
    for name in ("pressure", "pressure_quantiles", "odds_high", "explanation", "threshold"):
        xr.testing.assert_equal(closed[name], usual[name])
    xr.testing.assert_equal(closed["demand"], usual["consultations"].rename("demand"))
    np.testing.assert_array_equal(closed["open_share"].sel(region="north")[:3], [0.0, 0.5, 1.0])
    assert (closed["open_share"].sel(region="south") == 1.0).all()
    for name in ("visits", "consultations"):
        now, before = (one[name].sel(region="north").mean("draw") for one in (closed, usual))
        assert float(now[0]) == 0.0
        # each visit remains with a half: four standard errors of the mean over the draws
        error = np.sqrt(0.25 * float(before[1]) / usual.sizes["draw"])
        assert float(now[1]) == pytest.approx(0.5 * float(before[1]), abs=4.0 * error)
        xr.testing.assert_equal(closed[name].isel(week=slice(2, None)), usual[name][..., 2:])
    made = make_issue(small, model, replace(known, open_ahead=listed), issued_at=NOW)
    assert [str(w) for w in flare_seasons(made.forecast)] == [str(w) for w in flare_seasons(usual)]
    assert "demand" not in usual
