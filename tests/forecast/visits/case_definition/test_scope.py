"""What of a note is said of this patient now: clause by clause, with the reason in the name."""

from __future__ import annotations

import pytest


@pytest.mark.parametrize(
    "note",
    [
        "no itch", "not itchy", "itch resolved", "denies pruritus", "no longer scratching",
        "itching stopped", "itching not seen", "Itch: none", "without any pruritus", "itch 0/10",
        "kein Juckreiz", "juckt nicht mehr", "Juckreiz verneint", "ohne Juckreiz", "juckreizfrei",
        "weder Flöhe noch Juckreiz", "Juckreiz abgeklungen", "Juckreiz 1/10",
    ],
)  # fmt: skip
def test_denied_itch_is_no_itch(signals, note):
    """Whatever denies it, on whichever side."""
    assert "itch" not in signals(note)
    assert "itch denied" in signals(note)


@pytest.mark.parametrize(
    "note",
    [
        "has not stopped scratching", "itch has not resolved", "won't stop scratching",
        "no improvement in itch", "not only itchy but sore", "scratching non-stop",
        "itching not controlled", "hört nicht auf sich zu kratzen", "Juckreiz nicht besser",
        "nicht nur Juckreiz", "Juckreiz lässt nicht nach", "itch resolved but came back",
    ],
)  # fmt: skip
def test_a_denial_of_the_end_is_itch(signals, note):
    """Two denials, and what only looks like one."""
    assert "itch" in signals(note)


@pytest.mark.parametrize(
    ("note", "itch"),
    [
        ("no fleas, itching badly", True),  # a comma ends the denial
        ("no vomiting; itching badly", True),
        ("no fleas but itching badly", True),
        ("keine Flöhe, aber Juckreiz", True),
        ("keine Flöhe jedoch Juckreiz", True),
        ("no cough, sneezing or itch", False),  # a list that "or" closes is under one denial
        ("kein Husten, Niesen oder Juckreiz", False),
        ("no redness and itch", False),  # "and" joins what is of one sort
        ("no fleas and itch", True),  # and not a parasite with a sign
        ("not eating and itchy", True),  # nor what is no sign at all
        ("itch, licking and redness all resolved", False),
    ],
)
def test_a_denial_reaches_to_the_end_of_its_clause(signals, note, itch):
    """And through lists."""
    assert ("itch" in signals(note)) == itch


@pytest.mark.parametrize(
    "note",
    [
        "last year itchy", "itchy in the past", "used to scratch", "history of itch as a puppy",
        "In 2019 itchy", "letztes Jahr Juckreiz", "früher Juckreiz", "als Welpe Juckreiz",
    ],
)  # fmt: skip
def test_itch_of_the_past_is_no_itch(signals, note):
    """A word for the past takes its clause."""
    assert "itch" not in signals(note)


@pytest.mark.parametrize(
    "note",
    [
        "itchy since last year", "3 week history of itch", "itchy again like last year",
        "seit letztem Jahr Juckreiz", "wieder Juckreiz wie letztes Jahr", "itchy since 2019",
        "last year fine, now itchy",
    ],
)  # fmt: skip
def test_a_past_that_lasts_is_now(signals, note):
    """A "since" ties it to now."""
    assert "itch" in signals(note)


@pytest.mark.parametrize(
    ("note", "itch"),
    [
        ("sibling is itchy", False),
        ("the cat at home scratches", False),
        ("owner is itchy", False),
        ("owner has a rash and is itchy", False),
        ("der Bruder hat Juckreiz", False),
        ("Besitzerin hat selbst Juckreiz", False),
        ("owner reports itching", True),
        ("owner: itching", True),
        ("laut Besitzer Juckreiz", True),
        ("sibling well, this one itchy", True),
        ("cat has fleas and this dog is itchy", True),
        ("itchy like his brother", True),
    ],
)
def test_somebody_elses_itch_is_not_the_patients(signals, note, itch):
    """Other animals and owners, unless they only report."""
    assert ("itch" in signals(note)) == itch


@pytest.mark.parametrize(
    "note",
    ["call if itching returns", "monitor for itch", "should itching recur",
     "falls Juckreiz auftritt", "bei Juckreiz wiedervorstellen", "anti-itch shampoo",
     "Shampoo gegen Juckreiz"],
)  # fmt: skip
def test_what_might_be_is_not(signals, note):
    """Conditions and purposes."""
    assert "itch" not in signals(note)


@pytest.mark.parametrize(
    ("note", "found"),
    [
        ("live fleas seen", True),
        ("flea dirt", True),
        ("Flohkot gefunden", True),
        ("Floehe gefunden", True),
        ("no fleas", False),
        ("flea comb negative", False),
        ("up to date with flea control", False),
        ("?fleas", False),
        ("fleas?", False),
        ("suspect fleas", False),
        ("V.a. Flöhe", False),
        ("treated for fleas last month", False),
        ("cat has fleas", False),
        ("Flohprophylaxe gegeben", False),
    ],
)
def test_fleas_must_have_been_found_on_the_patient(signals, note, found):
    """Not denied, not suspected, not prevented, not somebody else's."""
    assert ("fleas" in signals(note)) == found


@pytest.mark.parametrize(
    ("note", "there"),
    [
        ("itchy ears", {"ears"}),
        ("licking paws", {"feet", "licking"}),
        ("ears red", {"ears"}),
        ("otitis externa", {"ears"}),
        ("rubbing face", {"face", "licking"}),
        ("itchy belly", {"itch"}),
        ("itchy ears and belly", {"itch", "ears"}),
        ("licking", {"licking"}),
        ("scratching at sutures", {"wound licking", "licking"}),
        ("Pfoten gerötet", {"feet"}),
        ("licking paws, ears red", {"feet", "ears", "licking", "two places"}),
        ("ears red, belly red", {"ears", "skin"}),
    ],
)
def test_itch_at_a_place_of_its_own_is_a_sign_of_that_place(signals, note, there):
    """Ears, feet, eyes, under the tail and wounds; a body part is itch of the dog."""
    assert signals(note) - {"skin spoken of", "new signs"} == there


@pytest.mark.parametrize(
    ("note", "itch"),
    [("PVAS 1.9", False), ("PVAS 2", True), ("pvas: 6,5", True), ("itch 3/10", True),
     ("itch scored 1 out of 10", False), ("Juckreizscore 4", True), ("PVAS not done", False)],
)  # fmt: skip
def test_a_score_tells_itch_from_two_on(signals, note, itch):
    """PVAS 0 to 1.9 is normal (Rybnicek et al. 2009)."""
    assert ("itch" in signals(note)) == itch


@pytest.mark.parametrize(
    "note", ["pruritis", "prurtius", "scatching", "scartching", "Jukreiz", "dauerjuckreiz"]
)
def test_slips_of_the_pen_and_compounds_are_found(signals, note):
    """By the list, or by one letter in a long word."""
    assert "itch" in signals(note)


@pytest.mark.parametrize(
    "note",
    ["stitching", "witching hour", "kratzer am auge", "cat scratch on nose", "licking lips",
     "allergic to amoxicillin", "no known allergies", "house dust mites"],
)  # fmt: skip
def test_words_that_hold_another_word_mean_something_else(signals, note):
    """Not itch, not allergy, not mites."""
    assert not signals(note) & {"itch", "allergy", "mites", "licking"}
