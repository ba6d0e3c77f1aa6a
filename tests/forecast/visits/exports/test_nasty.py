"""Nasty exports, each named after its sin: exactly these rows, findings and counts.

The expectations were worked out by hand from the files, which are a few lines each.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from forecast.visits.exports.export import GatheredExport, read_export
from forecast.visits.exports.gathering import combine
from forecast.visits.exports.layout import Layout, LayoutError, load_layouts, parse_layout

NASTY = Path(__file__).parent / "nasty"
BRANCHES = {"high": "High Street", "low": "Low Road"}
TODAY = date(2024, 5, 31)
# What was set apart is 0 unless a file says otherwise.
TESTS = "lines of test patients"
OTHERS = "lines of other species"
MOVED = "lines given to the patient number that stays"
SUPERSEDED = "lines superseded by a later entry"
VOIDED = "voided lines"
TAKEN_BACK = "lines taken back"
GONE = "visits voided or taken back as a whole"
SALES = "sales and fees for which nobody was seen"
HOMELESS = "lines without a patient on an invoice for several"

# Said where no item of a visit tells whether anyone was seen, as none has a class.
UNTOLD = ("note", "not known whether anyone was seen", None)

Visit = tuple[str, str, str, str, tuple[str, ...], int]  # reference, day, branch, patient, items, n


@dataclass(frozen=True)
class Expected:
    """What comes of a file."""

    visits: list[Visit]
    n_read: int
    n_left_out: int = 0
    findings: list[tuple[str, str, int | None]] = field(default_factory=list)
    tally: dict[str, int] = field(default_factory=dict)
    layout: str = "front_desk"


SKIN, VACCINATION, EARS = ("Skin consult",), ("Vaccination",), ("Ear drops",)
EXPECTED = {
    "semicolons_and_decimal_commas.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", ("Cone, size 2", "Skin consult"), 2),
            ("R2/P-2/2024", "2024-05-14", "low", "P-2", VACCINATION, 1),
        ],
        n_read=3,
    ),
    "one_invoice_three_dogs.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R1/P-2/2024", "2024-05-13", "high", "P-2", VACCINATION, 1),
            ("R1/P-3/2024", "2024-05-13", "high", "P-3", VACCINATION, 1),
            # the lead belongs to the only dog of its invoice
            ("R2/P-4/2024", "2024-05-14", "high", "P-4", ("Lead", "Vaccination"), 2),
            ("R3/2024", "2024-05-15", "high", "", ("Dry food 2 kg",), 1),
        ],
        n_read=7,
        findings=[UNTOLD, ("warning", "line without a patient on an invoice for several", 5)],
        tally={HOMELESS: 1},
    ),
    "voided_then_reopened.csv": Expected(
        [
            # the first day, the last state: the ear drops did not come back
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", ("Shampoo", "Skin consult"), 2),
            ("R3/P-3/2024", "2024-05-13", "high", "P-3", VACCINATION, 1),
        ],
        n_read=10,
        tally={SUPERSEDED: 4, VOIDED: 3, GONE: 1},
    ),
    "merged_patients.csv": Expected(
        [
            ("R1/P-12/2024", "2024-05-13", "high", "P-12", SKIN, 1),
            ("R2/P-12/2024", "2024-05-14", "high", "P-12", VACCINATION, 1),
            ("R3/P-12/2024", "2024-05-15", "high", "P-12", ("Ear drops", "Vaccination"), 2),
        ],
        n_read=4,
        findings=[("note", "merged patients", None)],
        tally={MOVED: 2},
    ),
    "totals_below.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R2/P-2/2024", "2024-05-14", "high", "P-2", VACCINATION, 1),
        ],
        n_read=2,
        findings=[
            ("note", "line below the table", 8),
            ("note", "line below the table", 9),
            ("note", "lines above the headings", None),
        ],
    ),
    "utf16_from_a_spreadsheet.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R2/P-2/2024", "2024-05-14", "low", "P-2", VACCINATION, 1),
        ],
        n_read=2,
    ),
    "workbook_with_title_lines.xlsx": Expected(
        [
            ("1002/12/2024", "2024-05-04", "low", "12", VACCINATION, 1),
            ("1001/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
        ],
        n_read=3,
        findings=[
            ("note", "line below the table", 9),
            ("note", "lines above the headings", None),
            ("note", "sheets not read", None),
        ],
        tally={VOIDED: 1, GONE: 1},
    ),
    "test_patients.csv": Expected(
        [("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1)],
        n_read=4,
        # their 31 February is nobody's fault
        findings=[("note", "test patients left out", None)],
        tally={TESTS: 3},
    ),
    "other_species.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R1/P-2/2024", "2024-05-13", "high", "", VACCINATION, 1),
            ("R2/P-3/2024", "2024-05-14", "high", "P-3", VACCINATION, 1),
            ("R3/P-4/2024", "2024-05-14", "high", "P-4", VACCINATION, 1),
            # two invoices of one rabbit on one day
            ("R4/P-5/2024", "2024-05-14", "high", "", ("Vaccination", "Worm tablet"), 2),
        ],
        n_read=6,
        findings=[("note", "other species", None)],
        tally={OTHERS: 3},
        layout="other_species",
    ),
    "invoice_number_reused_by_two_branches.csv": Expected(
        [
            ("17/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("17/P-1/2024", "2024-05-13", "low", "P-1", VACCINATION, 1),
            ("17/P-2/2024", "2024-05-13", "low", "P-2", VACCINATION, 1),
        ],
        n_read=3,
    ),
    "number_given_out_anew.csv": Expected(
        [
            ("17/P-1/2023", "2023-05-13", "high", "P-1", SKIN, 1),
            ("17/P-1/2024", "2024-02-13", "high", "P-1", VACCINATION, 1),
            ("17/P-1/2024/2024-05-20", "2024-05-20", "high", "P-1", ("Ear drops", "Shampoo"), 2),
        ],
        n_read=4,
        findings=[UNTOLD],
    ),
    "negative_line_cancels.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            # two were taken back where one was given: it stays, and the oddity is said
            ("R4/P-3/2024", "2024-05-14", "high", "P-3", VACCINATION, 1),
        ],
        n_read=8,
        findings=[("note", "negative, and takes nothing back", None)],
        tally={TAKEN_BACK: 4, GONE: 2},
    ),
    "two_digit_years.csv": Expected(
        [
            ("R1/P-1/1999", "1999-12-31", "high", "P-1", SKIN, 1),
            ("R2/P-2/2003", "2003-02-01", "high", "P-2", VACCINATION, 1),
            ("R3/P-3/2024", "2024-05-13", "high", "P-3", VACCINATION, 1),
        ],
        n_read=4,
        n_left_out=1,
        findings=[("error", "day lies in the future", 5)],
    ),
    "deleted_code.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", ("C-20", "Skin consult"), 2),
            ("R2/P-2/2024", "2024-05-14", "high", "P-2", ("(deleted)", "C-77"), 2),
            ("R3/P-3/2024", "2024-05-15", "high", "P-3", (), 1),
        ],
        n_read=5,
        findings=[UNTOLD],
        layout="deleted_code",
    ),
    "change_of_system_a.csv": Expected(
        [
            ("R1/P-12/2024", "2024-05-13", "high", "P-12", SKIN, 1),
            ("R2/P-1/2024", "2024-05-14", "high", "P-1", VACCINATION, 1),
            ("R3/P-12/2024", "2024-05-15", "high", "P-12", EARS, 1),
        ],
        n_read=3,
        findings=[UNTOLD, ("note", "merged patients", None)],
        tally={MOVED: 1},
    ),
    "change_of_system_b.csv": Expected(
        [
            ("v-1/P-12/2024", "2024-05-15", "high", "P-12", ("EAR DROPS 10 ML",), 1),
            ("v-2/P-12/2024", "2024-05-16", "high", "P-12", ("RECHECK 15",), 1),
            ("v-3/P-1/2024", "2024-05-16", "high", "P-1", ("VACC ANNUAL",), 1),
        ],
        n_read=3,
        findings=[UNTOLD, ("note", "merged patients", None)],
        tally={MOVED: 3},
        layout="change_of_system_b",
    ),
    "stray_quote.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R2/P-2/2024", "2024-05-14", "high", "P-2", ('Collar 12" soft',), 1),
            ("R3/P-3/2024", "2024-05-15", "high", "P-3", VACCINATION, 1),
            ("R4/P-4/2024", "2024-05-16", "high", "P-4", VACCINATION, 1),
            ("R5/P-5/2024", "2024-05-17", "high", "P-5", VACCINATION, 1),
        ],
        n_read=5,
        findings=[UNTOLD, *(("warning", "stray quotation mark", row) for row in (2, 3, 4))],
    ),
    "line_breaks_in_notes.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R2/P-2/2024", "2024-05-14", "high", "P-2", VACCINATION, 1),
        ],
        n_read=3,
        n_left_out=1,
        # the third record is row 4 of a spreadsheet, though it is line 7 of the text
        findings=[("error", "not a day of the calendar", 4)],
    ),
    "ragged_lines.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R5/P-5/2024", "2024-05-17", "high", "P-5", VACCINATION, 1),
        ],
        n_read=5,
        n_left_out=3,
        findings=[("error", "wrong number of cells", row) for row in (3, 4, 5)],
    ),
    "cp1252_umlauts.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R2/P-2/2024", "2024-05-14", "low", "P-2", ("Gebühr €",), 1),
        ],
        n_read=2,
        findings=[UNTOLD, ("note", "encoding", None)],
    ),
    "dates_with_times_and_zones.csv": Expected(
        [
            ("R5/P-5/2023", "2023-10-16", "high", "P-5", VACCINATION, 1),
            # half past eleven at night in Greenwich is the next morning in Seoul
            ("R1/P-1/2024", "2024-05-14", "high", "P-1", SKIN, 1),
            ("R2/P-2/2024", "2024-05-14", "high", "P-2", VACCINATION, 1),
            ("R3/P-3/2024", "2024-05-14", "high", "P-3", VACCINATION, 1),
            ("R4/P-4/2024", "2024-05-15", "high", "P-4", VACCINATION, 1),
        ],
        n_read=6,
        n_left_out=1,
        findings=[("error", "not a day of the calendar", 7), ("warning", "not a time", 6)],
        layout="dates_with_times_and_zones",
    ),
    "same_visit_twice.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", ("Dry food 2 kg", "Skin consult"), 3),
            ("R3/P-1/2024", "2024-05-14", "high", "P-1", EARS, 1),
        ],
        n_read=4,
        findings=[UNTOLD],
    ),
    "sold_at_the_desk.csv": Expected(
        [
            # food on the day of a visit is part of it, whichever invoice it stands on
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", ("Dry food 2 kg", "Skin consult"), 2),
            # what has no class leaves open whether anyone was seen, and counts
            ("R5/P-5/2024", "2024-05-15", "high", "P-5", ("Dry food 2 kg", "Sundry"), 2),
        ],
        n_read=8,
        findings=[UNTOLD, ("note", "nobody was seen", None)],
        tally={SALES: 3},
        layout="sold_at_the_desk",
    ),
    "export_pasted_twice.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 2),
            ("R2/P-2/2024", "2024-05-14", "high", "P-2", VACCINATION, 2),
        ],
        n_read=4,
        findings=[("note", "headings repeated", None)],
    ),
    "unknown_branch_and_status.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R5/P-5/2024", "2024-05-14", "high", "P-5", VACCINATION, 1),
        ],
        n_read=5,
        n_left_out=3,
        findings=[
            ("error", "neither visit nor patient", 5),
            ("error", "unknown branch", 3),
            ("error", "unknown branch", 4),
            ("error", "unknown status", 4),
            ("warning", "not a number", 6),
        ],
    ),
    "future_and_too_old_days.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R5/P-5/2024", "2024-05-15", "high", "P-5", VACCINATION, 1),
        ],
        n_read=5,
        n_left_out=3,
        findings=[
            ("error", "day is too old", 4),
            ("error", "day lies in the future", 3),
            ("error", "value is missing", 5),
            ("warning", "day lies in the future", 6),
        ],
    ),
    "empty_and_doubled_columns.csv": Expected(
        [
            ("R1/P-1/2024", "2024-05-13", "high", "P-1", SKIN, 1),
            ("R2/P-2/2024", "2024-05-14", "high", "P-2", VACCINATION, 1),
            ("R3/P-3/2024", "2024-05-15", "high", "P-3", VACCINATION, 1),
        ],
        n_read=3,
        findings=[("note", "heading stands twice", None)],
    ),
}
REFUSED = {"day_and_month_undecidable.csv", "spreadsheet_serial_dates.csv"}


def layout_of(name: str) -> Layout:
    """Return a layout that is kept beside the files."""
    return parse_layout(
        (NASTY / f"{name}.toml").read_text(encoding="utf-8"), f"layouts/{name}.toml"
    )


def read(file: str, *layouts: Layout) -> GatheredExport:
    content = (NASTY / file).read_bytes()
    return read_export(content, file, layouts=layouts, branches=BRANCHES, today=TODAY)


def told(visits: pd.DataFrame) -> list[Visit]:
    columns = ["reference", "date", "branch", "patient", "items", "n_lines"]
    return [
        (row.reference, f"{row.date:%Y-%m-%d}", row.branch, row.patient, row.items, row.n_lines)
        for row in visits[columns].itertuples()
    ]


@pytest.mark.parametrize("file", EXPECTED)
def test_a_nasty_file_gives_exactly_these_visits_findings_and_counts(file):
    """Nothing is lost, nothing invented, and every row that stays out is named."""
    expected = EXPECTED[file]
    found = read(file, layout_of(expected.layout))
    assert told(found.visits) == expected.visits
    assert sorted((f.severity, f.check, f.row) for f in found.findings) == sorted(
        expected.findings, key=lambda f: (f[0], f[1], f[2] or 0)
    )
    assert (found.n_read, found.n_left_out) == (expected.n_read, expected.n_left_out)
    assert {reason: n for reason, n in found.tally.items() if n} == expected.tally
    assert all(finding.file == file for finding in found.findings)


def test_every_nasty_file_is_expected_to_give_something():
    """A file that nobody expects anything of would prove nothing."""
    there = {path.name for path in NASTY.iterdir() if path.suffix != ".toml"}
    assert there == set(EXPECTED) | REFUSED
    assert len(there) >= 20


def test_the_first_entry_is_kept_and_notes_are_joined():
    """The stamp of the first edition tells when the visit became known."""
    visits = read("voided_then_reopened.csv", layout_of("front_desk")).visits.set_index("reference")
    assert visits.loc["R1/P-1/2024", "entered"] == pd.Timestamp("2024-05-13 10:00")
    visits = read("line_breaks_in_notes.csv", layout_of("front_desk")).visits
    assert visits["note"].tolist() == [
        "itchy since May\nears red; licks paws\n\nno fleas",
        "",
    ]


def test_letters_come_through_whatever_the_encoding():
    """Typographic quotes, umlauts, a dash and the euro sign."""
    visits = read("utf16_from_a_spreadsheet.csv", layout_of("front_desk")).visits
    assert visits["note"].tolist() == ["Zoë’s ears: „rot“", ""]  # noqa: RUF001
    visits = read("cp1252_umlauts.csv", layout_of("front_desk")).visits
    assert visits["note"].tolist() == ["Juckreiz an Ohren – größer als früher", ""]  # noqa: RUF001
    visits = read("stray_quote.csv", layout_of("front_desk")).visits
    assert visits["note"].tolist() == [
        '"itchy',
        "",
        'owner says "itchy" at night',
        'says "no itch"',
        "",
    ]


def test_a_deleted_code_stays_as_it_is_written_and_is_not_known():
    """A code of the layout is classed; one no list holds any more is unmapped, not "other"."""
    found = read("deleted_code.csv", layout_of("deleted_code"))
    assert found.unmapped.to_dict() == {"(deleted)": 1, "C-77": 1}
    assert found.visits["item_classes"].tolist() == [
        ("ear therapy", "skin consultation"),
        (),
        (),
    ]
    assert found.visits["codes"].tolist() == [("C-10", "C-20"), ("C-77", "C-78"), ()]
    assert found.visits["unmapped"].fillna(-1).tolist() == [0.0, 1.0, -1.0]


def test_a_visit_that_both_systems_hold_counts_once():
    """Other numbers, other strings, the same dog on the same day at the same branch."""
    old = read("change_of_system_a.csv", layout_of("front_desk")).visits
    new = read("change_of_system_b.csv", layout_of("change_of_system_b")).visits
    both = combine([old, new])
    assert told(both) == [
        ("R1/P-12/2024", "2024-05-13", "high", "P-12", SKIN, 1),
        ("R2/P-1/2024", "2024-05-14", "high", "P-1", VACCINATION, 1),
        ("R3/P-12/2024", "2024-05-15", "high", "P-12", ("EAR DROPS 10 ML", "Ear drops"), 2),
        ("v-2/P-12/2024", "2024-05-16", "high", "P-12", ("RECHECK 15",), 1),
        ("v-3/P-1/2024", "2024-05-16", "high", "P-1", ("VACC ANNUAL",), 1),
    ]
    assert both["note"].tolist() == ["itchy", "", "ears red", "better", ""]
    pd.testing.assert_frame_equal(combine([new, old]), both)


def test_an_undecidable_order_of_day_and_month_is_asked_and_never_guessed():
    """The sentence names the line to fill in; with the answer the file is read."""
    open_layout = parse_layout(
        layout_of("front_desk").text.replace('"day month year"', '""'), "layouts/front_desk.toml"
    )
    file = "day_and_month_undecidable.csv"
    with pytest.raises(LayoutError) as refused:
        read(file, open_layout)
    sentence = str(refused.value)
    assert sentence.startswith("layouts/front_desk.toml line 2: column 'Date'")
    assert '"day month year" or "month day year"' in sentence
    # either way the three days run forward: the hint does not help, and it is none more than one
    assert "100 % as 'day month year' and 100 % as 'month day year'" in sentence
    days = [visit[1] for visit in told(read(file, layout_of("front_desk")).visits)]
    assert days == ["2024-04-03", "2024-04-05", "2024-05-05"]
    american = replace(open_layout, day_order="month day year")
    days = [visit[1] for visit in told(read(file, american).visits)]
    assert days == ["2024-03-04", "2024-05-04", "2024-05-05"]


def test_serial_numbers_of_spreadsheets_are_asked_and_then_read():
    """45292 is the first of January 2024, so 45425 is 133 days later."""
    file = "spreadsheet_serial_dates.csv"
    with pytest.raises(LayoutError, match=r"45425.*2024-05-13.*day_order = \"serial\""):
        read(file, layout_of("front_desk"))
    visits = read(file, replace(layout_of("front_desk"), day_order="serial")).visits
    assert visits["date"].dt.strftime("%Y-%m-%d").tolist() == ["2024-05-13", "2024-05-14"]
    assert visits["entered"].dt.hour.tolist() == [10, 10]


def test_of_all_layouts_kept_the_one_that_fits_is_found():
    """Those of the folder that name a column the file lacks are passed over."""
    layouts = load_layouts(NASTY)
    assert len(layouts) == 6
    assert read("change_of_system_b.csv", *layouts).layout.name == "new system"
    with pytest.raises(LayoutError, match="fits more than one layout"):
        read("other_species.csv", *layouts)
