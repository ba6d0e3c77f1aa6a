"""Vets, who looks after which dog from when on, and a vet's word on a longer effect."""

from __future__ import annotations

from datetime import date

import pytest
from sqlalchemy import insert

from forecast.records import RecordsError, tables
from forecast.records.vets import assign, keep_vets, last_assignment, vets, vets_on
from forecast.records.vets_words import NAME_GONE, REASON_GONE, vets_words

JUNE, JULY = date(2024, 6, 1), date(2024, 7, 1)
ANTIBODY = "anti_il31_antibody"


@pytest.fixture
def rex(records):
    with records.writing() as connection:
        connection.execute(insert(tables.dog).values(id="rex"))
    return "rex"


def test_a_vet_is_one_however_the_name_is_typed(records):
    """Case and blanks do not count; the first way of writing it stays."""
    with records.writing() as connection:
        first = keep_vets(connection, ["A. Quillfeather"])
        again = keep_vets(connection, ["a.  quillfeather ", "Bo"])
    assert again["a.  quillfeather "] == first["A. Quillfeather"]
    assert [one.name for one in vets(records)] == ["A. Quillfeather", "Bo"]
    for wrong in ("", "nobody", "x" * 101, "a\x00b"):
        refused = pytest.raises(RecordsError, match="1 to 100 printable letters")
        with refused, records.writing() as connection:
            keep_vets(connection, [wrong])


def test_who_looks_after_a_dog_is_told_of_each_day(records, rex):
    """From the day given on, the later entry of one day counts, nobody is nobody."""
    with records.writing() as connection:
        ids = keep_vets(connection, ["Ada", "Bo"])
        assign(connection, {rex: ids["Ada"]}, since=JUNE, by=None)
        before = last_assignment
        assign(connection, {rex: ids["Bo"]}, since=JULY, by="somebody")
    newest = before(records)
    with records.reading() as connection:
        assert vets_on(connection, date(2024, 5, 31)) == {}
        assert vets_on(connection, date(2024, 6, 30)) == {rex: ids["Ada"]}
        assert vets_on(connection, JULY, dog_id=rex) == {rex: ids["Bo"]}
    with records.writing() as connection:
        assign(connection, {rex: None}, since=JULY, by=None)
    assert last_assignment(records) > newest
    with records.reading() as connection:
        assert vets_on(connection, JULY) == {}


def word(records, rex, *, day, days, by="v", reason="it held three times"):
    with records.writing() as connection:
        values = {"dog_id": rex, "therapy": ANTIBODY, "date": day, "days": days}
        values |= {"signed_by": by, "reason": reason}
        connection.execute(insert(tables.vets_word).values(**values))


def test_the_newest_word_holds_until_it_is_taken_back(records, rex):
    """Who signed is told by the account's name, for as long as it is kept; so is the reason."""
    word(records, rex, day=JUNE, days=56)
    word(records, rex, day=JULY, days=63, reason=None)
    (held,) = vets_words(records, on=date(2024, 6, 30)).values()
    assert (held.days, held.signed, held.reason) == (56, JUNE, "it held three times")
    (held,) = vets_words(records, on=JULY, dog_id=rex).values()
    assert (held.days, held.vet, held.reason) == (63, NAME_GONE, REASON_GONE)
    word(records, rex, day=JULY, days=None, reason=None)
    assert vets_words(records, on=JULY) == {}
