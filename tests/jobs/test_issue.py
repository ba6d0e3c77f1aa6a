"""Learning weekly, issuing daily: the days between rest on one model and on data of their own."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

import jobs.learn
from forecast.issuing import read_issue
from forecast.model_files import kept_models, model_file
from forecast.records.issues import issues
from forecast.records.runs import runs
from forecast.remaking import RemakeError, remake
from jobs.issue import issue_today
from jobs.learn import what_is_known

FIRST, SECOND, THIRD = date(2022, 3, 1), date(2022, 3, 4), date(2022, 3, 8)


def made(opened):
    return [read_issue(opened.practice.issued_folder / row.file) for row in issues(opened.records)]


@pytest.mark.long
def test_a_model_is_learnt_once_and_three_days_are_issued_from_it(later):
    """Each issue tells its own cut and the model's, in its file; its row names the model."""
    issued = made(later)
    assert [one.cut.origin for one in issued] == [FIRST, SECOND, THIRD]
    assert [one.model_cut.origin for one in issued] == [FIRST] * 3
    assert issued[0].model_cut == issued[0].cut
    assert [one.cut.kind for one in issued] == ["issued"] * 3
    assert len({one.cut.climate_snapshot for one in issued}) == 3
    assert len({one.cut.visit_vintage for one in issued}) == 3
    (model,) = kept_models(later.practice)
    assert {row.model_hash for row in issues(later.records)} == {issued[0].model_hash}
    assert model.file == model_file(later.practice, issued[0].model_hash)
    assert len(runs(later.records, job="learn")) == 1
    assert [run.cut["origin"] for run in runs(later.records, job="issue")] == [
        str(day) for day in (FIRST, SECOND, THIRD)
    ]


def test_a_day_between_sees_the_newest_weather_and_counts(later):
    """On the 8th of March, a Tuesday, the week of 28 February is counted; the model knew none."""
    first, _, third = made(later)
    assert third.forecast.attrs["weather_until"] == "2022-03-07"
    counted = [
        one.forecast["flare_visits_past"].dropna("past_week", how="all")["past_week"].values[-1]
        for one in (first, third)
    ]
    assert counted == [np.datetime64("2022-02-21"), np.datetime64("2022-02-28")]
    # the threshold of a high week is the model's: it does not move within its weeks
    assert first.forecast["threshold"].identical(third.forecast["threshold"])


def test_a_past_day_sees_no_day_that_a_source_had_not_given_by_then(later, monkeypatch):
    """A hindcast minds the delay of each source, and its cut says so; an issue needs not."""
    (source,) = later.climate.weather_sources()
    monkeypatch.setattr(jobs.learn, "lags_of_sources", lambda: {source: 3.0})
    said = []
    for day in (THIRD, later.practice.today):
        cut, known = what_is_known(*later.all, origin=day, say=lambda _: None)
        said.append((cut.kind, dict(cut.lags), (day - known.weather_until).days))
    assert said == [("hindcast", {source: 3.0}, 4), ("issued", {}, 1)]


@pytest.mark.long
def test_a_day_between_is_made_again_bit_for_bit(later):
    """With the model read from its file, and learnt again from its own cut; both are compared."""
    again = remake(*later.all, issue_id=made(later)[-1].id)
    assert (again.same_model, again.same_arrays, again.changed) == (True, True, ())


@pytest.mark.long
def test_without_the_models_file_it_is_learnt_again(later):
    """From the weather and the counts of its own day."""
    third = made(later)[-1]
    model_file(later.practice, third.model_hash).unlink()
    again = remake(*later.all, issue_id=third.id)
    assert (again.same_model, again.same_arrays) == (True, True)
    assert not list(later.practice.trained_folder.glob("*.nc"))


@pytest.mark.long
def test_a_model_whose_weather_has_gone_is_read_and_that_is_said(later):
    """The arrays are compared; that the model is what it says cannot be put to the test."""
    first, _, third = made(later)
    names = [f"issue-{first.id}", f"model-{first.model_hash[:16]}"]
    later.climate.clean_up(names=names, replaced_before=later.practice.now.replace(year=2100))
    again = remake(*later.all, issue_id=third.id)
    assert (again.same_model, again.same_arrays) == (None, True)
    assert "its model was read, not learnt again" in again.sentence
    with pytest.raises(RemakeError, match="the weather it was made from is no longer held"):
        remake(*later.all, issue_id=first.id)
    model_file(later.practice, third.model_hash).unlink()
    with pytest.raises(RemakeError, match="neither its model nor the weather"):
        remake(*later.all, issue_id=third.id)


@pytest.mark.long
def test_a_model_that_was_spoilt_with_its_hash_is_found_out(later):
    """The file is whole and the arrays come out, but what is learnt again is another model."""
    import forecast.remaking as room

    third = made(later)[-1]
    learn = room.train

    def another(known, places, **options):
        counts = known.counts.copy(deep=True)
        counts["flare_visits"][:, 50] += 1
        return learn(replace(known, counts=counts), places, **options)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(room, "train", another)
        again = remake(*later.all, issue_id=third.id)
    assert (again.same_model, again.same_arrays) == (False, True)
    assert "its model, learnt again, came out different" in again.sentence


@pytest.mark.long
def test_months_later_it_learns_anew_and_says_why(later):
    """115 days after the model; on the same day again it rests on the new one."""
    said: list[str] = []
    day = later.practice.today
    done = issue_today(*later.all, origin=day, say=said.append)
    assert done.issue.model_cut.origin == done.issue.cut.origin == day
    assert (
        "learning: since the model of 2022-03-01 was learnt, 115 days have gone by, of at most 8"
        in said
    )
    said.clear()
    again = issue_today(*later.all, origin=day, say=said.append)
    assert f"resting on the model learnt from what was known on {day}" in said
    assert again.issue.id == done.issue.id
    assert len(runs(later.records, job="learn")) == 2


@pytest.mark.long
def test_asked_for_it_learns_anew_though_a_model_is_fit(later):
    """Twice on one day: the same data, the same model, the same issue."""
    said: list[str] = []
    day = later.practice.today
    ids = {
        issue_today(*later.all, origin=day, say=said.append, learn_anew=True).issue.id
        for _ in range(2)
    }
    assert len(ids) == 1
    assert said.count("learning: it was asked for") == 2
