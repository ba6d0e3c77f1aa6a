"""What is particular to records in PostgreSQL; all else is tested on both databases."""

from __future__ import annotations

import pytest
from sqlalchemy import make_url, text

from forecast.records import Records, RecordsError

pytestmark = pytest.mark.parametrize("database", ["postgresql"], indirect=True)


@pytest.mark.parametrize("usual", ["repeatable read", "serializable"])
def test_a_writer_sees_what_the_one_it_waited_for_wrote_whatever_is_usual(practice, records, usual):
    """At those isolations it would see the state of before its wait, and its write would fail."""
    url = make_url(practice.records_url)
    escaped = usual.replace(" ", "\\ ")
    strict = {"options": f"-cdefault_transaction_isolation={escaped}"}
    opened = Records(url.update_query_dict(strict).render_as_string())
    with opened.writing() as connection:
        assert connection.scalar(text("SHOW transaction_isolation")) == "read committed"
    with opened.reading() as connection:
        assert connection.scalar(text("SHOW transaction_isolation")) == "repeatable read"
    opened.close()


def test_a_database_that_is_not_there_is_told_in_a_sentence(practice, records):
    """The sentence names the place, and no password."""
    word = "Quillfeather"
    url = make_url(practice.records_url).set(database="nowhere", password=word)
    opened = Records(url.render_as_string(hide_password=False))
    with (
        pytest.raises(
            RecordsError, match=r"nowhere.*could not be used: .*does not exist"
        ) as refused,
        opened.reading(),
    ):
        pass
    assert word not in str(refused.value)
