"""The desk's file: nasty spreadsheets are answered by one clear line each, and the rest is kept."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import xlsxwriter
from sqlalchemy import func, select

from forecast.practice import create_practice
from forecast.records import Records, open_records, staff_tables
from forecast.records.desk import hours_on_record
from forecast.records.staff import staff_on_record
from forecast.records.tables import branch, closure
from forecast.sheets import SheetError
from forecast.staffing.desk_file import read_desk
from forecast.staffing.desk_import import import_staff
from forecast.staffing.desk_inputs import desk_inputs, stock_items
from forecast.staffing.desk_numbers import FLARE, KINDS, price_names
from forecast.staffing.desk_table import DeskTable, DeskWords
from forecast.staffing.desk_workbook import desk_tables, desk_workbook

NOW = datetime(2023, 3, 1, 1, tzinfo=UTC)
TODAY = date(2023, 3, 1)
GOOD = {
    "staff": [
        ["person", "name", "skills", "branch", "hours_a_week", "also_at"],
        ["S1", "Ada Quillfeather", "vet", "north", 40, "south"],
        ["S2", "Bo Puddlewright", "technician desk", "north", 24.5, ""],
    ],
    "leave": [["person", "first", "last"], ["S1", "2023-04-03", "2023-04-14"]],
    "hours": [["branch", "opening"], ["north", "mon-fri 8:00-18:00"], ["south", "mon 9:00-12:00"]],
    "minutes": [["kind", "role", "minutes", "branch"], ["flare visit", "vet", 25, "north"]],
    "prices": [["price", "amount"], ["locum_hour vet", 90]],
    "stock": [
        ["item", "branch", "on_hand", "counted", "pack_size", "lead_days", "expires"],
        ["flea control", "north", 12, "2023-02-27", 6, 5, "2023-09-30"],
    ],
}


def workbook(tables: dict[str, list[list]]) -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        for name, rows in tables.items():
            sheet = book.add_worksheet(name)
            for at, row in enumerate(rows):
                sheet.write_row(at, 0, row)
    return out.getvalue()


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


@pytest.fixture
def records(practice) -> Records:
    opened = open_records(practice)
    with opened.writing() as connection:
        for place in ("north", "south"):
            row = {"id": place, "name": place, "region_id": place, "open_days": "mon tue"}
            connection.execute(branch.insert().values(row))
    yield opened
    opened.close()


@pytest.fixture
def bring(practice, records, tmp_path):
    """Give a function that imports tables as a workbook, or one of them as CSV."""

    def imported(tables: dict[str, list[list]] | str | bytes, *, at=practice):
        path = tmp_path / ("desk.csv" if isinstance(tables, str) else "desk.xlsx")
        content = workbook(tables) if isinstance(tables, dict) else tables
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return import_staff(at, records, path)

    return imported


def read(tables: dict[str, list[list]]) -> DeskTable:
    """Read tables without the records."""
    words = DeskWords(("north", "south"), KINDS, price_names(), stock_items(), ())
    return read_desk(workbook(tables), "desk.xlsx", words=words, today=TODAY)


def lines(report, *, severity=("error", "warning")) -> list[str]:
    return [one.sentence for one in report.findings if one.severity in severity]


def changed(table: str, row: int, column: int, value) -> dict[str, list[list]]:
    tables = {name: [list(cells) for cells in rows] for name, rows in GOOD.items()}
    tables[table][row][column] = value
    return tables


def test_six_tables_come_in_at_once_and_become_the_inputs_of_staffing(practice, records, bring):
    """What stands in the workbook is what is planned with; minutes say that they are the desk's."""
    report = bring(GOOD)
    assert lines(report) == []
    assert report.n_kept == 8
    desk = desk_inputs(practice, records, first_day=TODAY, weeks=8)
    members = {desk.names[one.id]: one for one in desk.inputs.staff}
    ada = members["Ada Quillfeather"]
    assert (ada.skills, ada.branches, ada.contract_hours) == (("vet",), ("north", "south"), 40.0)
    assert not ada.works_on(date(2023, 4, 3))
    assert not ada.works_on(date(2023, 4, 14))
    assert ada.works_on(date(2023, 4, 15))
    assert members["Bo Puddlewright"].skills == ("technician", "desk")
    assert desk.inputs.hours["north"].hours_on(date(2023, 3, 3)) == 10.0  # a Friday, 8 to 18
    assert desk.inputs.hours["south"].hours_on(date(2023, 3, 7)) == 0.0  # a Tuesday no longer
    told = desk.inputs.minutes_of(FLARE, "vet", "north")
    assert (told.number, told.source) == (25.0, "desk")
    assert desk.inputs.minutes_of(FLARE, "vet", "south").source == "table"
    assert desk.inputs.prices.locum_hour["vet"] == 90.0
    assert "locum_hour vet" not in desk.inputs.prices.from_table
    (item,) = desk.inputs.stock
    assert (item.lots[0].units, item.lots[0].expires) == (12.0, date(2023, 9, 30))
    assert item.use[FLARE] > 0


