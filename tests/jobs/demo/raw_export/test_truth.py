"""The truth beside the exports, and the tables that both are made from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Any

import pandas as pd
import pytest

from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export import RawExports
from jobs.demo.raw_export.tables import NOTES, RATES, items
from jobs.demo.raw_export.truth import NOBODY_SEEN

# writing and reading six years of exports takes too long for every run
pytestmark = pytest.mark.long

CARE_PLAN = pd.Timestamp("2020-03-02")  # when.care_plan


def test_true_flare_visits_are_those_of_the_invention(
    raw: RawExports, invented: InventedPractice
) -> None:
    """By branch and day, none more and none fewer."""

    def by_day(visits: pd.DataFrame) -> Counter[tuple[str, pd.Timestamp]]:
        mine = visits[visits["kind"] == "itch flare"]
        return Counter(zip(mine["branch"], mine["date"], strict=True))

    assert by_day(raw.truth) == by_day(invented.visits)
    key = ["branch", "date", "patient"]
    assert not raw.truth[raw.truth["lost"] != "not yet entered"].duplicated(key).any()


def test_every_visit_of_the_invention_is_in_the_truth(
    raw: RawExports, invented: InventedPractice
) -> None:
    """Two visits of one dog on one day are one; nothing else is lost or added."""
    of_dogs = invented.visits.dropna(subset="dog")
    again = of_dogs.duplicated(["dog", "date"]).sum()
    assert len(raw.truth) == len(invented.visits) - again


def test_not_all_flares_are_well_written(raw: RawExports) -> None:
    """Each way of writing is there; the well written are most, but not nearly all."""
    flares = raw.truth[raw.truth["kind"] == "itch flare"]
    shares = flares["written"].value_counts(normalize=True)
    assert set(shares.index) == {"well", "ear only", "items only", "hardly", "care plan"}
    assert 0.5 < shares["well"] < 0.8
    before = flares[flares["date"] < CARE_PLAN]["written"].value_counts(normalize=True)
    # rates.toml: 0.13, up to a tenth of which a vet that wrote nothing takes away
    assert 0.09 < before["ear only"] < 0.16


def test_half_of_the_vets_write_from_the_bank_held_out(raw: RawExports) -> None:
    """By vet about half; and each bank has a fair share of the flares."""
    by_vet = raw.truth.drop_duplicates("vet")["bank"].value_counts(normalize=True)
    assert 0.35 < by_vet["held_out"] < 0.65
    flares = raw.truth[raw.truth["kind"] == "itch flare"]["bank"].value_counts(normalize=True)
    assert 0.25 < flares["held_out"] < 0.75
    assert (raw.truth.groupby("vet")["bank"].nunique() == 1).all()


def test_named_cases_have_no_dirt(raw: RawExports, invented: InventedPractice) -> None:
    """A report tells their stories, so all their visits are found where they were."""
    mine = raw.truth[raw.truth["dog"].isin(invented.named_cases.values())]
    mine = mine[mine["lost"] != NOBODY_SEEN]
    assert len(mine) > 10
    assert (mine["lost"] == "").all()
    assert (mine["patient"] == mine["dog"]).all()
    planted = ["cancelled", "reopened", "both", "late", "part_without_branch"]
    assert not mine[planted].to_numpy().any()
    assert (mine.loc[mine["kind"] == "itch flare", "written"] == "well").all()


def leaves() -> Iterator[tuple[str, Any]]:
    for table in (RATES, NOTES):
        yield from table.parameters.items()


def test_every_value_is_assumed() -> None:
    """Nothing in the tables is offered as a finding."""
    assert {parameter.status for _, parameter in leaves()} == {"assumed"}


def test_reasons_are_whole_and_their_items_are_sold() -> None:
    """Shares add up to one; each bundle names items of the list; each reason has its sentences."""
    reasons = {key.split(".")[0] for key in RATES.group("reason")}
    assert sum(RATES.number(f"reason.{r}.share") for r in reasons) == pytest.approx(1.0)
    sold = items()
    for reason in reasons:
        bundles = RATES[f"reason.{reason}.items"].value
        assert isinstance(bundles, list)
        assert all(key in sold for bundle in bundles for key in bundle.split())
        for bank in ("first", "held_out"):
            assert NOTES[f"{bank}.{reason}"].value


def test_no_two_items_share_a_string_or_a_code() -> None:
    """About 150 strings or more over both systems, each of them one item's."""
    old = [item.old for item in items().values()]
    new = [item.new for item in items().values() if item.new]
    assert len(set(old)) == len(old)
    assert len(set(new)) == len(new)
    assert len(old) + len(new) >= 150


def test_what_is_only_sold_is_no_visit(raw: RawExports, invented: InventedPractice) -> None:
    """Advice always, and most of what is sold over the counter; never an itch.

    rates.toml: the two reasons are 0.045 of the other visits; of the counter's eight items five
    need nobody to be seen, so about 0.015 + 0.03 * 5 / 8 = 0.034 of them are no visit, less what
    happens to be booked beside them.
    """
    others = raw.truth[raw.truth["kind"] == "other"]
    assert 0.027 < (others["lost"] == NOBODY_SEEN).mean() < 0.036
    assert set(raw.truth.loc[raw.truth["lost"] == NOBODY_SEEN, "kind"]) == {"other"}
