"""Findings: one sentence each, and a file that is safe to open."""

from __future__ import annotations

import csv
import io

from forecast.findings import Finding, findings_csv, n_errors

BAD = Finding("unknown word", "error", "v.csv", 7, "kind", "'ich flare'", "itch flare", "mend it")


def test_a_finding_is_one_sentence_with_place_value_limit_and_remedy():
    """Whoever reads it knows where to look and what to do."""
    assert BAD.sentence == (
        "v.csv row 7 column kind: unknown word: 'ich flare'; allowed: itch flare; mend it"
    )


def test_errors_are_counted_apart_from_notes():
    """Only an error means that a row stayed out."""
    note = Finding("encoding", "note", "v.csv", None, None, "Windows-1252", "", "")
    assert n_errors([BAD, note, BAD]) == 2


def test_a_found_value_cannot_become_a_formula():
    """A cell that a spreadsheet would run is written as text."""
    found = Finding("x", "error", "=cmd|' /C calc'!A0.csv", 1, "+a", "@b", "-c", "")
    row = next(csv.DictReader(io.StringIO(findings_csv([found]))))
    assert row["file"] == "'=cmd|' /C calc'!A0.csv"
    assert (row["column"], row["found"], row["allowed"]) == ("'+a", "'@b", "'-c")
    assert row["row"] == "1"
