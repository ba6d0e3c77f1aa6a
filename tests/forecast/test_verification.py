"""Issued forecasts against what happened: by hand, and through the records."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.climate import open_climate
from forecast.issuing import keep_issue, make_issue
from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.issues import IssueRow
from forecast.records.verifications import verifications
from forecast.records.vintages import add_vintage
from forecast.verification import one_a_week, score_forecast, score_issues, settled_counts

NOW = datetime(2022, 6, 28, 23, tzinfo=UTC)
LATER = datetime(2022, 8, 31, 20, tzinfo=UTC)  # the 1st of September in Seoul
CASE = "version 1"


# ------------------------------------------------------------------------------ by hand
def counts_of(visits: dict[str, float], *, consultations: float = 100.0, share: float = 0.0):
    """Lay out counts of the region "north"."""
    weeks = pd.DatetimeIndex(list(visits))
    dims = ("region", "week")
    values = np.array([list(visits.values())])
    return xr.Dataset(
        {
            "flare_visits": (dims, values),
            "consultations": (dims, np.full_like(values, consultations)),
            "covered_share": (dims, np.full_like(values, share)),
        },
        coords={"region": ["north"], "week": weeks},
    )


def test_a_forecast_without_spread_is_scored_by_its_distance(make_issued):
    """All draws say 5: against 8 the error is 3, against 5 none; climatology says 5 too.

    A step from 0 to 1 lies by half in the 50 % interval; 8 lies beyond both. 8 and 5 visits in 100
    consultations are 80 and 50 in 1,000, with the threshold at 50: high, and not high.
    """
    issued = make_issued(np.full((20, 30), 5.0))
    scored = score_forecast(issued, counts_of({"2023-03-13": 8.0, "2023-03-20": 5.0}))
    assert scored["week"].dt.strftime("%m-%d").tolist() == ["03-13", "03-20"]
    assert scored["weeks_ahead"].tolist() == [2, 3]
    assert scored["weighted_interval_score"].tolist() == pytest.approx([3.0, 0.0])
    assert scored["climatology_score"].tolist() == pytest.approx([3.0, 0.0])
    assert scored["inside_50"].tolist() == pytest.approx([0.0, 0.5])
    assert scored["inside_90"].tolist() == pytest.approx([0.0, 0.9])
    assert scored["was_high"].tolist() == [1.0, 0.0]
    assert scored["odds_high"].tolist() == [0.0, 0.0]
    assert scored["usual_odds"].tolist() == pytest.approx([0.2, 0.2])


def test_a_week_is_high_by_its_pressure_not_by_its_visits(make_issued):
    """With half the dogs covered, at an efficacy of 0.6, 40 visits are a pressure of 57."""
    issued = make_issued(np.full((20, 30), 5.0))
    for share, high in ((0.0, 0.0), (0.5, 1.0)):
        scored = score_forecast(issued, counts_of({"2023-03-13": 4.0}, share=share))
        assert scored["was_high"].tolist() == [high]


def test_without_consultations_or_threshold_it_is_not_known_whether_a_week_was_high(make_issued):
    """The visits are scored all the same."""
    drawn = np.full((20, 30), 5.0)
    found = [
        score_forecast(make_issued(drawn), counts_of({"2023-03-13": 4.0}, consultations=0.0)),
        score_forecast(make_issued(drawn, threshold=np.nan), counts_of({"2023-03-13": 4.0})),
    ]
    for scored in found:
        assert scored["was_high"].isna().all()
        assert scored["weighted_interval_score"].tolist() == pytest.approx([1.0])


def test_half_a_year_ahead_is_scored_and_no_more(make_issued):
    """The 26th week is that of 28 August, counted from the week that holds the origin."""
    issued = make_issued(np.full((20, 30), 5.0))
    weeks = pd.date_range("2023-02-06", periods=40, freq="7D").strftime("%Y-%m-%d")
    scored = score_forecast(issued, counts_of(dict.fromkeys(weeks, 5.0)))
    assert scored["weeks_ahead"].tolist() == list(range(1, 27))
    assert scored["week"].iloc[-1] == pd.Timestamp("2023-08-28")


def test_what_is_not_known_is_not_scored(make_issued, without_visits):
    """A week without a count, another region, a forecast without visits."""
    issued = make_issued(np.full((20, 30), 5.0))
    assert score_forecast(issued, counts_of({"2023-03-13": np.nan})).empty
    elsewhere = counts_of({"2023-03-13": 4.0}).assign_coords(region=["south"])
    assert score_forecast(issued, elsewhere).empty
    assert score_forecast(without_visits, counts_of({"2023-03-13": 4.0})).empty


def test_the_first_issue_of_a_week_is_the_one_that_is_scored():
    """Monday's, the first of that day; one without visits is passed over."""

    def row(name: str, day: int, vintage: str | None = "v") -> IssueRow:
        origin = date(2024, 6, day)
        return IssueRow(name, NOW, origin, "issued", "m", "s", 1, "f", "h", "c", vintage)

    # the 3rd and the 10th of June 2024 are Mondays
    rows = [row("a", 3, None), row("b", 4), row("c", 4), row("d", 9), row("e", 10), row("f", 12)]
    assert [one.id for one in one_a_week(rows)] == ["b", "e"]


