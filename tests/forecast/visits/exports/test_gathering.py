"""Gathering: which lines stand, and which of them are one visit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from forecast.visits.exports.gathering import Gathered, combine, gather
from forecast.visits.exports.lines import Lines

TEXTS = (
    *("visit", "branch", "patient", "vet", "item", "item_class", "code", "note", "status"),
    *("species", "postcode", "client"),
)
USUAL = {"visit": "R1", "branch": "high", "patient": "P-1", "item": "Consult", "status": "counts"}


def lines(*rows: dict[str, object]) -> Lines:
    """Build typed lines; a row says what is unlike the usual."""
    frame = pd.DataFrame([USUAL | row for row in rows]).astype(object)
    for name in TEXTS:
        given = frame[name].fillna("") if name in frame else ""
        frame[name] = pd.Series(given, index=frame.index, dtype=object).astype("category")
    day = frame.get("date", "2024-05-13")
    frame["date"] = pd.to_datetime(pd.Series(day, index=frame.index).fillna("2024-05-13"))
    entered = frame.get("entered")
    frame["entered"] = pd.to_datetime(pd.Series(entered, index=frame.index, dtype=object))
    for name in ("quantity", "amount", "minutes"):
        values = frame.get(name, np.nan)
        frame[name] = pd.Series(values, index=frame.index, dtype=float)
    frame = frame.astype({"date": "datetime64[s]", "entered": "datetime64[s]"})
    return Lines("l.csv", frame.set_index(pd.RangeIndex(2, len(frame) + 2)), [], len(frame), 0)


def gathered(*rows: dict[str, object]) -> Gathered:
    found = gather(lines(*rows))
    counts = {reason: n for reason, n in found.tally.items() if n}
    return Gathered(found.visits, found.findings, counts)


def items(found: Gathered) -> dict[str, tuple[str, ...]]:
    return dict(zip(found.visits["reference"], found.visits["items"], strict=True))


def test_lines_of_a_visit_become_one_row_of_it():
    """Texts once and sorted, the first of what is one of a kind, notes in order of entry."""
    found = gathered(
        {"item": "B", "code": "2", "note": "second", "entered": "2024-05-13 11:00", "client": "K1"},
        {"item": "A", "note": "first", "entered": "2024-05-13 10:00", "vet": "v", "postcode": "01"},
        {
            "item": "A",
            "note": "first",
            "entered": "2024-05-13 12:00",
            "vet": "w",
            "item_class": "food",
        },
    )
    assert len(found.visits) == 1
    row = found.visits.iloc[0]
    assert row["items"] == ("A", "B")
    assert row["codes"] == ("2",)
    assert row["item_classes"] == ("food",)
    assert row["note"] == "first\nsecond"
    assert (row["vet"], row["postcode"], row["client"]) == ("v", "01", "K1")
    assert row["entered"] == pd.Timestamp("2024-05-13 10:00")
    assert (row["n_lines"], row["unmapped"]) == (3, 0.5)


def test_without_a_visit_number_a_patient_s_day_is_the_visit():
    """Day and patient name it; a patient without a number cannot come up here."""
    found = gathered(
        {"visit": "", "item": "A"},
        {"visit": "", "item": "B"},
        {"visit": "", "item": "C", "date": "2024-05-14"},
        {"visit": "", "item": "D", "branch": "low"},
    )
    assert found.visits[["reference", "branch"]].values.tolist() == [
        ["2024-05-13/P-1", "high"],
        ["2024-05-13/P-1", "low"],
        ["2024-05-14/P-1", "high"],
    ]


# ------------------------------------------------------------------------------ voiding, reopening
def test_a_voided_line_falls_away_and_a_wholly_voided_visit_with_it():
    """Where each line is listed once, with the state it ended in."""
    found = gathered(
        {"item": "A"},
        {"item": "B", "status": "voided"},
        {"visit": "R2", "patient": "P-2", "status": "voided"},
    )
    assert items(found) == {"R1/P-1/2024": ("A",)}
    assert found.tally == {"voided lines": 2, "visits voided or taken back as a whole": 1}


def test_a_line_voided_on_a_later_day_takes_its_first_entry_along():
    """Where every state of a line is listed: of four lines one was voided the next day."""
    entered = {"entered": "2024-05-13 10:00"}
    found = gathered(
        *[{"item": item, **entered} for item in "ABCD"],
        {"item": "B", "status": "voided", "entered": "2024-05-14 09:00"},
    )
    assert items(found) == {"R1/P-1/2024": ("A", "C", "D")}


def test_a_second_line_of_a_kind_voided_on_the_same_day_leaves_the_first():
    """A slip corrected at the desk: one of two equal lines."""
    found = gathered(
        {"item": "A", "entered": "2024-05-13 10:00"},
        {"item": "A", "entered": "2024-05-13 10:01", "status": "voided"},
    )
    assert items(found) == {"R1/P-1/2024": ("A",)}


def test_a_void_without_an_item_is_of_the_whole_invoice():
    """For the patient it names, or for all where it names none; what came later stands."""
    day = {"entered": "2024-05-13 10:00"}
    void = {"item": "", "status": "voided", "entered": "2024-05-14 09:00"}
    found = gathered(day, {"patient": "P-2", **day}, {**void, "patient": "P-2"})
    assert list(items(found)) == ["R1/P-1/2024"]
    found = gathered(day, {"patient": "P-2", **day}, {**void, "patient": ""})
    assert items(found) == {}
    found = gathered(day, void, {"item": "Later", "entered": "2024-05-15 09:00"})
    assert items(found) == {"R1/P-1/2024": ("Later",)}


def test_visits_listed_one_a_row_are_voided_and_reopened_by_their_states():
    """Without stamps a reopening comes last, whatever the order of the rows."""
    states = [{"item": "", "status": status} for status in ("counts", "voided", "reopened")]
    for order in ([0, 1, 2], [2, 1, 0], [1, 0, 2]):
        assert len(gathered(*[states[at] for at in order]).visits) == 1
        assert len(gathered(*[states[at] for at in order if at < 2]).visits) == 0


def test_an_invoice_entered_again_stands_in_place_of_the_first_one():
    """Most items come again on a later day, without a word for it; the day stays the first."""
    first, again = {"entered": "2024-05-13 10:00"}, {"entered": "2024-05-16 10:00"}
    found = gathered(
        *[{"item": item, **first} for item in "ABC"],
        *[{"item": item, "date": "2024-05-16", **again} for item in "ABD"],
    )
    assert items(found) == {"R1/P-1/2024": ("A", "B", "D")}
    assert found.visits["date"].tolist() == [pd.Timestamp("2024-05-13")]
    assert found.tally == {"lines superseded by a later entry": 3}


def test_a_stay_of_several_days_adds_its_lines():
    """Half of the first day's items come again: that is no new edition of the invoice."""
    found = gathered(
        {"item": "A", "entered": "2024-05-13 10:00"},
        {"item": "Bed", "entered": "2024-05-13 10:00"},
        {"item": "Bed", "entered": "2024-05-14 10:00", "date": "2024-05-14"},
        {"item": "C", "entered": "2024-05-15 10:00", "date": "2024-05-15"},
    )
    assert items(found) == {"R1/P-1/2024": ("A", "Bed", "C")}
    assert found.visits["n_lines"].tolist() == [4]