def test_overlapping_leave_is_one_line_and_nobody_is_planned_on_any_of_its_days():
    """Both rows count as one span: better a day too much than somebody who is away."""
    tables = changed("leave", 1, 1, "2023-04-03")
    tables["leave"] += [["S1", "2023-04-10", "2023-04-21"], ["S2", "2023-05-01", "2023-05-02"]]
    desk = read(tables)
    (line,) = lines(desk)
    assert line == (
        "desk.xlsx [leave] row 3 column first: overlaps leave of the same person in row 2: "
        "2023-04-10 to 2023-04-21; allowed: each day once; both were kept as one, 2023-04-03 to "
        "2023-04-21; mend the file if that is not meant"
    )
    assert desk.leave == {
        "S1": [(date(2023, 4, 3), date(2023, 4, 21))],
        "S2": [(date(2023, 5, 1), date(2023, 5, 2))],
    }


def everybody(records):
    return staff_on_record(records, day=TODAY)


def test_negative_hours_are_one_line_and_the_others_are_kept():
    """The line quotes what stands there and what may."""
    desk = read(changed("staff", 2, 4, -8))
    assert lines(desk) == [
        "desk.xlsx [staff] row 3 column hours_a_week: not hours of a week: '-8'; "
        "allowed: 0 to 80, with a decimal point"
    ]
    assert list(desk.terms) == ["S1"]
    assert (len(desk.hours), len(desk.numbers), len(desk.stock)) == (2, 2, 1)


def test_an_unknown_skill_is_one_line_and_the_others_are_kept():
    """Leave of the person who is left out makes no second line, only a note."""
    tables = changed("staff", 2, 2, "groomer")
    tables["leave"].append(["S2", "2023-05-01", "2023-05-02"])
    desk = read(tables)
    assert lines(desk) == [
        "desk.xlsx [staff] row 3 column skills: unknown skill: 'groomer'; allowed: vet, "
        "technician, desk; several with spaces between; the person was left out of the plan until "
        "it is mended"
    ]
    assert (list(desk.terms), list(desk.leave)) == (["S1"], ["S1"])
    assert any("who was left out: 1 rows" in one for one in lines(desk, severity=("note",)))


def test_a_branch_without_hours_is_one_line_and_the_others_are_kept(practice, records, bring):
    """Its own days stand in, with the house's hours, and the desk is told which branch it is."""
    (line,) = lines(bring(changed("hours", 1, 1, "")))
    assert line.startswith("desk.xlsx [hours] row 2 column branch: branch without hours: 'north'")
    assert "mon-fri 8:00-18:00" in line
    assert [one.branch_id for one in hours_on_record(records)] == ["south"]
    assert desk_inputs(practice, records, first_day=TODAY, weeks=2).without_hours == ("north",)


def test_a_branch_that_no_table_of_hours_names_is_said_where_it_has_staff(bring):
    """Also where the file has no such table at all."""
    report = bring("person,skills,branch,hours_a_week\nS1,vet,south,40\n")
    (line,) = lines(report)
    assert "branch without hours: 'south'" in line


def test_the_same_file_again_and_the_same_values_tomorrow_change_nothing(practice, records, bring):
    """By its bytes; and saved anew by a program, value by value."""
    content = workbook(GOOD)
    bring(content)
    before = rows(records)
    assert bring(content).already
    saved_anew = dict(reversed(GOOD.items()))
    tomorrow = replace(practice, now=NOW + timedelta(days=1))
    assert not bring(saved_anew, at=tomorrow).already
    assert rows(records) == before
    assert before == {
        "staff_terms": 2,
        "staff_leave": 1,
        "branch_hours": 2,
        "desk_number": 2,
        "stock_count": 1,
    }


