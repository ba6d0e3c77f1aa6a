"""Layouts of patients: what one may say, which fits a file, and one written to be filled in."""

from __future__ import annotations

import pytest

from forecast.sheets import read_sheet
from forecast.visits.exports.layout import LayoutError
from forecast.visits.exports.patient_layout import (
    HOLDS,
    fitting_patient_layout,
    is_our_own,
    load_patient_layouts,
    parse_patient_layout,
)
from forecast.visits.exports.patient_layout_text import patient_layout_text

TEXT = """
holds = "therapies"
day_order = "day month year"
[columns]
dog = "Patient"
therapy = "Artikel"
date = "Datum"
[always]
status = "given"
[words]
"Spritze 20 mg" = "anti_il31_antibody"
"Futter" = "none"
"""


def test_a_layout_says_columns_words_and_what_holds_for_every_row():
    """Words are compared as headings are: case and spaces are no matter."""
    layout = parse_patient_layout(TEXT, "layouts/patients/a.toml")
    assert layout.columns == {"dog": "Patient", "therapy": "Artikel", "date": "Datum"}
    assert layout.lookup["spritze 20 mg"] == "anti_il31_antibody"
    assert layout.fits(["PATIENT", "Datum", "Artikel", "Preis"])
    assert layout.missing(["Patient", "Datum"]) == ["Artikel"]
    assert layout.as_layout.columns["patient"] == "Patient"
    assert layout.as_layout.missing(["Patient", "Datum"]) == ["Artikel"]


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ('"therapies"', '"therapy"', "line 2: holds is 'therapy'.*did you mean 'therapies'"),
        ('dog = "Patient"', 'dog = ""', "line 5: .*dog has no heading"),
        ('status = "given"', "", r"status has no heading.*or \[always\] status"),
        ("dog = ", "patient = ", "line 5: .*patient is no part of a layout"),
        ('status = "given"', 'date = "2024"\nstatus = "given"', "date has a heading too"),
        ('date = "Datum"', "", "date has no heading"),
        ("[words]", "[word]", "word is no part of a layout; did you mean 'words'"),
        ('"Futter" = "none"', '"Futter" = 3', "write a text in quotation marks"),
        ('"day month year"', '"dmy"', "day_order is 'dmy'"),
        ("[columns]", "[columns", "is not TOML"),
    ],
)
def test_a_slip_in_a_layout_is_one_sentence(before, after, says):
    """With the line, what was found and what is allowed."""
    with pytest.raises(LayoutError, match=says):
        parse_patient_layout(TEXT.replace(before, after, 1), "layouts/patients/a.toml")


def test_a_day_is_never_the_same_for_every_row():
    """Nor is the dog."""
    text = TEXT.replace('date = "Datum"', "").replace("[always]", '[always]\ndate = "2024-01-01"')
    with pytest.raises(LayoutError, match="date differs from row to row"):
        parse_patient_layout(text, "a.toml")


def test_the_one_that_fits_is_taken_and_two_are_a_question():
    """Of another kind, or with a heading that the file has not, it does not fit."""
    one = parse_patient_layout(TEXT, "a.toml")
    headings = ["Patient", "Artikel", "Datum"]
    assert fitting_patient_layout([one], headings, holds="therapies", file="f") is one
    assert fitting_patient_layout([one], headings[:2], holds="therapies", file="f") is None
    assert fitting_patient_layout([one], headings, holds="scores", file="f") is None
    two = parse_patient_layout(TEXT, "b.toml")
    with pytest.raises(LayoutError, match=r"f fits more than one layout \(a.toml, b.toml\)"):
        fitting_patient_layout([one, two], headings, holds="therapies", file="f")


def test_layouts_of_patients_stand_in_a_folder_of_their_own(tmp_path):
    """None where it is not there; a file that is not UTF-8 is named."""
    assert load_patient_layouts(tmp_path) == []
    folder = tmp_path / "patients"
    folder.mkdir()
    (folder / "a.toml").write_text(TEXT, encoding="utf-8")
    assert [one.holds for one in load_patient_layouts(tmp_path)] == ["therapies"]
    (folder / "b.toml").write_bytes(b'holds = "\xff"')
    with pytest.raises(LayoutError, match=r"patients/b.toml is not UTF-8 text \(byte 9\)"):
        load_patient_layouts(tmp_path)


def test_a_layout_to_be_filled_in_lists_headings_and_words():
    """Numbers and days are no words; filled in, it is a layout."""
    rows = "".join(f"P{n},Spritze 20 mg,0{n}.05.2024\n" for n in range(1, 9))
    content = ("Patient,Artikel,date\n" + rows + "P9,Futter,09.05.2024\n").encode()
    text, n_words = patient_layout_text(read_sheet(content, "f.csv"), "therapies")
    assert n_words == 2
    assert '# "Spritze 20 mg" = ""  # 8 rows' in text
    assert '# Headings of the file: "Patient", "Artikel", "date"' in text
    filled = (
        text.replace('dog = ""', 'dog = "Patient"', 1)
        .replace('therapy = ""', 'therapy = "Artikel"', 1)
        .replace('status = ""  ', "", 1)
        .replace('\nstatus = ""', "", 1)
        .replace('# status = ""', 'status = "given"')
        .replace('# "Spritze 20 mg" = ""', '"Spritze 20 mg" = "anti_il31_antibody"')
    )
    layout = parse_patient_layout(filled, "a.toml")
    assert layout.columns["date"] == "date"
    assert layout.words == {"Spritze 20 mg": "anti_il31_antibody"}


def test_a_file_of_our_own_format_needs_no_layout():
    """It has every column that must be there."""
    for holds, columns in HOLDS.items():
        assert is_our_own([name.upper() for name in columns.required], holds)
        assert not is_our_own(columns.required[1:], holds)