# ------------------------------------------------------------------------------ through the records
def keep_counts(records, known_on: date, *, case: str = CASE, **changed: float) -> object:
    """Keep a vintage: 5 flares in 100 consultations of both regions, unless `changed` says so."""
    rows = [
        {"region_id": region, "week": week.date(), "consultations": 100.0, "covered_share": 0.2}
        | {"flare_visits": changed.get(f"{region}_{week:%m%d}", 5.0)}
        for region in ("north", "south")
        for week in pd.date_range("2022-06-06", "2022-08-22", freq="7D")
    ]
    return add_vintage(
        records, rows, known_on=known_on, made_at=LATER, case_definition=case, kind="as known then"
    )


@pytest.fixture(scope="module")
def first(issue, known, model, tmp_path_factory):
    """Make a practice with one issue of 29 June 2022 that rests on kept counts."""
    folder = tmp_path_factory.mktemp("verified") / "small"
    small = create_practice(folder, issue[0].settings_text, now=NOW)
    climate, records = open_climate(small), open_records(small)
    vintage = keep_counts(records, known.origin)
    cut = replace(model.cut, climate_snapshot=climate.head(), visit_vintage=vintage.id)
    made = make_issue(small, replace(model, cut=cut), known, issued_at=NOW)
    keep_issue(records, climate, made)
    records.close()
    return folder


@pytest.fixture
def kept(first, tmp_path):
    """Give a copy of it, two months later."""
    practice = open_practice(shutil.copytree(first, tmp_path / "kept"), now=LATER)
    records = open_records(practice)
    yield practice, records
    records.close()


def test_weeks_are_scored_once_they_are_settled(kept):
    """Where nothing shows a delay that is 14 days after a week: by 1 September up to 8 August.

    From 27 June on these are seven weeks of two regions.
    """
    practice, records = kept
    vintage = keep_counts(records, date(2022, 9, 1))
    settled = settled_counts(practice, records, vintage)["flare_visits"].dropna("week")
    assert settled["week"].values[-1] == np.datetime64("2022-08-08")
    done = score_issues(practice, records, vintage=vintage)
    assert (done.n_new, done.n_corrected) == (14, 0)
    rows = verifications(records, kind="issued")
    assert rows["week"].min() == pd.Timestamp("2022-06-27")
    assert rows["week"].max() == pd.Timestamp("2022-08-08")
    assert sorted(rows["weeks_ahead"].unique()) == list(range(1, 8))
    assert set(rows["vintage_id"]) == {vintage.id}
    assert rows["was_high"].notna().all()
    assert verifications(records, kind="hindcast").empty


def test_again_nothing_is_scored_and_no_file_is_read(kept):
    """Also by a newer vintage that says the same of those weeks."""
    practice, records = kept
    score_issues(practice, records, vintage=keep_counts(records, date(2022, 9, 1)))
    for path in practice.issued_folder.glob("*.nc"):
        path.unlink()
    done = score_issues(practice, records, vintage=keep_counts(records, date(2022, 9, 2)))
    assert (done.n_new, done.n_corrected, done.unreadable) == (0, 0, ())


def test_a_corrected_count_is_scored_anew_and_names_its_vintage(kept):
    """One row changes, the others stay with the vintage they were scored by."""
    practice, records = kept
    before = keep_counts(records, date(2022, 9, 1))
    score_issues(practice, records, vintage=before)
    newer = keep_counts(records, date(2022, 9, 2), south_0704=11.0)
    done = score_issues(practice, records, vintage=newer)
    assert (done.n_new, done.n_corrected) == (0, 1)
    assert "1 scored before have other counts now, and were scored anew" in done.sentence
    rows = verifications(records, kind="issued").set_index(["region_id", "week"])
    one = rows.loc[("south", pd.Timestamp("2022-07-04"))]
    assert (one["observed"], one["vintage_id"]) == (11.0, newer.id)
    assert (rows["vintage_id"] == before.id).sum() == 13


def test_a_forecast_is_not_held_against_counts_of_another_definition(kept):
    """It forecast something else."""
    practice, records = kept
    other = keep_counts(records, date(2022, 9, 1), case="version 2")
    assert score_issues(practice, records, vintage=other).n_new == 0


def test_an_issue_whose_file_is_broken_is_named_and_the_rest_goes_on(kept):
    practice, records = kept
    (path,) = practice.issued_folder.glob("*.nc")
    path.write_bytes(path.read_bytes()[:1000])
    done = score_issues(practice, records, vintage=keep_counts(records, date(2022, 9, 1)))
    assert done.n_new == 0
    assert done.unreadable == (path.stem[-12:],)
    assert "not scored, as its file cannot be read: " + path.stem[-12:] in done.sentence
