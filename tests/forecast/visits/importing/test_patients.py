"""Files of patients as practices write them: own headings, own words, own days; and our own."""

from __future__ import annotations

import io
from datetime import date

import pytest
import xlsxwriter

from forecast.csv_files import SheetError
from forecast.dosing.therapies import THERAPY_IDS
from forecast.records.care import (
    allergy_tests,
    medicines,
    reactions,
    scores,
    therapies,
    vaccinations,
)
from forecast.records.dogs import dog_ids
from forecast.visits import (
    import_facts,
    import_medicines,
    import_reactions,
    import_scores,
    import_tests,
    import_therapies,
    import_vaccinations,
    take_back,
)
from forecast.visits.exports.layout import LayoutError
from forecast.visits.importing.patients import propose_layout

THERAPIES = """
holds = "therapies"
{more}
[columns]
dog = "Patient"
therapy = "Artikel"
date = "Datum"
status = "Art"
[words]
"Spritze 20 mg" = "anti_il31_antibody"
"Futter" = "none"
"in der Praxis" = "given"
"mitgegeben" = "dispensed"
"""
ROWS = (
    "Patient;Artikel;Datum;Art\n"
    "D1;Spritze 20 mg;13.04.2024;in der Praxis\n"
    "D1;Tabletten 5 mg;14.04.2024;mitgegeben\n"
    "D1;Futter;14.04.2024;mitgegeben\n"
    "D1;SPRITZE 20 MG;15.05.2024;mitgegeben\n"
    "D1;Spritze 20 mg;31.02.2024;in der Praxis\n"
    "D9;Spritze 20 mg;16.05.2024;in der Praxis\n"
    "D1;Spritze 20 mg;17.05.2024;irgendwie\n"
)


@pytest.fixture
def layout(practice):
    """Give a function that keeps a layout of patients."""

    def keep(text: str, name: str = "own.toml") -> None:
        folder = practice.layouts_folder / "patients"
        folder.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")

    return keep


def bring(practice, records, path):
    return import_therapies(practice, records, path, therapies=THERAPY_IDS)


def test_own_words_become_classes_and_those_without_a_meaning_are_not_known(
    practice, records, write, layout
):
    """What is nothing of ours is left out and counted; bad rows are reported, the rest is kept."""
    layout(THERAPIES.format(more=""))
    report = bring(practice, records, write("abgabe.csv", ROWS))
    held = therapies(records)
    assert held[["therapy", "status"]].values.tolist() == [
        ["anti_il31_antibody", "given"],
        ["not known", "dispensed"],
        ["anti_il31_antibody", "dispensed"],
    ]
    assert held["date"].dt.date.tolist() == [
        date(2024, 4, 13),
        date(2024, 4, 14),
        date(2024, 5, 15),
    ]
    assert set(held["dog"]) == {dog_ids(records)["D1"]}
    errors = {(f.row, f.column) for f in report.findings if f.severity == "error"}
    assert errors == {(6, "date"), (7, "dog"), (8, "status")}
    (open_word,) = [f for f in report.findings if f.severity == "warning"]
    assert open_word.found == "'Tabletten 5 mg' (1)"
    assert "say in [words] of layouts/patients/own.toml" in open_word.sentence
    notes = [f.found for f in report.findings if f.severity == "note"]
    assert "1 rows, by layouts/patients/own.toml" in notes


def test_the_same_file_twice_changes_nothing_and_overlapping_ones_replace(
    practice, records, write, layout
):
    """A later export that tells a day again is the newest of it, not a second dose."""
    layout(THERAPIES.format(more=""))
    bring(practice, records, write("a.csv", ROWS))
    before = therapies(records)
    assert bring(practice, records, write("copy.csv", ROWS)).already
    assert therapies(records).equals(before)
    later = ROWS.replace(
        "D1;Spritze 20 mg;13.04.2024;in der Praxis", "D1;Spritze 20 mg;13.04.2024;mitgegeben"
    )
    bring(practice, records, write("b.csv", later))
    held = therapies(records)
    assert len(held) == len(before)
    assert held["status"].tolist().count("dispensed") == 3


