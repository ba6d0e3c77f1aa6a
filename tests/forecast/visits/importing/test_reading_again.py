"""An import read again through a layout that was changed: all of it, or nothing."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pandas as pd
import pytest
from sqlalchemy import func, select

from forecast.privacy import erase_owner
from forecast.records import Records, RecordsError, tables
from forecast.records.imports import imported_files
from forecast.records.visits import arrivals, visits, visits_with_evidence
from forecast.visits import VisitError, import_again, import_therapies, import_visits, take_back
from forecast.visits.exports.layout import LayoutError
from forecast.visits.importing import visit_landing

SUNDRY = {"item": "SUNDRY 7", "note": "paws red"}
COUNTED = (tables.visit, tables.visit_case, tables.home, tables.dog, tables.owner)


def n_stored(records: Records) -> list[int]:
    with records.reading() as connection:
        return [connection.scalar(select(func.count()).select_from(table)) for table in COUNTED]


def edit(practice, old: str, new: str) -> None:
    path = practice.layouts_folder / "desk.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def add_item(practice, item: str, meant: str) -> None:
    edit(practice, "[items]\n", f'[items]\n"{item}" = "{meant}"\n')


def states(records: Records) -> dict[int, str]:
    return {f.id: f.state for f in imported_files(records) if f.subject == "visits"}


def later(practice, days: int):
    return replace(practice, now=practice.now + timedelta(days=days))


def test_a_new_class_reaches_an_earlier_import(practice, records, exporting):
    """Red paws are possible; with tablets against itch they are probable (definition.toml).

    The file came when it came: what was known when does not move.
    """
    import_visits(practice, records, exporting(SUNDRY, {"invoice": "R2", "patient": "P2"}))
    (first,) = states(records)
    before = n_stored(records)
    assert visits_with_evidence(records).set_index("reference").loc["R1/P1/2024", "unmapped"] == 1
    add_item(practice, "SUNDRY 7", "daily oral Janus-kinase inhibitor")
    report = import_again(later(practice, 3), records, first)
    assert states(records) == {first: "undone", report.import_id: "live"}
    assert n_stored(records) == before
    seen = visits_with_evidence(records).set_index("reference").loc["R1/P1/2024"]
    assert (seen["kind"], seen["certainty"], seen["unmapped"]) == ("itch flare", "probable", 0)
    came = {f.imported_at for f in imported_files(records) if f.subject == "visits"}
    assert came == {practice.now}
    assert arrivals(records)["imported_at"].nunique() == 1


def test_an_older_file_read_again_stays_older(practice, records, exporting):
    """The later file tells the visit anew and counts, whichever was read last."""
    import_visits(practice, records, exporting({"note": "old"}, file="old.csv"))
    (first,) = states(records)
    newer = later(practice, 1)
    import_visits(newer, records, exporting({"note": "new"}, file="new.csv"))
    import_again(later(practice, 2), records, first)
    assert visits_with_evidence(records)["note"].tolist() == ["new"]


def test_what_is_sold_is_no_visit_any_more(practice, records, exporting):
    """A class that says so takes the visit away, and the dog that nothing else tells of."""
    food = {"invoice": "R2", "patient": "P2", "item": "BAG 12"}
    import_visits(practice, records, exporting({}, food))
    (first,) = states(records)
    assert len(visits(records)) == 2
    add_item(practice, "BAG 12", "food")
    report = import_again(practice, records, first)
    assert visits(records)["reference"].tolist() == ["R1/P1/2024"]
    assert report.n_kept == 1


def test_a_layout_that_does_not_read_it_any_more_changes_nothing(practice, records, exporting):
    """Refused with the sentence of any import; what counted counts."""
    import_visits(practice, records, exporting({}))
    (first,) = states(records)
    edit(practice, '"Patient no"', '"Animal"')
    with pytest.raises(LayoutError, match="no layout fits"):
        import_again(practice, records, first)
    assert states(records) == {first: "live"}
    assert len(visits(records)) == 1


def test_a_reading_that_fails_on_the_way_changes_nothing(practice, records, exporting, monkeypatch):
    """The new rows are gone, the old ones count."""
    import_visits(practice, records, exporting({}, {"invoice": "R2", "patient": "P2"}))
    (first,) = states(records)
    before = n_stored(records)

    def fail(*_, **__):
        raise OSError("the disk is full")

    monkeypatch.setattr(visit_landing, "add_homes", fail)
    with pytest.raises(OSError, match="disk"):
        import_again(practice, records, first)
    assert states(records)[first] == "live"
    assert n_stored(records) == before


def test_two_who_read_it_again_at_once_leave_one_reading(practice, records, exporting, monkeypatch):
    """The second finds the import undone when it would take its place, and takes nothing."""
    import_visits(practice, records, exporting({}))
    (first,) = states(records)
    real = visit_landing.add_homes

    def meanwhile(*args, **options):
        monkeypatch.setattr(visit_landing, "add_homes", real)
        import_again(practice, records, first)
        real(*args, **options)

    monkeypatch.setattr(visit_landing, "add_homes", meanwhile)
    with pytest.raises(RecordsError, match="it is undone"):
        import_again(practice, records, first)
    assert sorted(states(records).values()) == ["live", "undone", "undone"]
    assert len(visits(records)) == 1


def test_visits_of_the_erased_are_handed_on(practice, records, exporting):
    """The raw file tells of them no more; their visits count all the same."""
    others = {"invoice": "R2", "patient": "P2", "client": "K2", "name": "Mo", "owner": "Bo"}
    import_visits(practice, records, exporting(SUNDRY, others))
    (first,) = states(records)
    erase_owner(practice, records, "K1")
    before = visits(records)[["date", "branch", "dog"]].sort_values("dog", ignore_index=True)
    add_item(practice, "CONS 2", "consultation")
    import_again(practice, records, first)
    after = visits(records)[["date", "branch", "dog"]].sort_values("dog", ignore_index=True)
    assert len(after) == 2
    assert before.equals(after)


def test_what_cannot_be_read_again_is_said(practice, records, exporting, write):
    """Another kind of file, one taken back, one whose raw file is gone, one that never was."""
    text = "dog,therapy,date,status\nD1,ciclosporin,2024-05-01,given\n"
    import_therapies(practice, records, write("t.csv", text))
    report = import_visits(practice, records, exporting({}))
    with pytest.raises(RecordsError, match="brought in therapies"):
        import_again(practice, records, report.import_id - 1)
    with pytest.raises(RecordsError, match="no such import"):
        import_again(practice, records, 99)
    for raw in practice.archive_folder.glob("*.csv.gz"):
        raw.unlink()
    with pytest.raises(VisitError, match=r"raw file is kept no longer .* export\.csv"):
        import_again(practice, records, report.import_id)
    take_back(records, report.import_id)
    with pytest.raises(RecordsError, match="it is undone"):
        import_again(practice, records, report.import_id)


def weeks_of(first: str, n_weeks: int, odd: int) -> list[dict[str, str]]:
    """Return ten visits a week: one flare, some with an item that the layout must tell of."""
    items = ["TABS", *["ODD"] * odd, *["CONS"] * (9 - odd)]
    return [
        {
            "invoice": f"{first}-{week}-{n}",
            "patient": f"{first}-{week}-{n}",
            "day": str(date.fromisoformat(first) + timedelta(days=7 * week + n % 5)),
            "item": item,
            "note": "" if item == "CONS" else "paws red",
        }
        for week in range(n_weeks)
        for n, item in enumerate(items)
    ]


def test_a_reading_that_would_be_held_is_refused_or_accepted(practice, records, exporting):
    """A wrong class makes flares of nine tenths of the visits: nothing changes.

    Accepted, it counts; why a person had to look stays on record.
    """
    import_visits(practice, records, exporting(*weeks_of("2022-01-03", 52, 0), file="past.csv"))
    new = exporting(*weeks_of("2023-01-02", 30, 8), file="new.csv")
    report = import_visits(practice, records, new)
    assert report.held_because, "items without a class"
    add_item(practice, "ODD", "topical skin therapy")
    read = import_again(practice, records, report.import_id)
    assert not read.held_because
    assert states(records)[read.import_id] == "live"
    edit(practice, '"ODD" = "topical skin therapy"', '"ODD" = "ciclosporin"')
    with pytest.raises(VisitError, match=r"would be held, as flares are .* Nothing was changed"):
        import_again(practice, records, read.import_id)
    assert states(records)[read.import_id] == "live"
    taken = import_again(practice, records, read.import_id, accept=True)
    assert states(records)[taken.import_id] == "live"
    assert imported_files(records)[-1].held_because
    new_year = visits(records)["date"] >= pd.Timestamp("2023-01-01")
    assert (visits(records)["kind"][new_year] == "itch flare").sum() == 30 * 9


def test_what_is_held_may_be_held_again(practice, records, exporting):
    """Nothing counted before, and nothing counts after: the newer reading waits for an answer."""
    import_visits(practice, records, exporting(*weeks_of("2022-01-03", 52, 0), file="past.csv"))
    new = exporting(*weeks_of("2023-01-02", 30, 8), file="new.csv")
    held = import_visits(practice, records, new)
    again = import_again(practice, records, held.import_id)
    assert again.held_because == held.held_because
    assert list(states(records).values()) == ["live", "undone", "held"]
    assert len(visits(records)) == 520
