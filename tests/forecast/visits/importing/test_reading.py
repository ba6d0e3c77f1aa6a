"""Reading exports: what is kept, what is left out and why."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from forecast.csv_files import SheetError
from forecast.visits.importing.patient_reading import (
    FACT_KINDS,
    YES_NO_FACTS,
    read_facts,
    read_scores,
    read_therapies,
)
from forecast.visits.importing.reading import (
    read_branches,
    read_dogs,
    read_visits,
)

TODAY = date(2024, 5, 31)
DOGS = ["D1", "D2"]


def visits(*rows: str):
    text = "visit,date,branch,dog,kind\n" + "\n".join(rows)
    return read_visits(text.encode(), "visits.csv", branches=["n1", "s1"], today=TODAY)


def left_out(table) -> dict[int, tuple[str, str]]:
    return {f.row: (f.column, f.check) for f in table.findings if f.severity == "error"}


def test_good_visits_are_kept_with_their_days():
    """A visit of no known dog keeps an empty dog."""
    table = visits("V1,2024-05-30,n1,D1,itch flare", "V2,2024-05-31,s1,,other")
    assert table.findings == []
    assert table.rows["dog"].tolist() == ["D1", ""]
    assert table.rows["date"].dt.day.tolist() == [30, 31]


def test_each_bad_visit_is_left_out_with_its_row_and_reason():
    """Every fault of the list has its own finding, the good row stays."""
    table = visits(
        "V1,2024-05-30,n1,D1,itch flare",
        "V2,2024-05-30,nowhere,D1,other",
        "V3,2024-05-30,n1,D1,ich flare",
        "V4,2024-02-30,n1,D1,other",
        "V5,2024-06-01,n1,D1,other",
        "V6,2024-05-30,n1,,itch flare",
        "V1,2024-05-29,n1,D1,recheck",
        ",2024-05-30,n1,D1,other",
        "V9,2024-05-30,n1",
    )
    assert table.rows["visit"].tolist() == ["V1"]
    assert left_out(table) == {
        3: ("branch", "unknown word"),
        4: ("kind", "unknown word"),
        5: ("date", "not a day of the calendar"),
        6: ("date", "day lies in the future"),
        7: ("dog", "itch-flare visit without its dog"),
        8: ("visit", "repeats an earlier row (same branch, visit)"),
        9: ("visit", "value is missing"),
        10: (None, "wrong number of cells"),
    }
    kind = next(f for f in table.findings if f.row == 4)
    assert "did you mean 'itch flare'?" in kind.sentence


def test_one_number_at_two_branches_is_two_visits():
    """Branches number their visits each for itself."""
    table = visits("1,2024-05-30,n1,D1,other", "1,2024-05-30,s1,D2,other")
    assert len(table.rows) == 2


def test_a_missing_column_refuses_the_file():
    """One sentence with the column."""
    with pytest.raises(SheetError, match=r"visits\.csv has no column 'kind'"):
        read_visits(b"visit,date,branch,dog\n1,2,3,4\n", "visits.csv", branches=["n1"], today=TODAY)


def test_therapies_keep_what_is_not_known_as_not_known():
    """No end, no reason and no response are none of them filled in."""
    text = "dog,therapy,date,status\nD1,anti_il31_antibody,2024-05-01,given\n"
    table = read_therapies(text.encode(), "t.csv", dogs=DOGS, today=TODAY)
    row = table.rows.iloc[0]
    assert (row["reason"], row["responded"]) == ("not known", "")
    assert np.isnat(row["until"].to_numpy())


def test_bad_therapies_are_left_out():
    """Unknown dog, status, reason and therapy; a course that ends before it starts."""
    text = (
        "dog,therapy,date,status,until,reason,responded\n"
        "D1,ciclosporin,2024-05-01,given,2024-06-30,itch,yes\n"
        "D9,ciclosporin,2024-05-01,given,,itch,\n"
        "D1,ciclosporine,2024-05-02,given,,itch,\n"
        "D1,ciclosporin,2024-05-03,gave,,itch,\n"
        "D1,ciclosporin,2024-05-04,given,2024-05-03,itch,\n"
        "D1,ciclosporin,2024-05-05,given,,boredom,\n"
        "D1,ciclosporin,2024-05-06,given,,,maybe\n"
    )
    table = read_therapies(
        text.encode(), "t.csv", dogs=DOGS, today=TODAY, therapies=["ciclosporin"]
    )
    assert len(table.rows) == 1
    assert {row: column for row, (column, _) in left_out(table).items()} == {
        3: "dog",
        4: "therapy",
        5: "status",
        6: "until",
        7: "reason",
        8: "responded",
    }


def test_scores_run_from_0_to_10():
    """Both ends belong to the scale; a decimal comma is not guessed at."""
    text = "dog;date;pvas\n" + "".join(
        f"D1;2024-05-0{n};{value}\n"
        for n, value in enumerate(["0", "10", "10.1", "-1", "3,5", "itchy"], start=1)
    )
    table = read_scores(text.encode(), "s.csv", dogs=DOGS, today=TODAY)
    assert table.rows["pvas"].tolist() == [0.0, 10.0]
    assert table.rows["scorer"].tolist() == ["not known"] * 2
    assert sorted(left_out(table)) == [4, 5, 6, 7]


def facts(*rows: str):
    text = "dog,kind,value,date\n" + "\n".join(rows)
    return read_facts(text.encode(), "facts.csv", dogs=DOGS, today=TODAY)


def test_a_fact_is_a_word_or_a_weight():
    """Yes, no and not known are words; a weight is a number of kilograms."""
    table = facts(
        "D1,demodicosis,no,2024-05-01",
        "D1,neoplasia,not known,2024-05-01",
        "D1,weight_kg,10.5,2024-05-01",
        "D1,pregnant_or_lactating,perhaps,2024-05-01",
        "D1,weight_kg,1050,2024-05-02",
        "D1,weight_kg,yes,2024-05-03",
        "D1,star_sign,yes,2024-05-01",
    )
    assert table.rows["word"].fillna("").tolist() == ["no", "not known", ""]
    np.testing.assert_array_equal(table.rows["number"], [np.nan, np.nan, 10.5])
    assert {row: column for row, (column, _) in left_out(table).items()} == {
        5: "value",
        6: "value",
        7: "value",
        8: "kind",
    }


def test_another_word_for_a_fact_is_read_as_ours_and_said():
    """The note tells which word was taken for which."""
    table = facts("D1,weight,10.5,2024-05-01")
    assert table.rows["kind"].tolist() == ["weight_kg"]
    assert [f.severity for f in table.findings] == ["note"]
    assert "'weight' read as 'weight_kg'" in table.findings[0].found


def test_only_a_vaccination_may_be_dated_ahead():
    """A planned live vaccination matters for a therapy; any other fact ahead is a slip."""
    table = facts("D1,live_vaccination,yes,2024-06-20", "D1,examination,yes,2024-06-20")
    assert table.rows["kind"].tolist() == ["live_vaccination"]


def test_every_finding_that_dosing_asks_for_can_be_imported():
    """A word that the dosing desk reads and no file may hold would never be known."""
    work_up = pytest.importorskip("forecast.dosing.work_up")
    asked = {*work_up.WORK_UP, *work_up.FINDINGS, *work_up.CALLS_FOR_DIET}
    assert asked <= set(YES_NO_FACTS)
    assert {"weight_kg", "flare_weeks_per_dose", *YES_NO_FACTS} == set(FACT_KINDS)


def test_branches_need_a_region_and_days():
    """An unknown region or day leaves the branch out."""
    text = (
        "id,name,region,open_days\n"
        "a,A,north,mon tue\n"
        "b,B,nrth,mon\n"
        "c,C,north,monday\n"
        "d,,north,mon\n"
    )
    table = read_branches(text.encode(), "b.csv", regions=["north"])
    assert table.rows["id"].tolist() == ["a"]
    assert {row: column for row, (column, _) in left_out(table).items()} == {
        3: "region",
        4: "open_days",
        5: "name",
    }


def test_dogs_need_a_number_and_nothing_else():
    """What is not in the file is not known; a wrong word leaves the dog out."""
    text = (
        "dog,sex,birth_date,status,region\n"
        "D1,female neutered,2020-01-01,died,north\n"
        "D2,,,,\n"
        "D3,boy,,,\n"
        "D4,,2025-01-01,,\n"
        "D5,,,,west\n"
        "D2,,,,\n"
    )
    table = read_dogs(text.encode(), "d.csv", regions=["north"], branches=[], today=TODAY)
    assert table.rows["dog"].tolist() == ["D1", "D2"]
    assert table.rows["status"].tolist() == ["dead", ""]
    assert {row: column for row, (column, _) in left_out(table).items()} == {
        4: "sex",
        5: "birth_date",
        6: "region",
        7: "dog",
    }
