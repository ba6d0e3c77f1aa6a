"""`forepaw people`: the way in from the command line, and the audit's verdict."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest
from sqlalchemy import update
from typer.testing import CliRunner

from forecast.accounts.links import use_link
from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.account_tables import audit_entry
from jobs.cli import app
from models.errors import ForepawError

PASSWORD = "plum tractor violin"


@pytest.fixture
def folder(tmp_path, small_settings):
    create_practice(tmp_path / "practice", small_settings)
    return tmp_path / "practice"


def run(folder, *words):
    result = CliRunner().invoke(app, ["people", *words, "--practice", str(folder)])
    return result, " ".join(result.output.split())


def link_in(said: str) -> str:
    """Return the token of a link, which stands whole on a line of its own."""
    return said.split("http://127.0.0.1:8400/invitation/")[1].split()[0]


def take_up(folder, token, **who):
    now = datetime.now(UTC)
    records = open_records(open_practice(folder))
    use_link(records, token, PASSWORD, **who, today=date.today(), now=now)
    records.close()


def test_from_nobody_to_an_administrator_who_is_revoked(folder):
    """List, link, invite, revoke, audit, each saying what it did."""
    assert "Nobody has an account yet" in run(folder, "list")[1]
    token = link_in(run(folder, "link")[0].output)
    assert len(token) == 43
    take_up(folder, token, name="Ida", email="ida@practice.example")
    result, _ = run(folder, "link")
    assert isinstance(result.exception, ForepawError)
    assert "there is one already" in str(result.exception)
    words = ["--name", "Lou", "--role", "vet", "--until", "2999-01-01"]
    assert "A link for Lou, good once" in run(folder, "invite", "lou@practice.example", *words)[1]
    assert "until 2999-01-01" in run(folder, "list")[1]
    assert link_in(run(folder, "link", "ida@practice.example")[0].output) != token
    _, said = run(folder, "revoke", "lou@practice.example", "--forget")
    assert said == "lou@practice.example: deactivated; name and mail address are erased"
    assert "Lou" not in run(folder, "list")[1]
    result, said = run(folder, "audit")
    assert result.exit_code == 0
    assert "The audit is whole" in said
    assert "Lou" not in said


def test_an_audit_that_was_tampered_with_is_told(folder):
    """With exit code 1, as for a head that is not in it."""
    run(folder, "link")
    run(folder, "link")
    result, said = run(folder, "audit", "--head", "0" * 64)
    assert result.exit_code == 1
    assert "is not in it, so entries were taken out" in said
    records = open_records(open_practice(folder))
    with records.writing() as connection:
        own = update(audit_entry).where(audit_entry.c.number == 1)
        connection.execute(own.values(action="signed out"))
    records.close()
    result, said = run(folder, "audit")
    assert result.exit_code == 1
    assert "The audit was tampered with: entry 1 of 2" in said


def test_a_slip_is_one_sentence(folder):
    """With what is allowed."""
    result, _ = run(folder, "invite", "lou@practice.example", "--name", "Lou", "--role", "boss")
    assert "the roles are manager, vet, nurse" in str(result.exception)
    result, _ = run(folder, "revoke", "lou@practice.example")
    assert "nobody here has that mail address" in str(result.exception)
