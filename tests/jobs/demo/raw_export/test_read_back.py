"""The exports through the practice's own door: what a reader finds, what is held."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from forecast.visits.drift import compare
from forecast.visits.exports.export import read_export
from forecast.visits.exports.layout import load_layouts
from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export import RawExports

# writing and reading six years of exports takes too long for every run
pytestmark = pytest.mark.long

BRANCH_NAMES = {"amber": "Amber", "indigo": "Indigo", "teal": "Teal", "ochre": "Ochre"}

Row = dict[str, Any]


@pytest.mark.parametrize("name", ["old_system_2017.csv", "new_system_2021.csv"])
def test_a_reader_of_exports_finds_the_true_visits(
    raw: RawExports, invented: InventedPractice, name: str
) -> None:
    """Read through the layouts: each true visit once, and none that is not true."""
    path = next(p for p in raw.files if p.name == name)
    found = read_export(
        path.read_bytes(),
        name,
        layouts=load_layouts(raw.layouts[0].parent),
        branches=BRANCH_NAMES,
        today=invented.as_of,
    )
    read = set(
        zip(found.visits["branch"], found.visits["date"], found.visits["animal"], strict=True)
    )
    of_file = (raw.truth["file"] == name) | (raw.truth["both"] & name.startswith("new_system_2021"))
    mine = raw.truth[of_file & (raw.truth["lost"] == "")]
    true = set(zip(mine["branch"], mine["date"], mine["patient"], strict=True))
    assert len(found.visits) == len(read) == len(true)
    # The old system dates a reopened invoice anew; the visit keeps its day, unless it was entered
    # so late that the number of the reopened one is taken for given out anew.
    apart = mine[mine["reopened"] & mine["late"]]
    assert true - read <= set(zip(apart["branch"], apart["date"], apart["patient"], strict=True))


@pytest.mark.parametrize("seen", [True, False], ids=["found", "not found"])
def test_the_change_of_coding_is_held_and_nothing_else(raw: RawExports, seen: bool) -> None:
    """If what is coded by the care plan is not found, the first file with it looks unlike the past.

    Shares of flares are compared for each file with all before it. Found, no file is held; not
    found, it is the planted one, the first to be.
    """
    assert raw.recoding.first_file is not None
    held = []
    past = pd.DataFrame()
    for path in raw.files:
        new = raw.truth[raw.truth["file"] == path.name]
        if not seen:
            new = new.assign(kind=new["kind"].mask(new["written"] == "care plan", "other"))
        found = [d for d in compare(past, new) if d.holds] if len(past) else []
        held += [(path, d.measure) for d in found]
        past = pd.concat([past, new])
    first = [(raw.recoding.first_file, "flare share")]
    assert held[:1] == ([] if seen else first)


def test_the_answer_to_the_change_names_every_new_string(
    raw: RawExports, read: dict[str, list[Row]]
) -> None:
    """Adding these lines to the layout explains all items of the care plan."""
    used = {
        row["item"]
        for rows in read.values()
        for row in rows
        if row["item"].startswith(("CARE PLAN", "CP "))
    }
    assert used <= set(raw.recoding.items)
    assert len(used) >= 8
    first = min(
        row["date"] for rows in read.values() for row in rows if row["item"] in raw.recoding.items
    )
    assert first.date() >= raw.recoding.first_day
