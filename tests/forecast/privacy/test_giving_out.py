"""All that is held on an owner, and nothing on anybody else."""

from __future__ import annotations

import json

import pytest

from forecast.privacy import held_on_owner
from forecast.records import RecordsError, tables
from forecast.records.dogs import dog_ids, owner_of
from forecast.records.handovers import (
    CALENDAR,
    CANCELLATION,
    LETTER,
    Correspondence,
    Handover,
    add_handover,
)
from forecast.records.tables import metadata

# Tables of which nothing is about an owner or a dog.
OF_NOBODY = {
    *("branch", "imported_file", "case_definition", "closure", "erasure", "count_vintage"),
    *("count_week", "settings_text", "issue", "issue_region", "job_run"),
    *("work_request", "notice", "notice_delivery", "verification", "culprit_result"),
    *("alert", "alert_block_approval", "alert_decision", "alert_rule"),  # of a whole region
    *("alert_list", "alert_standing", "alert_text", "signing_key"),
    # who works at the practice, not who owns a dog
    *("account", "account_branch", "account_identity", "account_link", "account_session"),
    *("audit_entry", "known_browser", "recovery_code", "sign_in_wait"),
    *("staff_member", "staff_identity", "staff_terms", "staff_leave", "staff_plan"),
    "staff_shift",
    *("branch_hours", "desk_number", "stock_count"),
}


def test_everything_on_the_owner_is_given_out(practice, records):
    """Records of every kind, and the rows of raw files, the bad one and the earlier number too."""
    held = held_on_owner(practice, records, "K1")
    text = json.dumps(held)
    for told in ("Ada Quillfeather", "ada@forepaw.invalid", "itchy, says Ada", "9.5", "4.5"):
        assert told in text, told
    assert [dog["identity"][0]["reference"] for dog in held["dogs"]] == ["P1", "P2"]
    rex = held["dogs"][0]
    assert [home["region_id"] for home in rex["homes"]] == ["seoul"]
    assert [status["status"] for status in rex["statuses"]] == ["active"]
    assert [visit["date"] for visit in rex["visits"]] == ["2023-05-08", "2024-05-06"]
    assert rex["visits"][1]["verdicts"][0]["kind"] == "itch flare"
    assert rex["therapies"][0]["therapy"] == "ciclosporin"
    assert rex["adverse reactions"][0]["therapy"] == "anti_il31_antibody"
    assert rex["plans"][0]["decisions"][0]["reason"] == "Ada Quillfeather wants none"
    assert [answer["answer"] for answer in held["consent"]] == ["yes"]
    assert [owner["language"] for owner in held["owner"]] == ["rm"]
    rows = {file: [row["row"] for row in rows] for file, rows in held["rows of raw files"].items()}
    assert rows == {
        "visits.csv": [2, 3, 5, 6],
        "therapies.csv": [2],
        "facts.csv": [2],
        "reactions.csv": [2],
        "scores.csv": [2],
    }
    assert held["raw files that could not be searched"] == {}


def test_nothing_on_others_is_given_out(practice, records):
    """Neither Bo nor his dog."""
    text = json.dumps(held_on_owner(practice, records, "K1"))
    for other in ("Puddlewright", "Pip", "P3", "K3", '"vaccination"', "hives"):
        assert other not in text, other


def test_what_went_out_is_given_to_whom_it_went_alone(practice, records):
    """A dog that changed hands: neither owner is given what the other was told."""
    rex = dog_ids(records)["P1"]
    owners = {row: owner_of(records, dog_ids(records)[row]).id for row in ("P1", "P3")}
    of_ada = Correspondence(rex, owners["P1"], "anti_il31_antibody")
    of_bo = of_ada._replace(owner_id=owners["P3"])
    with records.writing() as connection:
        for of, kind in ((of_ada, CALENDAR), (of_bo, LETTER), (of_ada, CANCELLATION)):
            add_handover(connection, Handover(of, None, kind, practice.now, "desk 1"))
        connection.execute(tables.dog.update().values(owner_id=owners["P3"]))
    given = {number: held_on_owner(practice, records, number) for number in ("K1", "K3")}
    kinds = {number: [one["kind"] for one in held["handed over"]] for number, held in given.items()}
    assert kinds == {"K1": [CALENDAR, CANCELLATION], "K3": [LETTER]}
    for number, other in (("K1", "P3"), ("K3", "P1")):
        assert owners[other] not in json.dumps(given[number])


def test_every_table_that_knows_a_dog_or_an_owner_is_given_out():
    """A table added later must be given out too, or be named as one of nobody."""
    given = {
        *("owner", "owner_status", "consent", "dog", "dog_identity", "home", "dog_status"),
        *("visit", "visit_case", "therapy_event", "pruritus_score", "dog_fact"),
        *("adverse_reaction", "therapy_release", "vaccination", "medicine", "allergy_test"),
        *("dose_plan", "dose", "plan_decision", "dog_vet", "vet", "vets_word"),
        *("alert_message", "alert_stop", "handover", "response_trial"),
        *("desk_entry", "entry_taken_back"),
    }
    assert {table.name for table in metadata.sorted_tables} == given | OF_NOBODY


def test_files_that_cannot_be_searched_are_named(practice, records):
    """So that a person looks into them."""
    (practice.layouts_folder / "desk.toml").unlink()
    held = held_on_owner(practice, records, "K1")
    (why,) = held["raw files that could not be searched"].values()
    assert "no layout fits it any more" in why


def test_somebody_unknown_is_refused(practice, records):
    """By the number that was asked for."""
    with pytest.raises(RecordsError, match="'nobody' was asked for"):
        held_on_owner(practice, records, "nobody")
