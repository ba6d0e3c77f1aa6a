"""Looking at an export: what is proposed, what is asked, and what is never filled in unasked."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from forecast.visits.exports.export import read_export
from forecast.visits.exports.layout import LayoutError, item_classes, parse_layout
from forecast.visits.exports.looking import Look, look
from forecast.visits.exports.proposing import class_by_words

NASTY = Path(__file__).parent / "nasty"
BRANCHES = {"high": "High Street", "low": "Low Road"}
TODAY = date(2024, 5, 31)
ENGLISH = """\
Invoice no,Visit date,Entered at,Site,Patient ID,Patient,Species,Vet,Description,Code,Qty,Price,\
Clinical notes,Status,Client no,Client,Postcode,Room
R1,03/14/2024,03/14/2024 10:00,High Street,P-1,Rex,Dog,AB,Skin consultation 30,C1,1,45.50,itchy,\
Paid,K1,Quillfeather,0123,1
R1,03/14/2024,03/14/2024 10:00,High Street,P-1,Rex,Dog,AB,Ear cleaner,C2,1,12.00,,Paid,K1,\
Quillfeather,0123,1
R2,03/02/2024,03/02/2024 10:00,low road,P-2,Rex,Dog,CD,Mystery item,C3,2,1.00,,Void,K1,\
Quillfeather,0123,2
R3,03/02/2024,03/02/2024 11:00,low road,P-9,Test,Dog,CD,Vaccination,C4,1,30.00,,Paid,K2,\
Puddlewright,0124,2
"""
GERMAN = """\
Rechnungsnr.;Datum;Erfasst am;Filiale;Patientennummer;Patient;Tierart;Behandler;Leistung;Menge;\
Betrag;Bemerkungen;Status;Kundennummer;PLZ
1001;03.04.2024;03.04.2024 10:00;Low Road;77;Rex;Hund;AB;Hautkonsultation;1;45,50;Juckreiz;bezahlt;\
5;0123
1002;04.04.2024;04.04.2024 10:00;Mühlgasse;78;Mo;Hund;AB;Impfung;1;30,00;;storniert;6;0124
1003;05.04.2024;05.04.2024 10:00;Mühlgasse;78;Mo;Hund;AB;Beratung;1;30,00;;in Klärung;6;0124
"""


def looked(text: str, *layouts, branches=BRANCHES, name: str = "front desk.csv") -> Look:
    return look(
        text.encode(),
        name,
        layouts=layouts,
        branches=branches,
        today=TODAY,
        proposal_file="layouts/front-desk.toml",
    )


def test_an_english_export_is_understood_without_a_question():
    """Columns by their words and cells, the order of days and the mark by proof."""
    seen = looked(ENGLISH)
    layout = seen.layout
    assert layout.columns == {
        "visit": "Invoice no",
        "date": "Visit date",
        "entered": "Entered at",
        "branch": "Site",
        "patient": "Patient ID",
        "vet": "Vet",
        "item": "Description",
        "code": "Code",
        "quantity": "Qty",
        "amount": "Price",
        "note": "Clinical notes",
        "status": "Status",
        "species": "Species",
        "postcode": "Postcode",
        "client": "Client no",
        "patient_name": "Patient",
        "client_name": "Client",
    }
    assert (layout.day_order, layout.decimal, layout.language) == ("month day year", ".", "en")
    assert layout.rows == "lines"
    assert layout.branches == {"High Street": "high", "low road": "low"}
    assert layout.statuses == {"Paid": "counts", "Void": "voided"}
    assert layout.test_patients == ("Test",)
    assert seen.unused == ["Room"]
    assert seen.questions == []
    assert seen.is_proposed
    # R2 is voided, R3 a test: one visit is left
    assert seen.export.visits["reference"].tolist() == ["R1/P-1/2024"]


def test_the_text_of_a_proposal_reads_the_file_as_was_shown():
    """What is written to the layouts is what was looked at."""
    seen = looked(ENGLISH)
    layout = parse_layout(seen.layout.text, "layouts/front-desk.toml")
    assert layout == seen.layout
    again = looked(ENGLISH, layout)
    assert not again.is_proposed
    assert again.export.visits.equals(seen.export.visits)
    read = read_export(ENGLISH.encode(), "f.csv", layouts=[layout], branches=BRANCHES, today=TODAY)
    assert read.visits.equals(seen.export.visits)


def test_a_german_export_asks_what_it_does_not_tell():
    """The order of days, a branch that is none of ours, a status nobody knows."""
    seen = looked(GERMAN)
    layout = seen.layout
    assert layout.columns["visit"] == "Rechnungsnr."
    assert layout.columns["patient"] == "Patientennummer"
    assert layout.columns["patient_name"] == "Patient"
    assert layout.columns["vet"] == "Behandler"
    assert (layout.language, layout.decimal, layout.day_order) == ("de", ",", "")
    assert layout.branches == {"Mühlgasse": "", "Low Road": "low"}
    assert layout.statuses == {"bezahlt": "counts", "in Klärung": "", "storniert": "voided"}
    assert [question.key for question in seen.questions] == [
        ("day_order",),
        ("branches", "Mühlgasse"),
        ("statuses", "in Klärung"),
    ]
    assert seen.export is None
    first = seen.questions[0].asked(layout)
    assert first.startswith("layouts/front-desk.toml line 6: column 'Datum'")
    assert layout.text.splitlines()[5].startswith('day_order = ""  # TO BE ANSWERED')


def test_items_are_classed_where_plain_words_settle_it_and_listed_where_not():
    """By frequency; an unmapped string stands in the layout as a line to fill in."""
    seen = looked(ENGLISH)
    assert {item.text: item.item_class for item in seen.items} == {
        "Skin consultation 30": "skin consultation",
        "Ear cleaner": "ear therapy",
        "Mystery item": "",
        "Vaccination": "vaccination",
    }
    assert '# "Mystery item" = ""  # 1 lines' in seen.layout.text


@pytest.mark.parametrize(
    ("item", "kind"),
    [
        ("Skin consultation, 30 min", "skin consultation"),
        ("CONSULTATION", "consultation"),
        ("Post-op check", "post-operative check"),
        ("Hautkonsultation lang", "skin consultation"),
        ("Ohrreiniger 100 ml", "ear therapy"),
        ("Consultation before surgery", ""),  # one of two: not settled
        ("Shampoo", ""),
        ("Item 12", ""),
        ("", ""),
    ],
)
def test_words_settle_a_class_only_where_one_fits_best(item, kind):
    """The phrase of most words; a tie settles nothing."""
    assert class_by_words(item) == kind


def test_every_class_that_words_can_settle_is_a_class():
    """A table that names a class nobody knows would write layouts that cannot be read."""
    classes = {
        class_by_words(word) for word in ("castration", "dry food", "rabatt", "prednisolone tab")
    }
    assert classes <= set(item_classes())
    assert "" not in classes


def test_numbers_that_may_be_one_animal_are_suggested_and_never_merged():
    """The same owner and name under two numbers; the one with more lines stays."""
    seen = looked(ENGLISH)
    assert seen.perhaps_merged == {"P-2": "P-1"}
    assert '# "P-2" = "P-1"  # same owner and name' in seen.layout.text
    assert seen.layout.merged == {}


def test_a_file_without_a_day_or_patient_is_asked_for_the_heading():
    """Nothing else can be told before that."""
    seen = looked("Invoice;Site;Item\nR1;High Street;Vaccination\n")
    assert [question.key for question in seen.questions] == [("columns", "date")]
    assert "'Invoice', 'Site', 'Item'" in seen.questions[0].sentence
    assert 'date = ""  # TO BE ANSWERED' in seen.layout.text
    layout = parse_layout(seen.layout.text, "layouts/front-desk.toml")
    with pytest.raises(LayoutError, match=r"line \d+: \[columns\] date has no heading"):
        looked("Invoice;Site;Item\nR1;High Street;Vaccination\n", layout)


def test_a_column_of_days_is_found_even_without_a_telling_heading():
    """If it is the only one."""
    seen = looked("No;X;Patient no\n1;13.05.2024;P-1\n2;14.05.2024;P-2\n")
    assert seen.layout.columns["date"] == "X"


def test_one_branch_and_one_word_for_it_need_no_question():
    """With two branches the same word is asked, and the nearest is named."""
    text = "Invoice;Date;Site;Patient no\n1;13.05.2024;High St;P-1\n"
    assert looked(text, branches={"high": "High Street"}).layout.branches == {"High St": "high"}
    seen = looked(text)
    assert seen.layout.branches == {"High St": ""}
    assert "nearest is high" in seen.layout.text


def test_a_practice_without_branches_is_told_to_import_them():
    """The file is looked at all the same."""
    seen = looked("Invoice;Date;Site;Patient no\n1;13.05.2024;High St;P-1\n", branches={})
    assert "no branches yet" in seen.questions[0].sentence


def test_rows_that_are_visits_are_told_from_lines():
    """A visit number that never comes again, and no items."""
    head = "Visit no;Date;Site;Patient no\n"
    visits = "".join(f"{n};13.05.2024;High Street;P-{n}\n" for n in range(10))
    assert looked(head + visits).layout.rows == "visits"
    assert looked(head + visits + visits).layout.rows == "lines"


def test_a_file_of_our_own_format_needs_no_layout():
    """It is already classified."""
    seen = looked("visit,date,branch,dog,kind\nV1,2024-05-13,high,D1,recheck\n")
    assert seen.layout is None


def test_findings_are_told_by_kind_what_kept_rows_out_first():
    """With their number and the first one."""
    layout = parse_layout((NASTY / "front_desk.toml").read_text(encoding="utf-8"), "layouts/f.toml")
    seen = look(
        (NASTY / "ragged_lines.csv").read_bytes(),
        "r.csv",
        layouts=[layout],
        branches=BRANCHES,
        today=TODAY,
        proposal_file="",
    )
    assert [(k.severity, k.check, k.n, k.first.row) for k in seen.kinds] == [
        ("error", "wrong number of cells", 3, 3)
    ]


def test_no_example_names_anybody():
    """Names and notes are not shown."""
    seen = looked(ENGLISH)
    assert not {"patient_name", "client_name", "note"} & set(seen.examples)
    assert seen.examples["date"] == "03/14/2024"


def test_a_long_file_without_a_word_for_dog_is_asked_about():
    """Fifty rows of Perro and Gato; a short file of cats alone is read as it is."""
    head = "Invoice;Date;Site;Patient no;Species\n"
    rows = [
        f"{n};2024-05-1{n % 9};High Street;P-{n};{'Perro' if n % 2 else 'Gato'}" for n in range(50)
    ]
    (asked,) = looked(head + "\n".join(rows)).questions
    assert asked.key == ("species", "dog")
    assert "'Gato'" in asked.sentence
    assert "'Perro'" in asked.sentence
    assert not looked(head + "\n".join(rows[:49])).questions
    unsaid = [row.rpartition(";")[0] + ";" for row in rows]
    assert not looked(head + "\n".join(unsaid)).questions, "an empty cell tells of no other animal"
    answered = looked(head + "\n".join(rows)).layout.text.replace("dog = []", 'dog = ["Perro"]')
    layout = parse_layout(answered, "layouts/front-desk.toml")
    again = looked(head + "\n".join(rows), layout)
    assert not again.questions
    assert (again.export.visits["patient"] != "").sum() == 25
