"""Layouts: what a practice writes, what is refused in one sentence, which one fits a file."""

from __future__ import annotations

import stat

import pytest

from forecast.visits.exports.layout import (
    LayoutError,
    fitting,
    free_layout_file,
    is_already_classified,
    item_classes,
    layout_called,
    load_layouts,
    parse_layout,
    save_layout,
)
from forecast.visits.exports.layout_text import layout_text

WHOLE = """\
name = "front desk 2015"
rows = "lines"
day_order = "day month year"
decimal = ","
language = "en"
time_zone = "Asia/Seoul"
branch = "low"

[columns]
visit = "Invoice"
date = "Date"
patient = "Patient no"
item = "Item"

[branches]
"High St" = "high"

[statuses]
"VOID" = "voided"
"?" = ""

[species]
dog = ["Hund"]

[patients]
test = ["TEST", "9999"]

[merged]
"P-3" = "P-2"
"P-2" = "P-1"

[items]
"CONS DERM 30" = "skin consultation"
'Collar 12" soft' = "shop sale"
"""
FILE = "layouts/front.toml"


def refusal(text: str) -> str:
    with pytest.raises(LayoutError) as refused:
        parse_layout(text, FILE)
    sentence = str(refused.value)
    assert "\n" not in sentence
    return sentence


def test_a_whole_layout_is_read():
    """Every part of it, chains of merged patients followed to their end."""
    layout = parse_layout(WHOLE, FILE)
    assert (layout.name, layout.rows, layout.day_order, layout.decimal) == (
        "front desk 2015",
        "lines",
        "day month year",
        ",",
    )
    assert layout.columns["patient"] == "Patient no"
    assert layout.merged == {"P-3": "P-1", "P-2": "P-1"}
    assert layout.test_patients == ("TEST", "9999")
    assert layout.dog_words == ("Hund",)
    assert layout.item_lookup["cons derm 30"] == "skin consultation"


def test_a_layout_of_two_columns_is_enough():
    """Day and patient, or day and visit; the rest is as usual."""
    layout = parse_layout('[columns]\ndate = "Day"\npatient = "Dog"\n', FILE)
    assert (layout.name, layout.rows, layout.day_order, layout.decimal) == (
        "front",
        "lines",
        "",
        "",
    )
    assert parse_layout('[columns]\ndate = "Day"\nvisit = "No"\n', FILE).columns["visit"] == "No"


def test_what_is_written_is_read_again():
    """Whatever stands in the strings, with remarks and suggestions as comments."""
    layout = parse_layout(WHOLE, FILE)
    text = layout_text(
        layout,
        remarks={("branches", "High St"): "nearest:\nhigh", ("day_order",): "see \x00 below"},
        unmapped={'Lead "red"\t': 12},
        perhaps_merged={"P-9": "P-8"},
    )
    again = parse_layout(text, FILE)
    # chains are followed when a layout is read, so the second reading has them followed already
    assert again == layout
    assert '# "Lead \\"red\\"\\t" = ""  # 12 lines' in text
    assert '# "P-9" = "P-8"  # same owner and name' in text
    assert layout_text(again) == layout_text(layout)


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (('rows = "lines"', 'row = "lines"'), 2, ["row is no part of a layout", "'rows'"]),
        (('rows = "lines"', 'rows = "line"'), 2, ["rows is 'line'", "'lines'"]),
        (('"day month year"', '"dmy"'), 3, ["day_order is 'dmy'", "'month day year'"]),
        (('decimal = ","', "decimal = 1"), 4, ["decimal is 1", "quotation marks"]),
        (('"Asia/Seoul"', '"Asia/Soul"'), 6, ["time_zone is 'Asia/Soul'", "'Asia/Seoul'"]),
        (("[columns]", "[colums]"), 9, ["colums is no part of a layout", "'columns'"]),
        (('date = "Date"', 'dates = "Date"'), 11, ["[columns] dates is no part", "'date'"]),
        (('item = "Item"', 'item = "date "'), 13, ["item and date are both 'date '"]),
        (('"voided"', '"void"'), 19, ["[statuses] 'VOID' is 'void'", "'voided'"]),
        (('["Hund"]', '"Hund"'), 23, ["[species] dog must be a list"]),
        (('test = ["TEST"', 'tests = ["TEST"'), 26, ["[patients] tests", "'test'"]),
        (('"P-2" = "P-1"', '"P-2" = "P-3"'), 30, ["'P-3' -> 'P-2' -> 'P-3'", "no patient"]),
        (('"skin consultation"', '"skin consult"'), 33, ["'CONS DERM 30'", "'skin consultation'"]),
        (('decimal = ","', "decimal = "), 4, ["is not TOML"]),
    ],
)
def test_a_slip_of_the_pen_is_refused_with_its_line_and_what_was_meant(change, line, words):
    """The sentence names the file, the line, what stands there and what is allowed."""
    sentence = refusal(WHOLE.replace(*change))
    assert sentence.startswith(FILE)
    assert f"line {line}" in sentence
    for word in words:
        assert word in sentence


