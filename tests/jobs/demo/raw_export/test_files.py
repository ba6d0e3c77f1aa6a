"""The files as two front desks would write them."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import xarray as xr

from jobs.demo.invention import InventedPractice, invent_practice
from jobs.demo.raw_export import RawExports, write_raw_exports
from jobs.demo.worlds import World

# writing and reading six years of exports takes too long for every run
pytestmark = pytest.mark.long

Row = dict[str, Any]


def test_there_is_a_file_for_each_system_and_year_in_order(raw: RawExports) -> None:
    """The old system to the change of April 2021, the new one from then on."""
    assert [path.name for path in raw.files] == [
        *(f"old_system_{year}.csv" for year in range(2017, 2022)),
        *(f"new_system_{year}.csv" for year in range(2021, 2024)),
    ]
    assert [path.stem for path in raw.layouts] == ["old_system", "new_system"]


def test_the_exports_hold_nothing_of_the_truth(raw: RawExports) -> None:
    """Beside the exports lie the closures alone; no column says what a visit truly was."""
    folder = raw.files[0].parent
    assert {p.name for p in folder.iterdir()} == {p.name for p in raw.files} | {"closures.csv"}
    for path in raw.files:
        assert b"itch flare" not in path.read_bytes()


def test_the_two_systems_write_differently(raw: RawExports) -> None:
    """Encoding, separator, decimal mark, order of the day, heading words: none is shared."""
    old, new = raw.files[2].read_bytes(), raw.files[-2].read_bytes()
    with pytest.raises(UnicodeDecodeError):
        old.decode("utf-8")
    assert new.startswith(b"\xef\xbb\xbf")
    third, fourth = old.decode("cp1252").split("\r\n")[2:4]
    assert third.count(";") == 16
    assert re.match(r"\d+;\d\d/\d\d/2018;\d\d/\d\d/2019 \d\d:\d\d;", fourth)
    assert re.search(r";\d+,\d\d;", fourth)
    first, second = new.decode("utf-8-sig").split("\r\n")[:2]
    assert re.match(r"\d{7},2021-\d\d-\d\d \d\d:\d\d,2022-\d\d-\d\d \d\d:\d\d,", second)
    assert not set(third.split(";")) & set(first.split(","))


def test_the_size_is_that_of_a_small_group(read: dict[str, list[Row]]) -> None:
    """One to two hundred thousand lines for six years of four branches, a few more with dirt."""
    assert 150_000 < sum(map(len, read.values())) < 250_000


def test_nothing_is_after_the_as_of_date(
    raw: RawExports, read: dict[str, list[Row]], invented: InventedPractice
) -> None:
    """Neither a visit nor a stamp of entry; what was not yet typed in is missing, and recent."""
    latest = max(max(row["date"], row["entered"]) for rows in read.values() for row in rows)
    assert latest.date() == invented.as_of
    missing = raw.truth[raw.truth["lost"] == "not yet entered"]
    assert 5 <= len(missing) <= 60
    assert (pd.Timestamp(invented.as_of) - missing["date"]).dt.days.max() <= 40


def test_each_file_holds_what_was_entered_in_its_year(read: dict[str, list[Row]]) -> None:
    """So some visits of December come with the next year's file."""
    for name, rows in read.items():
        assert {row["entered"].year for row in rows} == {int(name[-8:-4])}
    assert min(row["date"] for row in read["old_system_2019.csv"]).year == 2018


def test_the_same_practice_gives_the_same_bytes(
    raw: RawExports, invented: InventedPractice, tmp_path: Path
) -> None:
    """Files, layouts, closures and truth are equal when written again."""
    again = write_raw_exports(invented, tmp_path)
    for first, second in zip(
        [*raw.files, *raw.layouts, raw.closures],
        [*again.files, *again.layouts, again.closures],
        strict=True,
    ):
        assert first.read_bytes() == second.read_bytes()
    pd.testing.assert_frame_equal(raw.truth, again.truth)
    pd.testing.assert_frame_equal(raw.planted, again.planted)


@pytest.mark.long
@pytest.mark.parametrize("world", ["humidity", "pollen", "none"])
@pytest.mark.parametrize("as_of", [date(2020, 3, 31), date(2021, 4, 1), date(2024, 6, 25)])
def test_other_worlds_days_and_seeds(
    weather: xr.Dataset,
    flowering: pd.DataFrame,
    read_lines: Callable[[Path], list[Row]],
    tmp_path: Path,
    world: World,
    as_of: date,
) -> None:
    """Just after a change, on the day of one, at the end of all: the flares are the invention's."""
    made = invent_practice(weather, flowering, world=world, seed=as_of.day, as_of=as_of)
    raw = write_raw_exports(made, tmp_path)
    assert (
        (raw.truth["kind"] == "itch flare").sum()
        == (made.visits["kind"] == "itch flare").sum()
        > 500
    )
    assert raw.recoding.first_file is not None
    assert raw.files[-1].name.startswith("new") == (as_of.year >= 2021)
    last = max(row["entered"] for row in read_lines(raw.files[-1]))
    assert last.date() <= as_of


def test_before_the_changes_there_is_no_sign_of_them(
    weather: xr.Dataset, flowering: pd.DataFrame, raw: RawExports, tmp_path: Path
) -> None:
    """One system, one layout, no care plan; and another seed writes other files."""
    made = invent_practice(weather, flowering, world="none", seed=4, as_of=date(2019, 5, 20))
    early = write_raw_exports(made, tmp_path)
    assert [path.stem for path in early.files] == [f"old_system_{y}" for y in (2017, 2018, 2019)]
    assert [path.stem for path in early.layouts] == ["old_system"]
    assert early.recoding.first_file is None
    assert (early.truth["kind"] == "itch flare").sum() > 300
    assert early.files[0].read_bytes() != raw.files[0].read_bytes()
