"""What owners read: whole in one language, with the fixed blocks, without odds where none are."""

from __future__ import annotations

import re
from datetime import date

import pytest
from reading_grade import GRADES, HIGHEST_GRADE, sentences_of

from forecast.alerts.catalogues import language
from forecast.alerts.checking import TextError, check_text
from forecast.alerts.deciding import Spoken
from forecast.alerts.drafting import facts_of, write
from forecast.records.alert_tables import ALERT_KINDS


def facts(kind="season near", *, skill="better", odds=0.34, region="Seoul", usual=0.2):
    days = (date(2026, 5, 4), date(2026, 5, 11))
    spoken = Spoken(kind, date(2026, 4, 20), days, days[1], odds, usual)
    return facts_of(spoken, region=region, practice="Lakeside", skill=skill, is_invented=False)


@pytest.mark.parametrize("kind", ALERT_KINDS)
@pytest.mark.parametrize("code", ["en", "de"])
def test_every_alert_holds_the_fixed_blocks_and_nothing_that_no_alert_may_say(kind, code):
    """Fleas and cats, human medicines, the emergency, and no change of treatment; no count."""
    written = write(facts(kind), language(code))
    assert check_text(written.subject, written.body) == (written.subject, written.body)
    wanted = {
        "en": ("swollen face", "cat", "medicines made for people", "Do not start, stop, skip"),
        "de": ("geschwollenes Gesicht", "Katze", "Arzneimittel für Menschen", "Beginnen, beenden"),
    }
    assert all(words in written.blocks for words in wanted[code])
    told = sentences_of(f"{written.body}\n{written.blocks}".splitlines())
    assert GRADES[code](told) <= HIGHEST_GRADE
    assert "{" not in written.subject + written.body + written.blocks
    assert "Seoul" in written.subject


def test_odds_stand_in_the_text_only_where_forecasts_are_known_to_be_better():
    assert "odds that the week of 11 May brings many flares are 1 in 3" in _body(facts())
    for skill, said in (("not known", "not known yet"), ("not shown", "did no better")):
        body = _body(facts(skill=skill))
        assert said in body
        assert not re.search(r"\d+ in \d+|%", body)
    assert facts(skill="not known").odds is None


def test_the_end_of_a_season_reassures_nobody():
    body = _body(facts("season over", odds=0.04))
    assert "they are not zero" in body
    assert "says nothing about any one dog" in body
    assert "Call us if your dog still itches" in body


def test_dates_and_odds_are_said_in_the_language():
    """Days before months, Monday to Sunday."""
    assert "4 May to 17 May" in _body(facts())
    german = write(facts(), language("de")).body
    assert "4. Mai bis 17. Mai" in german
    assert "in 1 von 3 Fällen" in german


def test_names_cannot_break_the_subject_nor_be_filled_in():
    """A region's name with a line break or braces is one line of plain text."""
    written = write(facts(region="Se\r\nBcc: {practice}oul"), language("en"))
    assert "\n" not in written.subject
    assert "Se Bcc: {practice}oul" in written.subject


# ------------------------------------------------------------------------------ catalogues
def test_a_language_without_a_catalogue_is_english():
    assert language("fi").code == "en"


# ------------------------------------------------------------------------------ what editors write
@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("Give 5 mg once a day.", "looks like a dose"),
        ("Give half tablet.", "looks like a dose"),
        ("Ask for Flealess®.", "marks a brand"),
        ("We expect 35 flare visits.", "count of patients"),
        ("Last week we saw 40 dogs.", "count of patients"),
        ("Wir sahen 40 juckende Hunde.", "count of patients"),
        ("<b>Now</b>", "tag of a web page"),
        ("Hello {name}", "place to fill in"),
        ("See https://example.org", "is a link"),
        ("There is no risk this week.", "promises something"),
        ("Es gibt Entwarnung.", "promises something"),
        ("You may stop giving the medicine.", "changes a treatment"),
        ("Turn\u202eround", "invisible character U+202E"),
        ("   ", "is empty"),
        ("x" * 4001, "may have 4000"),
    ],
)
def test_what_no_alert_may_say_is_refused_with_the_words_found(text, said):
    with pytest.raises(TextError, match=re.escape(said)):
        check_text("Itchy dogs", text)


def test_a_subject_is_one_line():
    with pytest.raises(TextError, match="U\\+000A"):
        check_text("Itchy\nBcc: a@b.example", "Text")


def _body(of):
    return write(of, language("en")).body
