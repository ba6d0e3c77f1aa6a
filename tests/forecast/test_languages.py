"""A language is spoken whole or not at all, in every room that writes to owners."""

from __future__ import annotations

from datetime import date, time
from importlib.resources import files
from pathlib import Path

import pytest

from forecast import languages
from forecast.alerts.catalogues import CATALOGUES as ALERTS
from forecast.languages import Catalogues, language_name, language_names
from forecast.letters.catalogues import CATALOGUES as LETTERS

HELLO = Catalogues("a.room", ("Hello,", "{n} in {of}"))
WHOLE = """msgid ""
msgstr "Content-Type: text/plain; charset=utf-8\\n"

msgid "Hello,"
msgstr "Guten Tag!"

msgid "{n} in {of}"
msgstr "{n} von {of}"
"""


@pytest.fixture
def shipped(tmp_path, monkeypatch):
    """Return what is shipped where a room has one catalogue, German, of the text that is given."""

    def made(text):
        (tmp_path / "locales").mkdir()
        (tmp_path / "locales" / "de.po").write_text(text, encoding="utf-8")
        monkeypatch.setattr(languages, "files", lambda _: tmp_path)
        languages._shipped.cache_clear()
        return HELLO.shipped

    yield made
    languages._shipped.cache_clear()


def test_a_language_of_which_every_sentence_is_there_is_spoken(shipped):
    german = shipped(WHOLE)["de"]
    assert (german.code, german.name) == ("de", "German")
    assert german.say("Hello,") == "Guten Tag!"
    assert german.say("{n} in {of}", n="{of}", of="3") == "{of} von 3", "no fill is looked into"


@pytest.mark.parametrize(
    ("found", "made"),
    [
        ('msgstr "Guten Tag!"', 'msgstr ""'),
        ('msgstr "{n} von {of}"', 'msgstr "{n} von vier"'),
        ('msgid "Hello,"', '#, fuzzy\nmsgid "Hello,"'),
        ('msgid "Hello,"', 'msgid "Hello!"'),
    ],
    ids=["empty", "other places", "fuzzy", "an older sentence"],
)
def test_a_language_with_one_sentence_lacking_is_not_spoken(shipped, found, made):
    """The text is English then, all of it."""
    assert found in WHOLE
    assert list(shipped(WHOLE.replace(found, made, 1))) == ["en"]
    assert HELLO.language("de").say("{n} in {of}", n="1", of="3") == "1 in 3"


@pytest.mark.parametrize("room", [ALERTS, LETTERS], ids=lambda room: room.package)
def test_german_is_shipped_whole_and_says_nothing_that_english_does_not(room):
    """Nothing old is left in a catalogue, and no sentence stands in it twice."""
    assert list(room.shipped) == ["en", "de"]
    path = Path(str(files(room.package) / "locales" / "de.po"))
    assert room.read(path)[1] == []
    held = path.read_text(encoding="utf-8")
    assert "ß" not in held, "Switzerland writes none"
    assert held.count("\nmsgid ") - 1 == len(set(room.sentences)) == len(room.sentences)


def test_the_first_language_that_is_spoken_is_taken_and_english_where_none_is():
    assert LETTERS.language("fi", "de").code == "de"
    assert LETTERS.language(None, "fi").code == "en"


def test_days_and_times_are_said_as_the_language_writes_them():
    day, at = date(2023, 3, 27), time(9, 5)
    english, german = LETTERS.language("en"), LETTERS.language("de")
    assert (english.full_day(day), english.clock(at)) == ("Monday, 27 March 2023", "09:05")
    assert (german.full_day(day), german.clock(at)) == ("Montag, 27. März 2023", "09:05")
    assert german.day(day, beside=day) == "27. März"


def test_languages_have_names_and_codes_of_two_letters():
    assert language_name("de") == "German"
    assert language_name("qq") == "'qq'"
    assert {"de", "fr", "it", "rm"} <= set(language_names())
    assert all(len(code) == 2 for code in language_names())
