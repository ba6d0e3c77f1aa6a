"""The outbox keeps what is new or cited, and what somebody put there."""

from __future__ import annotations

from pathlib import Path

import pytest

from forecast.outbox import PAGES, drop_outboxes, old_outboxes
from forecast.practice import Practice
from models.parameters import load_table

NEWEST = int(load_table("forecast", "retention.toml").number("outbox.newest"))
ISSUES = [f"2026-{number:04d}" for number in range(NEWEST + 4)]  # oldest first


@pytest.fixture
def practice(small: Practice) -> Practice:
    for issue in ISSUES:
        fill(small.outbox_folder / issue)
    return small


def fill(folder: Path) -> None:
    folder.mkdir()
    for name in ("forecast.txt", "plans.csv", "fan.svg", "fan.png", "fan.png.part"):
        (folder / name).write_bytes(bytes(100))


def test_the_newest_and_those_cited_stay(practice):
    """Four are older than the newest; one of them is cited."""
    old = old_outboxes(practice, ISSUES, cited={ISSUES[1]})
    assert [path.name for path in old] == [ISSUES[0], ISSUES[2], ISSUES[3]]
    assert drop_outboxes(old) == 3 * 500
    assert sorted(path.name for path in practice.outbox_folder.iterdir()) == [
        ISSUES[1],
        *ISSUES[4:],
    ]
    assert old_outboxes(practice, ISSUES, cited={ISSUES[1]}) == []
    assert drop_outboxes(old) == 0


def test_what_is_not_ours_stays(practice):
    """A letter that somebody wrote into the folder of an issue, and a sample of visits beside."""
    folder = practice.outbox_folder / ISSUES[0]
    (folder / "letter.odt").write_text("to the owner")
    (practice.outbox_folder / "sample.xlsx").write_text("x")
    drop_outboxes(old_outboxes(practice, ISSUES, cited=()))
    assert [path.name for path in folder.iterdir()] == ["letter.odt"]
    assert (practice.outbox_folder / "sample.xlsx").exists()
    assert old_outboxes(practice, ISSUES, cited=()) == []


def test_in_a_practice_with_few_issues_nothing_goes(practice):
    """Thirty issues, or none at all."""
    assert old_outboxes(practice, ISSUES[:NEWEST], cited=()) == []
    assert old_outboxes(practice, [], cited=()) == []


def test_figures_of_pages_go_along(practice):
    """They are drawn again when they are asked for; the folder goes too."""
    pages = practice.outbox_folder / ISSUES[0] / PAGES
    pages.mkdir()
    (pages / "visits-north.wide.svg").write_bytes(b"x" * 20)
    (pages / "visits-north.wide.json").write_bytes(b"x" * 10)
    old = [practice.outbox_folder / ISSUES[0]]
    assert drop_outboxes(old) == 500 + 30
    assert not old[0].exists()
