"""Visits judged: rules over codes, items and words; exclusions; kinds; evidence; speed."""

from __future__ import annotations

import time

import pandas as pd
import pytest

from forecast.visits.case_definition import CaseDefinition, CaseDefinitionError, classify

JAK = "daily oral Janus-kinase inhibitor"
ANTIBODY = "long-acting anti-IL-31 antibody injection"


def visit(
    note: str = "", *items: str, codes: tuple[str, ...] = (), patient: str = "p"
) -> dict[str, str]:
    frame = pd.DataFrame(
        {"patient": [patient], "item_classes": [items], "codes": [codes], "note": [note]}
    )
    return classify(frame, CaseDefinition.shipped()).iloc[0].to_dict()


@pytest.mark.parametrize(
    ("note", "items", "codes", "certainty"),
    [
        ("itching, atopic", (), (), "definite"),
        ("itching, known atopic", (), (), "definite"),
        ("itching", (JAK,), (), "definite"),
        ("itching, short steroid course", (), (), "definite"),
        ("atopic flare", (), (), "definite"),
        ("", (JAK,), ("Pruritus",), "definite"),
        ("itching", (), (), "probable"),
        ("", (), ("Pruritus",), "probable"),
        ("licking paws, ears red", (), (), "probable"),  # two places of Favrot's
        ("otitis externa, atopic", (), (), "probable"),
        ("", (JAK,), ("Otitis externa",), "probable"),
        ("", ("skin consultation", JAK), (), "probable"),
        ("otitis externa", (), (), "possible"),
        ("licking paws", (), (), "possible"),
        ("pododermatitis", (), (), "possible"),
        ("", ("skin consultation",), (), "possible"),
        ("", (JAK,), (), "possible"),
        ("hot spot", (), (), "possible"),
        ("", ("systemic glucocorticoid",), (), "none"),  # given for much else
        ("known atopic, vaccinated", ("vaccination",), (), "none"),
        ("vomiting", ("consultation",), (), "none"),
        ("", (), (), "none"),
    ],
)
def test_certainty_is_what_the_rules_say(note, items, codes, certainty):
    """Ears and feet alone are possible; with allergy or a therapy of itch they are probable."""
    assert visit(note, *items, codes=codes)["certainty"] == certainty


@pytest.mark.parametrize(
    ("note", "items", "exclusion", "kind"),
    [
        ("fleas found, itching", (), "fleas found", "other"),
        ("lice, itching", (), "fleas found", "other"),
        ("scabies, itching", (), "mites found", "other"),
        ("itching", ("flea or mite found",), "mites found", "other"),
        ("ringworm, itchy head", (), "dermatophytes found", "other"),
        ("contact dermatitis, itchy", (), "contact reaction", "other"),
        ("vaccine reaction, itchy face", (), "vaccination reaction", "other"),
        ("bee sting, itchy", (), "insect sting", "other"),
        ("hives, itchy", (), "urticaria or swelling", "other"),
        ("food allergy proven, itchy", (), "food reaction proven", "other"),
        ("licking paw with stitches", (), "", "other"),  # the wound alone: no sign of feet
        ("licking paws", ("post-operative check",), "post-operative licking", "other"),
        ("licking rear, anal glands full", (), "anal sacs", "other"),
        ("itching, anal glands expressed", (), "", "itch flare"),
        ("licking paw, torn claw", (), "local cause", "other"),
        ("atopic, ears red, monthly injection", (ANTIBODY,), "scheduled injection",
         "scheduled dose"),
        ("atopic, ears red", ("recheck",), "recheck without new signs", "recheck"),
        ("atopic, ears red again", ("recheck",), "", "itch flare"),
        ("itching", ("recheck",), "", "itch flare"),
        ("itching", ("scheduled injection",), "", "itch flare"),
        ("itch gone", ("recheck",), "", "recheck"),
        ("no itch", ("scheduled injection",), "", "scheduled dose"),
    ],
)  # fmt: skip
def test_exclusions_take_a_visit_out_and_say_why(note, items, exclusion, kind):
    """A cause makes it other; a planned visit keeps its kind; new signs override a plan."""
    told = visit(note, *items)
    assert (told["exclusion"], told["kind"]) == (exclusion, kind)


def test_a_visit_without_its_patient_is_never_a_flare():
    """Its episode could not be told."""
    told = visit("itching, atopic", patient="")
    assert (told["certainty"], told["exclusion"], told["kind"]) == (
        "definite",
        "patient not known",
        "other",
    )


def test_evidence_says_what_counted_and_what_did_not():
    """Codes, items and words apart; nothing else of the note."""
    told = visit("Mrs Quill: itching, no fleas, paws red", JAK, codes=("Atopic dermatitis",))
    assert told["evidence"] == (
        f"code: atopic dermatitis | item: {JAK} | "
        "note: itching, red at paws; not counted: fleas (denied)"
    )


def test_rows_keep_their_index_and_nothing_in_nothing_out():
    """Any index, also none."""
    frame = pd.DataFrame(
        {"patient": "p", "item_classes": [()] * 2, "codes": [()] * 2, "note": ["itching", None]},
        index=[7, 3],
    )
    told = classify(frame, CaseDefinition.shipped())
    assert told.index.tolist() == [7, 3]
    assert told["kind"].tolist() == ["itch flare", "other"]
    assert classify(frame.iloc[:0], CaseDefinition.shipped()).empty


def test_a_missing_column_is_refused():
    """In a sentence that names it."""
    with pytest.raises(CaseDefinitionError, match="lack the column codes, note"):
        classify(pd.DataFrame({"patient": [], "item_classes": []}), CaseDefinition.shipped())


@pytest.mark.long
def test_four_hundred_thousand_visits_are_judged_in_fifteen_seconds(notes):
    """150,000 distinct notes of some 80 characters, on one core."""
    distinct = [f"{notes[at % len(notes)]} Weight {at / 7:.2f} kg." for at in range(150_000)]
    frame = pd.DataFrame({"note": [distinct[at % len(distinct)] for at in range(400_000)]})
    frame = frame.assign(patient="p", item_classes=[()] * len(frame), codes=[()] * len(frame))
    began = time.process_time()
    classify(frame, CaseDefinition.shipped())
    assert time.process_time() - began < 15
