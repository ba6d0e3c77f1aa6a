"""A definition is put in force by judging all visits anew; the record itself stays as it was."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

from forecast.records import cases
from forecast.records.persons import forget_notes
from forecast.records.visits import visits, visits_with_evidence
from forecast.visits import VisitError, counts_as_known, import_visits, make_vintage
from forecast.visits.case_definition import CaseDefinition, CaseDefinitionError, shipped_text
from forecast.visits.judging import (
    DEFINITION_FILE,
    counting_rule,
    definition_text,
    definition_to_judge_by,
    put_in_force,
)

ITCHY = {"note": "itchy, allergic flare", "patient": "P1"}
EARS = {"note": "ears red, otitis", "patient": "P2", "invoice": "R2"}


def renamed(name: str, **rules: str) -> str:
    """Return the shipped definition under another name, some of its rules replaced."""
    text = shipped_text().replace('value = "shipped 1"', f'value = "{name}"')
    for key, value in rules.items():
        line = f'{key} = {{ value = {value}, unit = "1", source = "a test", status = "assumed" }}'
        text = re.sub(f"^{key} = .*$", line, text, flags=re.MULTILINE)
    return text


def kinds(records) -> dict[str, str]:
    return visits(records).set_index("reference")["kind"].to_dict()


def test_another_definition_judges_all_visits_and_says_what_changed(practice, records, exporting):
    """Ears count for it as likely flares; verdicts of the first stay beside its own."""
    import_visits(practice, records, exporting(ITCHY, EARS))
    assert kinds(records) == {"R1/P1/2024": "itch flare", "R2/P2/2024": "other"}
    done = put_in_force(practice, records, renamed("ears too", probable='["ears"]'))
    assert kinds(records) == {"R1/P1/2024": "itch flare", "R2/P2/2024": "itch flare"}
    assert (done.n_judged, done.before) == (2, CaseDefinition.shipped().version)
    moved = done.changed[done.changed["before"] != done.changed["after"]]
    assert moved.values.tolist() == [["other", "itch flare", 1]]
    back = put_in_force(practice, records, shipped_text())
    assert back.n_judged == 0, "its verdicts were kept"
    assert kinds(records) == {"R1/P1/2024": "itch flare", "R2/P2/2024": "other"}


def test_what_is_no_definition_changes_nothing(practice, records, exporting):
    """The refusal is a sentence, the old one stays in force."""
    import_visits(practice, records, exporting(ITCHY))
    with pytest.raises(CaseDefinitionError, match=r"'other\.x', which means nothing here"):
        put_in_force(practice, records, renamed("x").replace("flare_free_days =", "[other]\nx ="))
    assert cases.definition_in_force(records).version == CaseDefinition.shipped().version
    assert len(cases.definitions(records)) == 1


def test_a_practice_that_has_a_definition_of_its_own_begins_with_it(practice, records, exporting):
    """From a file in its folder."""
    own = renamed("clinic").replace("value = 28", "value = 42")
    (practice.folder / DEFINITION_FILE).write_text(own, encoding="utf-8")
    assert counting_rule(practice, records).flare_free_days == 42
    import_visits(practice, records, exporting(ITCHY))
    rule = counting_rule(practice, records)
    version = CaseDefinition.from_text(own).version
    assert rule.words == f"itch flare after 42 flare-free days, {version}"


def test_vintages_name_the_definition_and_count_by_it(practice, records, exporting):
    """Two flares five weeks apart are two episodes after 28 days, one after 42."""
    days = pd.date_range("2024-01-03", "2024-05-29", freq="7D")
    quiet = [
        {"invoice": f"Q{n}", "day": f"{d:%Y-%m-%d}", "patient": f"Q{n}"} for n, d in enumerate(days)
    ]
    flares = [ITCHY | {"invoice": d, "day": d} for d in ("2024-03-04", "2024-04-08")]
    import_visits(practice, records, exporting(*quiet, *flares))
    first = make_vintage(practice, records, cover_rules={})
    put_in_force(practice, records, renamed("long").replace("value = 28", "value = 42"))
    second = make_vintage(practice, records, cover_rules={})
    totals = []
    for vintage in (first, second):
        counted = counts_as_known(records, practice.today, vintage)["flare_visits"]
        totals.append(float(counted.sel(region="north").sum()))
    assert totals == [2.0, 1.0]
    assert first.case_definition.endswith(CaseDefinition.shipped().version)
    assert second.case_definition.startswith("itch flare after 42 flare-free days, long ")


def test_a_visit_whose_note_was_forgotten_keeps_the_verdict_it_had(practice, records, exporting):
    """The new definition cannot read it, and does not take it for a visit without itch."""
    import_visits(practice, records, exporting(ITCHY, EARS))
    forget_notes(records, before=practice.today)
    assert visits_with_evidence(records)["note"].isna().all()
    put_in_force(practice, records, renamed("ears too", probable='["ears"]'))
    assert kinds(records) == {"R1/P1/2024": "itch flare", "R2/P2/2024": "other"}


def test_a_new_reading_of_the_same_text_judges_all_visits_anew(
    practice, records, exporting, monkeypatch
):
    """A later version of the service reads notes otherwise: verdicts of both are not mixed."""
    import_visits(practice, records, exporting(ITCHY, EARS))
    from_text = CaseDefinition.from_text
    monkeypatch.setattr(
        CaseDefinition, "from_text", lambda text: replace(from_text(text), version="newer reading")
    )
    kept, _ = definition_to_judge_by(practice, records)
    assert kept.version == "newer reading"
    assert cases.definition_in_force(records).version == "newer reading"
    assert cases.n_unjudged(records, kept.id) == 0


def test_a_definition_that_cannot_be_read_is_refused_by_name(tmp_path):
    """No file, or no text."""
    with pytest.raises(VisitError, match=r"own\.toml cannot be read: no such file"):
        definition_text(tmp_path / "own.toml")
    (tmp_path / "own.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(VisitError, match="not utf-8 text"):
        definition_text(tmp_path / "own.toml")
    assert definition_text(None) == shipped_text()
