"""The list of dogs: held, brought up to date, kept warm so that nobody waits."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import insert

from forecast.pages import dog_list
from forecast.pages.dog_list import DogLists
from forecast.records import tables

SEOUL = ZoneInfo("Asia/Seoul")


@pytest.fixture
def worked_out(monkeypatch):
    """Count how often the whole list is worked out."""
    days, whole = [], dog_list._all

    def counted(practice, records):
        days.append(practice.local_date)
        return whole(practice, records)

    monkeypatch.setattr(dog_list, "_all", counted)
    return days


def add_dog(records, name):
    with records.writing() as connection:
        connection.execute(insert(tables.dog).values(id=name, species="dog"))
        row = {"dog_id": name, "reference": name}
        connection.execute(insert(tables.dog_identity).values(**row))


def weigh(records, name, day):
    with records.writing() as connection:
        row = {"dog_id": name, "kind": "weight_kg", "number": 9.5, "date": day}
        connection.execute(insert(tables.dog_fact).values(**row))


def names(listed):
    return [one.id for one in listed.rows]


def test_it_is_worked_out_once_and_an_entry_reads_its_dog_alone(opened, worked_out):
    """A dog that came has all of it worked out anew, at once where nobody keeps it warm."""
    lists, practice, records = DogLists(), opened.practice(), opened.records
    add_dog(records, "rex")
    assert names(lists.listed(practice, records)) == ["rex"]
    weigh(records, "rex", practice.local_date)
    assert names(lists.listed(practice, records)) == ["rex"]
    assert len(worked_out) == 1
    add_dog(records, "tom")
    told = lists.listed(practice, records)
    assert (sorted(names(told)), told.is_behind) == (["rex", "tom"], False)
    assert len(worked_out) == 2


def test_kept_warm_the_one_held_is_shown_until_the_new_one_is_there(opened, worked_out):
    """And says so; once nobody keeps it warm any more, whoever asks waits for it again."""
    lists, practice, records = DogLists(), opened.practice(), opened.records
    add_dog(records, "rex")
    lists.keep_warm(practice, records)
    add_dog(records, "tom")
    told = lists.listed(practice, records)
    assert (names(told), told.is_behind) == (["rex"], True)
    lists.keep_warm(practice, records)
    told = lists.listed(practice, records)
    assert (sorted(names(told)), told.is_behind) == (["rex", "tom"], False)
    # a change of the rules is one too
    other = replace(practice, settings_text=practice.settings_text + "\n# changed\n")
    assert lists.listed(other, records).is_behind
    lists.leave(practice.folder)
    assert not lists.listed(other, records).is_behind


def test_midnight_finds_the_new_days_list_made(opened, worked_out):
    """In the hour before; what is entered between is in it, and yesterday's goes."""
    lists, records = DogLists(), opened.records
    evening = datetime(2023, 3, 1, 23, 30, tzinfo=SEOUL)
    practice = replace(opened.practice(), now=evening)
    add_dog(records, "rex")
    lists.keep_warm(practice, records)
    assert worked_out == [evening.date(), evening.date() + timedelta(days=1)]
    weigh(records, "rex", evening.date())
    after = replace(practice, now=evening + timedelta(minutes=31))
    told = lists.listed(after, records)
    assert (names(told), told.is_behind) == (["rex"], False)
    assert "weigh" not in told.rows[0].why
    lists.keep_warm(after, records)
    assert len(worked_out) == 2
    assert [day for _, day, _ in lists._lists] == [after.local_date]
