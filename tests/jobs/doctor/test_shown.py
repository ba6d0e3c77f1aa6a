"""What `forepaw doctor` prints of its checks."""

from __future__ import annotations

from jobs.console_doctor import show_checks
from jobs.doctor import Check

WHY = "not looked at, as practice.toml cannot be used"


def test_what_was_not_looked_at_for_one_reason_is_said_once(capsys):
    """All of them are named; two warnings of one name stay two."""
    checks = [
        Check("settings", "fail", "it holds no practice.toml"),
        Check("schema", "not known", WHY, "mend that first"),
        Check("sources", "warn", "one was never pulled"),
        Check("sources", "warn", "another was never pulled"),
        Check("records", "not known", WHY, "mend that first"),
        Check("permissions", "not known", "not looked at, as it is no folder"),
    ]
    show_checks(checks)
    said = " ".join(capsys.readouterr().out.split())
    assert said.count(WHY) == 1
    assert "2 others schema, records: not looked at" in said
    assert "one was never pulled" in said
    assert "another was never pulled" in said
    assert "permissions not looked at, as it is no folder" in said
