"""The measures of reading, by hand."""

from __future__ import annotations

import pytest
from reading_grade import english_syllables, flesch_kincaid, german_syllables, sentences_of, vienna


def test_the_english_grade_is_that_of_the_formula_by_hand():
    """Six words, six syllables, one sentence: 0.39 x 6 + 11.8 x 1 - 15.59 = -1.45."""
    assert flesch_kincaid(["The cat sat on the mat"]) == pytest.approx(-1.45)
    assert flesch_kincaid(["A medicine", "No"]) == pytest.approx(
        0.39 * 3 / 2 + 11.8 * 5 / 3 - 15.59
    )


def test_the_german_grade_is_that_of_the_formula_by_hand():
    """Eight words in two sentences, counted by a person.

    Rufen(2) Sie(1) den(1) Tierarzt(2) / Die(1) Packungsbeilage(5) ist(1) wichtig(2): one of three
    or more syllables, 12.5 %; longer than six letters are Tierarzt, Packungsbeilage and wichtig,
    37.5 %; four of one syllable, 50 %; four words a sentence. 2.41875 + 0.6688 + 4.86375 - 1.635
    - 0.875 = 5.4413.
    """
    told = ["Rufen Sie den Tierarzt", "Die Packungsbeilage ist wichtig"]
    assert vienna(told) == pytest.approx(5.4413)
    assert vienna(["Der Hund ist da"]) == pytest.approx(0.1672 * 4 - 3.27 - 0.875)


@pytest.mark.parametrize(
    ("word", "n"),
    [
        *(("vet", 1), ("itch", 1), ("dose", 1), ("doses", 2), ("weighs", 1), ("closed", 1)),
        *(("decides", 2), ("season", 2), ("tablet", 2), ("scratches", 2), ("leaflet", 2)),
        *(("injection", 3), ("infection", 3), ("prescription", 3), ("medicine", 3)),
        *(("possible", 3), ("examination", 5), ("country", 2), ("before", 2), ("breathing", 2)),
    ],
)
def test_english_syllables_are_counted_as_a_person_counts_them(word, n):
    """By hand; of rarer words it may count one too many, never one too few of these."""
    assert english_syllables(word) == n


@pytest.mark.parametrize(
    ("word", "n"),
    [
        *(("Hund", 1), ("Haut", 1), ("Sie", 1), ("Schub", 1), ("Juckreiz", 2), ("Termine", 3)),
        *(("Flöhe", 2), ("neue", 2), ("Haare", 2), ("Tierärztin", 3), ("untersucht", 3)),
        *(("Infektion", 4), ("Medikament", 4), ("Saison", 2), ("entscheidet", 3), ("quer", 1)),
    ],
)
def test_german_syllables_are_counted_as_a_person_counts_them(word, n):
    """By hand; the end -tion is taken for two syllables, which makes a text look harder."""
    assert german_syllables(word) == n


def test_a_full_stop_behind_a_number_ends_no_sentence():
    assert len(sentences_of(["Bis Sonntag, 2. Juli 2023. Dann nicht mehr."])) == 1
    assert sentences_of(["Call us. Do not wait: come!", "14"]) == ["Call us", "Do not wait", "come"]