def test_an_invoice_that_stays_reopened_over_days_keeps_all_its_lines():
    """The word stands on every line: only its first coming takes the place of what was there."""
    found = gathered(
        {"item": "A", "entered": "2024-05-13 10:00"},
        {"item": "B", "entered": "2024-05-14 10:00", "status": "reopened"},
        {"item": "C", "entered": "2024-05-15 10:00", "status": "reopened"},
    )
    assert items(found) == {"R1/P-1/2024": ("B", "C")}


# --------------------------------------------------------------------------------- taking back
def test_a_negative_line_takes_back_the_equal_one_of_its_visit():
    """By quantity, or by amount where the quantity tells nothing; a discount takes nothing."""
    found = gathered(
        {"item": "A", "quantity": 2, "amount": 10},
        {"item": "A", "quantity": -2, "amount": -10},
        {"item": "B", "quantity": 1, "amount": 10, "item_class": "vaccination"},
        {"item": "B", "quantity": 1, "amount": -4, "item_class": "vaccination"},
        {"item": "C", "amount": 7},
        {"item": "C", "amount": -7},
    )
    assert items(found) == {"R1/P-1/2024": ("B",)}
    assert found.tally == {"lines taken back": 4}
    assert [f.found.split()[0] for f in found.findings] == ["1"]


def test_a_credit_note_takes_back_the_last_equal_line_before_it():
    """Of the same patient and branch; a later one is left alone."""
    sold = {"item": "A", "quantity": 1}
    found = gathered(
        {"visit": "R1", "date": "2024-05-01", **sold},
        {"visit": "R2", "date": "2024-05-02", **sold},
        {"visit": "R3", "date": "2024-05-03", **sold, "quantity": -1},
        {"visit": "R4", "date": "2024-05-04", **sold},
        {"visit": "R5", "date": "2024-05-02", **sold, "patient": "P-2"},
        {"visit": "R6", "date": "2024-05-02", **sold, "branch": "low"},
    )
    assert list(items(found)) == ["R1/P-1/2024", "R5/P-2/2024", "R6/P-1/2024", "R4/P-1/2024"]


# ------------------------------------------------------------------------------ one visit or two
@pytest.mark.parametrize(("apart", "n_visits"), [(30, 1), (31, 2)])
def test_a_number_that_comes_again_after_30_days_is_another_visit(apart, n_visits):
    """The limit stands in export_rules.toml."""
    later = pd.Timestamp("2024-01-01") + pd.Timedelta(days=apart)
    found = gathered({"date": "2024-01-01"}, {"date": f"{later:%Y-%m-%d}"})
    assert len(found.visits) == n_visits
    assert found.visits["reference"].is_unique


