"""Open days ahead: the branch's own, but for holidays and recorded closures."""

from __future__ import annotations

from datetime import date

from forecast.dosing.open_days import open_days
from forecast.practice import open_practice
from forecast.records import tables

TODAY = date(2022, 6, 29)


def test_a_branch_gives_doses_on_its_own_days_only(desk):
    """North One opens on Tuesdays and Thursdays, South on Mondays."""
    found = open_days(desk.practice, desk.records, TODAY, 14)
    assert sorted(found["n1"]) == [
        date(2022, 6, 30),
        date(2022, 7, 5),
        date(2022, 7, 7),
        date(2022, 7, 12),
    ]
    assert sorted(found["s1"]) == [date(2022, 7, 4), date(2022, 7, 11)]


def test_closures_full_days_and_public_holidays_are_left_out(desk):
    """The 5th is closed, the 7th full; 15 August, a Monday, is a public holiday of Korea."""
    with desk.records.writing() as connection:
        for day, full in ((date(2022, 7, 5), False), (date(2022, 7, 7), True)):
            row = {"branch_id": "n1", "date": day, "reason": "congress", "full": full}
            connection.execute(tables.closure.insert(), row)
    text = desk.practice.settings_text.replace("[practice]", '[practice]\ncountry = "KR"', 1)
    desk.practice.settings_file.write_text(text, encoding="utf-8")
    korean = open_practice(desk.practice.folder, now=desk.practice.now)
    found = open_days(korean, desk.records, TODAY, 60)
    assert not {date(2022, 7, 5), date(2022, 7, 7)} & found["n1"]
    assert date(2022, 7, 12) in found["n1"]
    plain = open_days(desk.practice, desk.records, TODAY, 60)
    assert plain["s1"] - found["s1"] == {date(2022, 8, 15)}
