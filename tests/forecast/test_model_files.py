"""Which trained model a forecast may rest on, and when one is learnt anew."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from forecast.cut import DataCut, Known
from forecast.model_files import keep_model, kept_models, model_file, newest_fit, standing_review
from forecast.practice import open_practice
from forecast.records import open_records
from forecast.records.vintages import add_vintage
from forecast.training import train

NOW = datetime(2022, 6, 28, 23, tzinfo=UTC)
CASE = "version 1"


def keep_counts(records, counts, known_on: date, case: str = CASE) -> str:
    frame = counts.to_dataframe().reset_index()
    rows = [
        {"region_id": row["region"], "week": row["week"].date()}
        | {n: float(row[n]) for n in ("flare_visits", "consultations", "covered_share")}
        for row in frame.to_dict("records")
    ]
    return add_vintage(
        records, rows, known_on=known_on, made_at=NOW, case_definition=case, kind="as known then"
    ).id


class World:
    """A practice with a model of a week ago, and what is known today."""

    def __init__(self, practice, known: Known, then: DataCut, model) -> None:
        self.practice, self.records = practice, open_records(practice)
        self.known, self.then, self.model = known, then, model

    def fit(self, practice=None, known=None, **cut):
        """Look for a model that a forecast of today, on data of its own, may rest on."""
        known = known or self.known
        day = cut.pop("origin", known.origin)
        today = DataCut(day, "snapshot-2", "vintage-2", CASE, "issued")
        return newest_fit(practice or self.practice, self.records, known, cut=replace(today, **cut))


def learn(practice, known: Known, places) -> tuple:
    """Keep a model of a week ago; return its cut and it."""
    origin = known.origin - timedelta(days=7)
    then = known.before(origin)
    records = open_records(practice)
    vintage = keep_counts(records, then.counts, origin)
    records.close()
    cut = DataCut(origin, "snapshot-1", vintage, CASE, "issued")
    model = train(then, places, cut=cut)
    keep_model(practice, model)
    return cut, model


@pytest.fixture(scope="module")
def learnt() -> list:
    return []


@pytest.fixture
def world(small, known, places, learnt, made_once):
    paths = (small.records_file, small.trained_folder)
    made_once(
        "model of a week ago", lambda: learnt.extend(learn(small, known, places)), paths=paths
    )
    made = World(small, known, *learnt)
    yield made
    made.records.close()


def test_a_model_of_a_week_ago_is_rested_on(world):
    """The one that was kept, whole."""
    model, why = world.fit()
    assert (model.hash, why) == (world.model.hash, "")
    assert model_file(world.practice, model.hash).exists()


def test_after_more_days_than_the_table_allows_it_is_learnt_anew(world):
    """Eight days are allowed, nine are not."""
    assert world.fit(origin=world.then.origin + timedelta(days=8))[0] is not None
    model, why = world.fit(origin=world.then.origin + timedelta(days=9))
    assert model is None
    assert why == "since the model of 2022-06-22 was learnt, 9 days have gone by, of at most 8"


def test_a_model_never_knows_more_than_the_forecast(world):
    """One of a later day is not looked at, whatever else is kept."""
    model, why = world.fit(origin=world.then.origin - timedelta(days=1))
    assert (model, why) == (None, "no model of that day, or before it, is kept")


def test_a_hindcast_rests_on_a_model_of_its_very_own_cut(world, known, places):
    """So what it says does not depend on what else was tried."""
    assert world.fit(kind="hindcast")[0] is None
    own = replace(world.then, kind="hindcast")
    then = known.before(own.origin)
    keep_model(world.practice, train(then, places, cut=own))
    assert newest_fit(world.practice, world.records, then, cut=own)[0].cut == own
    other = replace(own, climate_snapshot="snapshot-2")
    assert newest_fit(world.practice, world.records, then, cut=other)[0] is None


def test_the_review_of_an_earlier_issued_model_may_stand(world):
    """That of the newest before the day; one of the day itself, or a hindcast, hands none on."""
    today = DataCut(world.known.origin, "snapshot-2", "vintage-2", CASE, "issued")
    found = standing_review(world.practice, cut=today)
    assert found.to_dict() == world.model.review.to_dict()
    assert standing_review(world.practice, cut=world.then) is None
    assert standing_review(world.practice, cut=replace(today, kind="hindcast")) is None


def test_a_change_of_practice_toml_asks_for_a_new_model(world):
    """The list of allergens stands there, and all else that training reads."""
    text = world.practice.settings_text.replace('"birch", "grasses"', '"grasses"')
    world.practice.settings_file.write_text(text, encoding="utf-8")
    edited = open_practice(world.practice.folder, now=NOW)
    assert world.fit(edited)[1].endswith("was learnt, practice.toml was changed")


def test_another_case_definition_asks_for_a_new_model(world):
    assert world.fit(case_definition="version 2")[1].endswith("the case definition was changed")


def test_another_version_asks_for_a_new_model_and_is_named(world, monkeypatch):
    """A package, or a parameter table."""
    import forecast.model_files as room

    then = room.versions()
    then["packages"]["numpy"] = "0.1"
    then["tables"]["flare.toml"] = "f" * 64
    monkeypatch.setattr(room, "versions", lambda: then)
    why = world.fit()[1]
    assert "-> 0.1" in why
    assert "flare.toml" in why


def test_counts_that_have_changed_much_ask_for_a_new_model(world):
    """A flare more in each of five weeks is a late entry; a year that was brought since is not."""
    counts = world.known.counts.copy(deep=True)
    counts["flare_visits"][:, 100:105] += 1
    assert world.fit(known=replace(world.known, counts=counts))[0] is not None
    counts["flare_visits"][:, :20] = 3 * counts["flare_visits"][:, :20] + 5
    why = world.fit(known=replace(world.known, counts=counts))[1]
    assert "% of the counts it was learnt from have changed" in why
    # weeks before the first one it was learnt from count as changed: they were none
    early = world.known.counts.isel(week=slice(0, 52))
    early = early.assign_coords(week=early["week"] - np.timedelta64(364, "D"))
    longer = early.combine_first(world.known.counts)
    assert world.fit(known=replace(world.known, counts=longer))[0] is None


def test_visits_that_came_or_went_ask_for_a_new_model(small, known, places):
    """A practice without visits gets a model with them once there are enough, not before."""
    day = known.origin - timedelta(days=7)
    records = open_records(small)
    cut = DataCut(day, "snapshot-1", None, "", "issued")
    keep_model(small, train(replace(known.before(day), counts=None), places, cut=cut))
    today = replace(cut, origin=known.origin)
    few = replace(known, counts=known.counts.isel(week=slice(-52, None)))
    found = [
        newest_fit(small, records, k, cut=today) for k in (replace(known, counts=None), few, known)
    ]
    assert [model is not None for model, _ in found] == [True, True, False]
    assert found[-1][1].endswith("enough visits have come in")
    records.close()


def test_visits_that_have_gone_ask_for_a_new_model(world):
    assert world.fit(known=replace(world.known, counts=None))[1].endswith("its visits have gone")


def test_a_damaged_model_is_passed_over(world):
    """None is left: it is learnt anew, and learning mends the file."""
    (kept,) = kept_models(world.practice)
    kept.file.write_bytes(kept.file.read_bytes()[:500])
    assert world.fit() == (None, "no model of that day, or before it, is kept")
    keep_model(world.practice, world.model)
    assert world.fit()[0].hash == world.model.hash