def rows(records) -> dict[str, int]:
    named = ("staff_terms", "staff_leave", "branch_hours", "desk_number", "stock_count")
    with records.reading() as connection:
        return {
            name: connection.scalar(select(func.count()).select_from(getattr(staff_tables, name)))
            for name in named
        }


def test_a_branch_is_closed_on_public_holidays_and_listed_closures(tmp_path, small_settings):
    """1 March is a holiday in Korea; a day with a full diary is an open one."""
    text = small_settings.replace("invented = true", 'invented = true\ncountry = "KR"')
    practice = create_practice(tmp_path / "korea", text, now=NOW)
    opened = open_records(practice)
    with opened.writing() as connection:
        row = {"id": "north", "name": "n", "region_id": "north", "open_days": "wed thu fri"}
        connection.execute(branch.insert().values(row))
        for day, full in ((date(2023, 3, 2), False), (date(2023, 3, 3), True)):
            told = {"branch_id": "north", "date": day, "reason": "x", "full": full}
            connection.execute(closure.insert().values(told))
    hours = desk_inputs(practice, opened, first_day=date(2023, 2, 27), weeks=2).inputs.hours
    opened.close()
    days = [date(2023, 3, day) for day in (1, 2, 3, 8)]
    assert [hours["north"].is_open(day) for day in days] == [False, False, True, True]


def test_what_changes_is_added_and_the_past_stays_readable(practice, records, bring):
    """A raise of hours from May holds from May; what was true in April can still be read."""
    bring(GOOD)
    bring("person,skills,branch,hours_a_week,from\nS1,vet,north,20,2023-05-01\n")
    april = staff_on_record(records, day=date(2023, 4, 1))[0]
    assert [(one.from_date, one.hours_week) for one in april.terms] == [
        (TODAY, 40.0),
        (date(2023, 5, 1), 20.0),
    ]
    desk = desk_inputs(practice, records, first_day=TODAY, weeks=16)
    spells = [one for one in desk.inputs.staff if one.id == april.id]
    assert [one.works_on(date(2023, 4, 30)) for one in spells] == [True, False]
    assert [one.works_on(date(2023, 5, 1)) for one in spells] == [False, True]


def test_leave_that_the_file_no_longer_has_is_withdrawn_for_those_it_names(records, bring):
    """Of others it stays; so a leave that moved by a week is not taken twice."""
    bring(GOOD)
    bring("person,first,last\nS2,2023-05-01,2023-05-02\n")
    assert len(everybody(records)[0].leave) == 1
    bring("person,first,last\nS1,2023-04-10,2023-04-21\n")
    assert [(s.first, s.last) for s in everybody(records)[0].leave] == [
        (date(2023, 4, 10), date(2023, 4, 21))
    ]


def test_leave_of_somebody_unknown_is_left_out():
    tables = changed("leave", 1, 0, "S9")
    tables["leave"].append(["S2", "2023-06-01", "2023-06-02"])
    desk = read(tables)
    (line,) = lines(desk)
    assert "unknown word: 'S9'" in line
    assert "S1, S2" in line
    assert list(desk.leave) == ["S2"]


@pytest.mark.parametrize(
    ("table", "row", "column", "value", "said"),
    [
        ("hours", 1, 1, "mon-fri", "not opening hours: 'mon-fri'"),
        ("leave", 1, 2, "2023-04-01", "ends before it begins"),
        ("minutes", 1, 0, "grooming", "unknown word: 'grooming'"),
        ("minutes", 1, 2, -5, "not a number in range: '-5'"),
        ("prices", 1, 0, "locum hour vet", "did you mean 'locum_hour vet'?"),
        ("stock", 1, 4, 0, "not a number in range: '0'"),
        ("stock", 1, 1, "nowhere", "unknown word: 'nowhere'"),
        ("staff", 1, 5, "elsewhere", "unknown branch: 'elsewhere'"),
    ],
)
def test_each_bad_cell_is_one_line(table, row, column, value, said):
    (line,) = lines(read(changed(table, row, column, value)))
    assert line.startswith(f"desk.xlsx [{table}] row {row + 1} ")
    assert said in line


def test_a_sheet_whose_name_promises_a_table_and_has_not_its_columns_is_an_error():
    """Else leave would be lost without a word; other sheets are named in a note."""
    tables = changed("leave", 0, 2, "until") | {"notes": [["anything"], ["x"]]}
    report = read(tables)
    (line,) = lines(report)
    assert line == (
        "desk.xlsx: sheet not read: 'leave'; allowed: the headings person, first, last; name its "
        "columns so"
    )
    assert any("'notes'" in one for one in lines(report, severity=("note",)))