def test_a_number_given_up_for_itself_is_refused():
    """A loop of one."""
    text = WHOLE.replace('"P-2" = "P-1"', '"P-1" = "P-1"').replace('"P-3" = "P-2"', "")
    assert "'P-1' -> 'P-1' ends at no patient" in refusal(text)


def test_the_one_layout_whose_columns_a_file_has_is_taken():
    """Case and spaces in headings are no matter; a column more is none either."""
    front = parse_layout(WHOLE, FILE)
    back = parse_layout('[columns]\ndate = "Tag"\npatient = "Tier"\n', "layouts/back.toml")
    headings = ["invoice", "DATE", "Patient  no", "Item", "More"]
    assert fitting([front, back], headings, "f.csv") is front
    with pytest.raises(LayoutError, match=r"no layout fits f\.csv; `forepaw import look FILE`"):
        fitting([], headings, "f.csv")
    with pytest.raises(LayoutError, match=r"layouts/back.toml would, but for the column 'Tier'"):
        fitting([front, back], ["Tag", "Kunde"], "f.csv")
    with pytest.raises(LayoutError, match=r"more than one layout .*--layout NAME"):
        fitting([front, back], [*headings, "Tag", "Tier"], "f.csv")


@pytest.mark.parametrize(
    ("change", "line", "words"),
    [
        (('date = "Date"\n', ""), 9, ["date has no heading", "the day of the visit"]),
        (('date = "Date"', 'date = ""'), 11, ["date has no heading"]),
        (('item = "Item"', 'item = ""'), 13, ["item has no heading", "take the line out"]),
        (('visit = "Invoice"\n', ""), 11, ["patient has no heading", "name visit, the number"]),
    ],
)
def test_a_column_that_is_not_answered_is_asked_when_a_file_needs_it(change, line, words):
    """An open question of one system's layout keeps no other file out."""
    text = WHOLE.replace(*change)
    if "patient" in words[0]:
        text = text.replace('patient = "Patient no"', 'patient = ""')
    unfinished = parse_layout(text, FILE)
    back = parse_layout('[columns]\ndate = "Tag"\npatient = "Tier"\n', "layouts/back.toml")
    assert fitting([unfinished, back], ["Tag", "Tier"], "f.csv") is back
    with pytest.raises(LayoutError) as refused:
        fitting([unfinished, back], ["Invoice", "Date", "Patient no", "Item"], "f.csv")
    sentence = str(refused.value)
    assert sentence.startswith(f"{FILE} line {line}: [columns] ")
    assert all(word in sentence for word in words)


def test_a_layout_without_any_answer_fits_nothing():
    """Else every file would be taken for its own."""
    blank = parse_layout('[columns]\ndate = ""\npatient = ""\n', FILE)
    with pytest.raises(LayoutError, match="no layout fits"):
        fitting([blank], ["Date", "Patient"], "f.csv")


def test_our_own_format_is_known_by_its_headings():
    """Whatever their order and case."""
    assert is_already_classified(["Kind", "dog", "branch", "date", "visit"])
    assert not is_already_classified(["dog", "branch", "date", "visit"])


def test_layouts_are_kept_for_their_owner_and_never_written_over(tmp_path):
    """A second proposal for the same name gets a number."""
    folder = tmp_path / "layouts"
    path = free_layout_file(folder, "Front Desk_2015 (Süd).csv")
    assert path.name == "front-desk-2015-süd.toml"
    save_layout(path, WHOLE)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert free_layout_file(folder, "front desk 2015 süd.xlsx").name == "front-desk-2015-süd-2.toml"
    with pytest.raises(LayoutError, match="is not written over"):
        save_layout(path, "name = 'other'")
    assert path.read_text(encoding="utf-8") == WHOLE


def test_layouts_are_found_by_their_name_or_file(tmp_path):
    """An unknown one names the nearest."""
    save_layout(tmp_path / "front.toml", WHOLE)
    layouts = load_layouts(tmp_path)
    assert layout_called(layouts, "front") is layouts[0]
    assert layout_called(layouts, "front desk 2015") is layouts[0]
    with pytest.raises(LayoutError, match=r"'frnt' was asked for.*did you mean 'front'"):
        layout_called(layouts, "frnt")
    assert load_layouts(tmp_path / "none") == []
    (tmp_path / "bad.toml").write_bytes(b'name = "\xff"')
    with pytest.raises(LayoutError, match=r"bad\.toml is not UTF-8"):
        load_layouts(tmp_path)


def test_every_item_class_says_what_it_is():
    """Each with a sentence, therapies by class."""
    classes = item_classes()
    assert {"consultation", "skin consultation", "ciclosporin", "not a visit"} <= set(classes)
    assert all(sentence.endswith(".") for sentence in classes.values())
