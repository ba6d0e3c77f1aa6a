"""Notes and raw files go after the months that practice.toml says; what was counted stays."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from forecast.practice import Practice, open_practice
from forecast.privacy import forget_expired
from forecast.records.dogs import dog_ids
from forecast.records.entries import enter, take_back, taken_back_of
from forecast.records.plan_decisions import decisions
from forecast.records.visits import visits, visits_with_evidence


def keeping(practice: Practice, lines: str, **later: int) -> Practice:
    text = practice.settings_text.replace("[privacy]\n", f"[privacy]\n{lines}\n")
    practice.settings_file.write_text(text, encoding="utf-8")
    return open_practice(practice.folder, now=practice.now + timedelta(**later))


def notes(records) -> dict[str, str | None]:
    held = visits_with_evidence(records)
    return dict(zip(held["date"].dt.strftime("%Y-%m-%d"), held["note"], strict=True))


def test_nothing_is_forgotten_unless_it_is_asked_for(practice, records):
    """A practice that says nothing keeps all."""
    before = notes(records), sorted(practice.archive_folder.iterdir())
    later = replace(practice, now=practice.now + timedelta(days=4000))
    assert forget_expired(later, records).sentence == ""
    assert (notes(records), sorted(practice.archive_folder.iterdir())) == before


def test_notes_of_visits_older_than_that_go_and_their_verdicts_stay(practice, records):
    """Twelve months before 31 May 2024: the visit of 8 May 2023 is older, the others are not."""
    kinds = visits(records)
    done = forget_expired(keeping(practice, "notes_months = 12"), records)
    assert (done.n_notes, done.n_files) == (1, 0)
    assert done.sentence == "kept long enough and now forgotten: 1 notes"
    held = notes(records)
    assert held["2023-05-08"] is None
    assert held["2024-05-08"] == "vaccination"
    assert visits(records).equals(kinds)
    (declined,) = decisions(records)  # of 31 May 2023, the day the twelve months begin: kept
    assert declined.reason is not None
    forget_expired(keeping(practice, "notes_months = 12", days=1), records)
    (declined,) = decisions(records)
    assert (declined.state, declined.reason) == ("declined", None)
    assert forget_expired(keeping(practice, ""), records).n_notes == 0


def test_words_of_an_entry_that_was_taken_back_go_with_the_notes(practice, records):
    """By the day that it was of: 1 May 2023 is over twelve months ago, 8 May 2024 is not."""
    rex = dog_ids(records)["P1"]
    for day in (date(2023, 5, 1), date(2024, 5, 8)):
        told = {"therapy": "ciclosporin", "date": day, "sign": "hives"}
        with records.writing() as connection:
            rows = [("adverse_reaction", told)]
            entry = enter(connection, rex, rows, by="v", at=practice.now)
            done = {"by": "v", "at": practice.now, "reason": "a slip"}
            take_back(connection, entry, dog_id=rex, **done)
    forget_expired(keeping(practice, "notes_months = 12"), records)
    words = [
        (one.taken_back.in_words, one.taken_back.reason) for one in taken_back_of(records, rex)
    ]
    assert words == [(None, None), ("hives", "a slip")]


def test_raw_files_that_came_longer_ago_go_with_what_was_found_in_them(practice, records):
    """Two months after 31 May is 31 July: kept until then, gone the day after."""
    kept = keeping(practice, "archive_months = 2", days=61)
    assert kept.today.isoformat() == "2024-07-31"
    assert forget_expired(kept, records).n_files == 0
    done = forget_expired(replace(kept, now=kept.now + timedelta(days=1)), records)
    assert done.n_files == 6
    assert [path for path in practice.archive_folder.iterdir() if path.is_file()] == []
    assert len(visits(records)) == 4


def test_a_note_that_was_forgotten_leaves_no_byte_behind(practice, records):
    """What is deleted is overwritten, once the log of changes is taken in."""
    forget_expired(keeping(practice, "notes_months = 12"), records)
    records.forget_deleted(("visit",))
    if practice.settings.records is None:
        for path in practice.folder.glob("records.sqlite*"):
            assert b"Whitsun" not in path.read_bytes()