def test_a_meaning_given_later_takes_the_place_of_not_known(practice, records, write, layout):
    """The import is taken back and the file brought in anew."""
    layout(THERAPIES.format(more=""))
    first = bring(practice, records, write("a.csv", ROWS))
    layout(THERAPIES.format(more="") + '"Tabletten 5 mg" = "daily_jak_inhibitor"\n')
    take_back(records, first.import_id)
    bring(practice, records, write("a.csv", ROWS))
    assert "not known" not in therapies(records)["therapy"].tolist()


def test_a_workbook_is_read_as_a_text_file_is(practice, records, tmp_path, layout):
    """The same layout, the same rows."""
    layout(THERAPIES.format(more=""))
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, {"in_memory": True})
    sheet = book.add_worksheet("Abgabe")
    for row, line in enumerate(ROWS.splitlines()[:3]):
        sheet.write_row(row, 0, line.split(";"))
    book.close()
    path = tmp_path / "abgabe.xlsx"
    path.write_bytes(out.getvalue())
    report = bring(practice, records, path)
    assert (report.n_read, report.n_kept) == (2, 2)


def test_a_day_that_can_be_read_two_ways_is_asked_and_never_guessed(
    practice, records, write, layout
):
    """03/04 may be in March or in April; the layout answers."""
    text = "Patient;Artikel;Datum;Art\nD1;Spritze 20 mg;03/04/2024;in der Praxis\n"
    layout(THERAPIES.format(more=""))
    with pytest.raises(SheetError, match="'03/04/2024' can be read in more than one way; write"):
        bring(practice, records, write("a.csv", text))
    layout(THERAPIES.format(more='day_order = "month day year"'))
    bring(practice, records, write("a.csv", text))
    assert therapies(records)["date"].dt.date.tolist() == [date(2024, 3, 4)]


def test_merged_patients_are_one_dog(practice, records, write, layout):
    """A number that was given up is the one that stays, as a layout of visits says."""
    (practice.layouts_folder / "desk.toml").write_text(
        'name = "desk"\n[columns]\ndate = "D"\npatient = "P"\n[merged]\n"D0" = "D1"\n',
        encoding="utf-8",
    )
    layout(THERAPIES.format(more=""))
    text = "Patient;Artikel;Datum;Art\nD0;Spritze 20 mg;13.04.2024;in der Praxis\n"
    bring(practice, records, write("a.csv", text))
    assert therapies(records)["dog"].tolist() == [dog_ids(records)["D1"]]


def test_a_decimal_comma_is_asked_for_and_then_read(practice, records, write, layout):
    """And through a layout the scale of a score is not known, unless it says so."""
    own = '[columns]\ndog = "P"\ndate = "T"\npvas = "J"\n'
    text = "P;T;J\nD1;2024-05-02;4,5\n"
    layout('holds = "scores"\n' + own)
    with pytest.raises(SheetError, match=r"column 'J': '4,5' has a comma; write decimal = "):
        import_scores(practice, records, write("s.csv", text))
    layout('holds = "scores"\ndecimal = ","\n' + own)
    import_scores(practice, records, write("s.csv", text))
    assert scores(records)[["pvas", "scale"]].values.tolist() == [[4.5, "not known"]]
    layout('holds = "scores"\ndecimal = ","\n' + own + '[always]\nscale = "spoken"\n')
    import_scores(practice, records, write("s2.csv", text.replace("-02;", "-03;")))
    assert scores(records)["scale"].tolist()[-1] == "spoken"


def test_facts_come_in_own_words_too(practice, records, write, layout):
    """Weights with a comma, answers in German."""
    layout(
        'holds = "facts"\ndecimal = ","\n[columns]\ndog = "P"\nkind = "Was"\nvalue = "Wert"\n'
        'date = "T"\n[words]\nGewicht = "weight_kg"\nDemodex = "demodicosis"\nnein = "no"\n'
    )
    text = "P;Was;Wert;T\nD1;Gewicht;12,5;2024-05-02\nD1;Demodex;nein;2024-05-02\n"
    report = import_facts(practice, records, write("f.csv", text))
    assert report.n_kept == 2


