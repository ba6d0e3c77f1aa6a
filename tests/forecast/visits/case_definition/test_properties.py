"""What must not change a verdict: unrelated sentences, the order of clauses, capitals, accents."""

from __future__ import annotations

import unicodedata
from itertools import combinations, permutations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.visits.case_definition import CaseDefinition, read_note

UNRELATED = (
    "Weight 12.3 kg.", "Teeth grade 2, dental advised.", "Temp 38.5, heart and lungs normal.",
    "Nails clipped.", "Vomited twice yesterday.", "No vomiting or diarrhoea.",
    "Appetite much better.", "Last year he weighed 11 kg.", "The other dog stays at home.",
    "Lameness left hind, radiographs booked.", "Gewicht 14,2 kg.", "Zähne Grad 2.",
    "Herz und Lunge unauffällig.", "Kein Erbrechen, kein Durchfall.", "Erbrechen seit gestern.",
)  # fmt: skip
CLAUSES = (
    "no fleas found", "itching badly", "ears clean", "his sister is itchy", "last year nothing",
    "licks his paws", "vomited once", "keine Milben", "Katze kratzt sich", "Bauch gerötet",
    "owner worried", "stitches out",
)  # fmt: skip
SHIPPED = CaseDefinition.shipped()


def told(note: str) -> int:
    return read_note(note, SHIPPED).signals


@pytest.mark.parametrize("sentence", UNRELATED)
def test_an_unrelated_sentence_changes_no_verdict(notes, sentence):
    """Before or behind any of the notes, all signals stay."""
    for note in notes:
        whole = note if note.endswith((".", "!", "?")) else note + "."
        assert told(f"{whole} {sentence}") == told(whole), whole
        assert told(f"{sentence} {whole}") == told(whole), whole


@pytest.mark.parametrize("separator", [", ", "; ", ". ", "\n"])
def test_the_order_of_clauses_of_different_subjects_does_not_matter(separator):
    """Any three of them in any order say the same."""
    for chosen in combinations(CLAUSES, 3):
        said = {told(separator.join(order)) for order in permutations(chosen)}
        assert len(said) == 1, chosen


def test_capitals_and_accents_do_not_matter(notes):
    """Nor how a letter with an accent is composed, nor umlauts left out or written out."""
    written_out = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"})
    for note in notes:
        apart = unicodedata.normalize("NFD", note)
        bare = "".join(c for c in apart if not unicodedata.combining(c))
        others = (
            note.upper(),
            note.lower(),
            note.title(),
            apart,
            bare,
            note.translate(written_out),
        )
        assert {told(other) for other in others} == {told(note)}, note


@given(st.text(max_size=80))
@settings(max_examples=300, deadline=None)
def test_no_text_stops_the_reading(note):
    """Whatever a field holds, it is read; evidence quotes the lists, never the note."""
    read = read_note(note, SHIPPED)
    listed = {
        entry.replace(" ...", "").replace("*", "")
        for entries in SHIPPED.lexicon.lists.values()
        for entry in entries
    }
    for part in (
        read.words.replace("; not counted: ", ", ").removeprefix("not counted: ").split(", ")
    ):
        bare = part.partition(" (")[0].partition(" at ")[0]
        assert bare in listed | {""}


def test_evidence_never_holds_a_name():
    """A name that ends like a word of itch is quoted as the list has it."""
    said = read_note("Frau Quilljuckreiz war mit Rex da, Juckreizmann auch", SHIPPED).words
    assert "quill" not in said.lower()
    assert "mann" not in said.lower()
    assert said == "juckreiz"
