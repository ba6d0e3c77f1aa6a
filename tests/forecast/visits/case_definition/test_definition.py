"""The definition as a text: what is refused, what changes its version, what a practice may add."""

from __future__ import annotations

import re

import pytest

from forecast.visits.case_definition import (
    CaseDefinition,
    CaseDefinitionError,
    read_note,
    shipped_text,
)
from forecast.visits.exports.layout import item_classes
from models.parameters import ParameterError, load_table

LEAF = 'unit = "1", source = "our vets", status = "assumed"'


def changed(old: str, new: str) -> str:
    text = shipped_text()
    assert old in text
    return text.replace(old, new, 1)


def names(note: str, definition: CaseDefinition) -> set[str]:
    found = read_note(note, definition).signals
    return {name for name, bit in definition.signals.items() if found & bit}


def test_the_shipped_definition_reads_and_names_itself():
    """Its name and a hash of what decides a verdict."""
    shipped = CaseDefinition.shipped()
    assert shipped.text == shipped_text()
    assert re.fullmatch(r"shipped 1 [0-9a-f]{8}", shipped.version)
    assert shipped.flare_free_days == 28


def test_both_languages_have_the_same_lists():
    """A concept of one language alone would be forgotten in the other."""
    lists = [
        set(load_table("forecast.visits.case_definition.words", f"{language}.toml").parameters)
        for language in ("en", "de")
    ]
    assert lists[0] == lists[1]


def test_no_list_holds_an_entry_twice():
    """Nor an empty one."""
    for language in ("en", "de"):
        table = load_table("forecast.visits.case_definition.words", f"{language}.toml")
        for key, parameter in table.parameters.items():
            entries = parameter.value
            assert len(set(entries)) == len(entries), key
            assert all(entry.strip() for entry in entries), key


def test_every_item_class_that_gives_a_signal_exists():
    """The definition and the classes of layouts speak the same words."""
    assert set(CaseDefinition.shipped().item_signals) <= set(item_classes())


def test_comments_change_no_version_and_a_rule_does():
    """What decides no verdict is no new version."""
    shipped = CaseDefinition.shipped().version
    assert CaseDefinition.from_text("# ours\n" + shipped_text()).version == shipped
    other = CaseDefinition.from_text(changed('"eyes", "rear"', '"rear"'))
    assert other.version != shipped


def test_another_language_is_another_version():
    """Its words decide."""
    english = CaseDefinition.from_text(changed('["en", "de"]', '["en"]'))
    assert english.version != CaseDefinition.shipped().version
    assert "itch" in names("itching", english)
    assert "itch" not in names("Juckreiz", english)


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ("[reach]\n", "[reach]\nscores = { value = 1, " + LEAF + " }\n",
         "the key 'reach.scores', which means nothing here; did you mean 'reach.score'?"),
        ('["itch + allergy"', '["itch + alergy"', "'alergy' is no signal; did you mean 'allergy'?"),
        ('["recheck"], unit', '["rechek"], unit',
         "'rechek', which is no item class; did you mean 'recheck'?"),
        ('["en", "de"]', '["en", "qq"]', "names 'qq'; word lists are there for de, en"),
        ("[exclusion.cause]", "[exclusion.reason]", "exclusions stand under"),
        ("value = 28", "value = 28.5", "must be a whole number from 0; it is 28.5"),
        ('value = ["itch", "worse', 'value = "itch", x = ["worse', "must have exactly value"),
        ("[codes]\n", "[more_words.signs]\nitchs = { value = [], " + LEAF + " }\n[codes]\n",
         "'signs.itchs', which is no word list; did you mean 'signs.itch'?"),
        ("[codes]\n", '[fewer_words.signs]\nitch = { value = ["itchen"], ' + LEAF + " }\n[codes]\n",
         "takes 'itchen' out, which is not in that list; did you mean"),
        ("[codes]\n", "[codes]\nitches = { value = [], " + LEAF + " }\n",
         "[codes] of the case definition names 'itches', which is no signal"),
    ],
)  # fmt: skip
def test_a_slip_is_refused_in_a_sentence(old, new, sentence):
    """What was found, what is allowed, what was meant."""
    with pytest.raises((CaseDefinitionError, ParameterError)) as refusal:
        CaseDefinition.from_text(changed(old, new))
    assert sentence in str(refusal.value)


def test_a_missing_key_is_named():
    """Nothing is filled in silently."""
    text = "\n".join(line for line in shipped_text().split("\n") if not line.startswith("tied"))
    with pytest.raises(CaseDefinitionError, match=r"lacks reach\.tied"):
        CaseDefinition.from_text(text)


def test_a_practice_adds_and_takes_out_words():
    """Its own shorthand, and a word that means something else there."""
    own = (
        "[more_words.signs]\nitch = { value = ['IX'], " + LEAF + " }\n"
        "[fewer_words.findings]\nfleas = { value = ['fad'], " + LEAF + " }\n"
    )
    definition = CaseDefinition.from_text(shipped_text() + own)
    assert "itch" in names("ix since friday", definition)
    assert "fleas" not in names("FAD", definition)
    assert "fleas" in names("FAD", CaseDefinition.shipped())


def test_a_practice_lists_its_own_codes():
    """A code gives a signal whatever its text says."""
    text = changed("[codes]\nitch = { value = []", "[codes]\nitch = { value = ['4711']")
    definition = CaseDefinition.from_text(text)
    assert definition.code_signals == {"4711": definition.signals["itch"]}