def test_a_file_that_nothing_fits_says_how_to_make_a_layout(practice, records, write):
    """And the layout proposed for it is a file to be filled in; it is never written over."""
    path = write("abgabe.csv", ROWS)
    with pytest.raises(SheetError, match="forepaw import layout therapies FILE"):
        bring(practice, records, path)
    kept, n_words = propose_layout(practice, path, "therapies")
    assert kept.parent == practice.layouts_folder / "patients"
    assert n_words == 5
    with pytest.raises(LayoutError, match="dog has no heading"):
        bring(practice, records, path)
    assert propose_layout(practice, path, "therapies")[0] != kept
    with pytest.raises(LayoutError, match="did you mean 'therapies'"):
        propose_layout(practice, path, "therapy")
    ours = write("ours.csv", "dog,therapy,date,status\nD1,ciclosporin,2024-05-01,given\n")
    with pytest.raises(LayoutError, match="our own format and needs no layout"):
        propose_layout(practice, ours, "therapies")


@pytest.mark.parametrize(
    ("importer", "read", "good", "bad"),
    [
        (
            import_reactions,
            reactions,
            "dog,therapy,date,sign,reported\nD1,ciclosporin,2024-05-01,sick,yes\n",
            [
                "D1,snake_oil,2024-05-01,,",
                "D1,ciclosporin,2030-01-01,,",
                "D1,ciclosporin,2024-05-02,,x",
            ],
        ),
        (
            import_vaccinations,
            vaccinations,
            "dog,date,live,against\nD1,2030-01-01,yes,cough\n",
            ["D1,2024-02-30,yes,", "D1,2024-02-03,perhaps,", "D9,2024-02-03,yes,"],
        ),
        (
            import_medicines,
            medicines,
            "dog,kind,date,until\nD1,nsaid,2024-05-01,\n",
            ["D1,painkiller,2024-05-01,", "D1,nsaid,2024-05-03,2024-05-02", "D1,nsaid,2030-01-01,"],
        ),
        (
            import_tests,
            allergy_tests,
            "dog,date,allergen,result,method\nD1,2024-05-01,birch,positive,serology\n",
            [
                "D1,2024-05-01,,positive,",
                "D1,2024-05-02,oak,strong,",
                "D1,2030-05-02,oak,positive,",
            ],
        ),
    ],
)
def test_each_kind_keeps_its_good_rows_and_reports_the_bad(
    practice, records, write, importer, read, good, bad
):
    """Row, column, value and what is allowed; the same file twice changes nothing."""
    path = write("f.csv", good + "".join(row + "\n" for row in bad))
    kinds = {"therapies": THERAPY_IDS} if importer is import_reactions else {}
    report = importer(practice, records, path, **kinds)
    assert (report.n_read, report.n_kept, report.n_left_out) == (4, 1, 3)
    assert {f.row for f in report.findings if f.severity == "error"} == {3, 4, 5}
    assert all(f.allowed for f in report.findings if f.severity == "error")
    (held,) = read(records).to_dict("records")
    assert held["dog"] == dog_ids(records)["D1"]
    assert importer(practice, records, path, **kinds).already
    assert len(read(records)) == 1
    take_back(records, report.import_id)
    assert read(records).empty


def test_what_is_not_known_stays_not_known(practice, records, write):
    """An empty cell is neither yes nor no."""
    import_reactions(
        practice, records, write("r.csv", "dog,therapy,date\nD1,ciclosporin,2024-05-01\n")
    )
    import_vaccinations(practice, records, write("v.csv", "dog,date,live\nD1,2024-05-01,\n"))
    import_medicines(practice, records, write("m.csv", "dog,kind,date\nD1,,2024-05-01\n"))
    import_tests(
        practice, records, write("t.csv", "dog,date,allergen,result\nD1,2024-05-01,oak,\n")
    )
    assert reactions(records)[["sign", "reported"]].values.tolist() == [[None, None]]
    assert vaccinations(records)["live"].tolist() == [None]
    assert medicines(records)["kind"].tolist() == ["not known"]
    (row,) = allergy_tests(records).to_dict("records")
    assert (row["result"], row["method"]) == ("not known", "not known")
