"""Looking words up: stars, phrases, gaps, spelling."""

from __future__ import annotations

import pytest

from forecast.visits.case_definition.lexicon import Lexicon, folded, tokens_of


def lexicon(**lists: list[str]) -> Lexicon:
    return Lexicon(lists=lists, fuzzy=frozenset({"fuzzy"}), fuzzy_letters=8, longest_gap=3)


def found(held: Lexicon, text: str) -> list[tuple[tuple[str, ...], str]]:
    return [(mark.concepts, mark.quote) for mark in held.marks(tokens_of(text))]


def test_text_is_folded():
    """Capitals, accents and apostrophes go; sharp s becomes two."""
    assert folded("Flöhe, Straße, ISN\u2019T") == "flohe, strasse, isnt"


def test_numbers_signs_and_scores_are_tokens():
    """A score stays whole; a hyphen in a word parts it; a lone dash and "-ve" mean something."""
    assert tokens_of("Itch 7/10 - JAK-tabs, comb -ve") == [
        "itch", "7/10", "-", "jak", "tabs", ",", "comb", "negative",
    ]  # fmt: skip
    assert tokens_of("?fleas") == ["¿", "fleas"]
    assert tokens_of("fleas?") == ["fleas", "?"]


def test_an_exact_entry_outranks_a_star():
    """A "juckreizspritze" is a therapy though it begins like itch."""
    held = lexicon(itch=["juckreiz*"], therapy=["juckreizspritze"])
    assert found(held, "Juckreizspritze") == [(("therapy",), "juckreizspritze")]
    assert found(held, "Juckreizschub") == [(("itch",), "juckreiz")]


def test_the_longer_phrase_wins_and_takes_its_words():
    """The words of a phrase stand for nothing else."""
    held = lexicon(flea=["flea", "flea dirt"], none=["flea dirt gone"])
    assert found(held, "flea dirt gone") == [(("none",), "flea dirt gone")]
    assert found(held, "flea dirt") == [(("flea",), "flea dirt")]


@pytest.mark.parametrize(
    ("text", "matches"),
    [
        ("swollen after vaccine", True),
        ("swollen face half an hour after vaccine", False),  # four words between, three are allowed
        ("swollen left face after vaccine", True),
        ("swollen, after vaccine", False),  # a phrase does not reach past its clause
    ],
)
def test_a_gap_is_at_most_three_words_of_one_clause(text, matches):
    """That is what "..." in an entry stands for."""
    assert bool(found(lexicon(reaction=["swollen ... after vaccine"]), text)) == matches


def test_one_entry_may_stand_in_several_lists():
    """The word then stands for all of them."""
    assert found(lexicon(one=["red"], two=["red"]), "red") == [(("one", "two"), "red")]


@pytest.mark.parametrize(
    ("word", "same"),
    [
        ("scratching", True),
        ("scrtching", True),  # a letter less
        ("scratchhing", True),  # a letter more
        ("scratchimg", True),  # another letter
        ("scratchign", True),  # two changed places
        ("ccratching", False),  # the first letter must be right
        ("scrtchin", False),  # two slips
    ],
)
def test_long_words_of_signs_are_found_with_one_slip(word, same):
    """And no further."""
    assert bool(found(lexicon(fuzzy=["scratching"]), word)) == same


def test_short_words_are_found_as_they_are_alone():
    """So a "hitch" is no itch."""
    assert not found(lexicon(fuzzy=["itching"]), "hitching")


def test_umlauts_may_be_left_out_or_written_out():
    """Three spellings of one word."""
    held = lexicon(flea=["flöhe"])
    assert all(found(held, text) for text in ("Flöhe", "Flohe", "FLOEHE"))