def test_the_desks_workbook_brought_back_changes_nothing(records, bring):
    """What the desk leaves to the house stays the house's: its empty rows say nothing."""
    bring(GOOD)
    before = rows(records)
    report = bring(desk_workbook(records, today=TODAY))
    assert lines(report) == []
    assert rows(records) == before
    tables = desk_tables(records, today=TODAY)
    assert ["flare visit", "vet", 25.0, "north", "2023-03-01", 20.0] in tables["minutes"]
    assert ["flare visit", "vet", None, None, None, 20.0] in tables["minutes"]
    assert len(tables["minutes"]) == 15 + 1


def test_amounts_carry_the_practice_s_currency_and_those_of_another_are_left_out(
    tmp_path, small_settings
):
    """No rate is applied; where the practice names no currency, none can be given."""
    settings = small_settings.replace("[practice]", '[practice]\ncurrency = "CHF"', 1)
    practice = create_practice(tmp_path / "swiss", settings, now=NOW)
    opened = open_records(practice)
    prices = [["price", "amount", "currency"], ["locum_hour vet", 90, "CHF"]]
    prices.append(["waiting_week", 8, "EUR"])
    path = tmp_path / "prices.xlsx"
    path.write_bytes(workbook({"prices": prices}))
    (line,) = lines(import_staff(practice, opened, path))
    assert line == (
        "prices.xlsx [prices] row 3 column currency: another currency than the practice's: 'EUR'; "
        "allowed: CHF, or nothing; give the amount in it"
    )
    told = desk_tables(opened, today=TODAY, currency="CHF")["prices"]
    assert ["locum_hour vet", 90.0, "2023-03-01", 75.0, "CHF"] in told
    opened.close()
    found = read({**GOOD, "prices": prices})
    assert [one for one in lines(found) if "CHF" in one or "EUR" in one] == [
        "desk.xlsx [prices] row 2 column currency: another currency than the practice's: 'CHF'; "
        "allowed: nothing; name it as currency under [practice] in practice.toml first",
        "desk.xlsx [prices] row 3 column currency: another currency than the practice's: 'EUR'; "
        "allowed: nothing; name it as currency under [practice] in practice.toml first",
    ]


def test_hours_that_change_within_the_weeks_ahead_hold_from_their_day(practice, records, bring):
    """North opens Mondays alone, and from 20 March Tuesdays from noon: 5 hours in place of 10."""
    opening = [["branch", "opening", "from"], ["north", "mon 8:00-18:00", "2023-03-01"]]
    opening.append(["north", "tue 12:00-17:00", "2023-03-20"])
    opening.append(["south", "mon 9:00-12:00", "2023-03-01"])
    bring({**GOOD, "hours": opening})
    found = desk_inputs(practice, records, first_day=date(2023, 3, 6), weeks=4).inputs
    north = found.hours["north"]
    assert north.open_days(date(2023, 3, 13)) == [date(2023, 3, 13)]
    assert north.open_days(date(2023, 3, 20)) == [date(2023, 3, 21)]
    assert [north.hours_on(date(2023, 3, day)) for day in (13, 14, 20, 21)] == [10.0, 0.0, 0.0, 5.0]


def test_a_file_that_holds_none_of_the_tables_is_refused(bring):
    with pytest.raises(SheetError, match="holds none of the desk's tables; they are staff"):
        bring("dog,name\n1,Rex\n")


def test_a_formula_stays_text():
    """A name that a spreadsheet would run is a name here."""
    assert read(changed("staff", 1, 1, "@Ada")).names["S1"] == "@Ada"


def test_neither_log_nor_ledger_nor_findings_hold_a_name(practice, records, bring, caplog):
    """What was found in the file is told at the screen; what is kept does not quote it."""
    caplog.set_level("DEBUG")
    report = bring(changed("staff", 2, 2, "Quillfeather"))
    assert "Quillfeather" in lines(report)[0]
    assert "Quillfeather" not in caplog.text
    assert report.findings_file is not None
    assert "Quillfeather" not in Path(report.findings_file).read_text(encoding="utf-8")
    assert list(practice.archive_folder.glob("*.gz")) == []