def test_two_invoices_of_a_dog_on_one_day_are_one_visit():
    """At another branch they are two: somebody was seen twice."""
    found = gathered(
        {"visit": "R2", "item": "Food"},
        {"visit": "R1", "item": "Consult"},
        {"visit": "R3", "item": "Consult", "branch": "low"},
    )
    assert items(found) == {"R1/P-1/2024": ("Consult", "Food"), "R3/P-1/2024": ("Consult",)}


def test_nobody_s_invoices_stay_apart():
    """Two sales over the counter on one day are two."""
    found = gathered({"visit": "R1", "patient": ""}, {"visit": "R2", "patient": ""})
    assert list(items(found)) == ["R1/2024", "R2/2024"]
    assert found.visits["patient"].tolist() == ["", ""]


def test_an_animal_is_of_another_species_only_if_all_its_lines_say_so():
    """A dog entered once as a cat is still a dog."""
    found = gathered(
        {"species": "dog"},
        {"species": "other"},
        {"patient": "P-2", "species": "other"},
    )
    assert found.visits[["patient", "animal"]].values.tolist() == [["P-1", "P-1"], ["", "P-2"]]


def test_no_line_that_counts_gives_no_visit():
    """An empty frame with all its columns."""
    found = gathered({"status": "voided"})
    assert found.visits.empty
    assert {"reference", "items", "n_lines", "unmapped"} <= set(found.visits.columns)


# ------------------------------------------------------------------------------------- combining
def test_the_same_reference_in_two_exports_is_one_visit_with_its_first_day():
    """Overlapping exports: what both hold is not doubled."""
    first = gathered({"item": "A", "note": "x"}, {"item": "B"}).visits
    second = gathered({"item": "B", "date": "2024-05-16", "note": "y"}).visits
    both = combine([first, second])
    assert both["items"].tolist() == [("A", "B")]
    assert both["date"].tolist() == [pd.Timestamp("2024-05-13")]
    assert both["note"].tolist() == ["x\ny"]
    assert both["n_lines"].tolist() == [2]
    pd.testing.assert_frame_equal(combine([first, first]), first)


def test_the_order_of_the_lines_does_not_matter():
    """A permuted frame gives the same visits."""
    rows = [
        {
            "visit": f"R{n % 7}",
            "patient": f"P-{n % 5}",
            "item": "ABC"[n % 3],
            "quantity": 1 - n % 2 * 2,
        }
        for n in range(40)
    ]
    expected = gather(lines(*rows)).visits
    for seed in range(5):
        order = np.random.default_rng(seed).permutation(len(rows))
        again = gather(lines(*[rows[at] for at in order])).visits
        pd.testing.assert_frame_equal(again, expected)


def test_where_all_is_sold_or_a_fee_nobody_was_seen():
    """A line of another class, of none, or with a note and no item: somebody may have been."""
    sold = {"item": "Bag 12 kg", "item_class": "food", "note": "sold at the desk"}
    found = gathered(
        {"visit": "food only"} | sold,
        {"visit": "food and fee", "patient": "P-2"} | sold,
        {"visit": "food and fee", "patient": "P-2", "item": "Fee", "item_class": "not a visit"},
        {"visit": "toy", "patient": "", "item": "Toy", "item_class": "shop sale"},
        {"visit": "seen", "patient": "P-3", "item_class": "consultation"},
        {"visit": "seen", "patient": "P-3"} | sold,
        {"visit": "no class", "patient": "P-4", "item": "Sundry"},
        {"visit": "no class", "patient": "P-4"} | sold,
        {"visit": "none has", "patient": "P-5", "item": "Sundry"},
        {"visit": "noted", "patient": "P-6", "item": "", "note": "ears sore"},
        {"visit": "noted", "patient": "P-6"} | sold,
    )
    assert sorted(found.visits["animal"]) == ["P-3", "P-4", "P-5", "P-6"]
    assert found.tally == {"sales and fees for which nobody was seen": 3}
    said = {f.check: f.found.split()[0] for f in found.findings}
    assert said == {"nobody was seen": "3", "not known whether anyone was seen": "2"}
    assert {f.severity for f in found.findings} == {"note"}


def test_a_sale_on_the_day_of_a_visit_is_part_of_it():
    """Two invoices of one patient's day are one visit, whichever was a sale."""
    found = gathered(
        {"visit": "R1", "item": "Skin", "item_class": "skin consultation"},
        {"visit": "R2", "item": "Bag 12 kg", "item_class": "food"},
    )
    assert items(found) == {"R1/P-1/2024": ("Bag 12 kg", "Skin")}
    assert not found.tally
