"""Two renderers set the same words and run none of them."""

from __future__ import annotations

import re
from datetime import date, time
from html import unescape

import pytest

from forecast.dosing.plan import Proposal
from forecast.letters.catalogues import CATALOGUES
from forecast.letters.letter import Names, PlanTold, Variant, make_letter
from forecast.letters.rendering import letter_html, letter_pdf, letter_png
from forecast.practice import parse_settings, template

# what stopped a compile when names stood in the markup, and what a page must not run
EVIL = '#panic("x") *b* _i_ $x$ @y <script>alert(1)</script> \\ "] {{ 7*7 }}'
PLAN = PlanTold("anti_il31_antibody", Proposal.DATED_DOSES, (date(2023, 3, 27),), ())
# six doses, one of them with a time, and three spans to watch: what a long season asks for
LONG_SEASON = PlanTold(
    PLAN.therapy,
    PLAN.proposal,
    tuple(date(2023, month, 27) for month in (3, 5, 6, 8, 9, 11)),
    (date(2023, 4, 17), date(2023, 6, 26), date(2023, 12, 18)),
    times={date(2023, 3, 27): time(10, 30)},
)


def letter(name: str = "Rex", variant: Variant = Variant.DATES, *, code: str = "en", plan=PLAN):
    settings = parse_settings(template())
    names = Names(name, f"Ada {name}", f"Dr {name}")
    of = {"variant": variant, "today": date(2023, 3, 1), "is_signed": True}
    return make_letter(settings, names, plan, **of, speaks=CATALOGUES.language(code))


def test_html_holds_every_word_in_order_and_escapes_names():
    made = letter(EVIL)
    page = letter_html(made)
    assert "<script" not in page
    words = unescape(re.sub(r"<[^>]+>", " ", page.split("</head>")[1]))
    words = " ".join(words.split())
    at = 0
    for line in (*made.head, made.title, *made.prose[:1], *made.prose[1:]):
        found = words.find(" ".join(line.split()))
        assert found >= 0, line
    for line in made.prose:
        found = words.find(" ".join(line.split()), at)
        assert found >= 0 or line in words, line
        at = max(found, at)
    assert "49" not in page.split("</head>")[1], "no expression in a name is worked out"


def test_a_page_of_the_service_links_its_look_and_a_file_brings_its_own():
    assert "<style" not in letter_html(letter(), stylesheet="/letter.css")
    alone = letter_html(letter())
    assert "<style>" in alone
    assert "href=" not in alone


def test_pdf_is_made_whatever_a_name_holds_and_is_the_same_again():
    """Another name gives other bytes, the same name the same."""
    made = letter_pdf(letter(EVIL))
    assert made.startswith(b"%PDF-")
    assert letter_pdf(letter(EVIL)) == made
    assert letter_pdf(letter("Rex")) != letter_pdf(letter("Mo"))


@pytest.mark.parametrize("code", CATALOGUES.shipped)
@pytest.mark.parametrize("variant", list(Variant))
def test_every_letter_is_one_page(variant, code):
    """A name as long as a register holds does not push it over, nor does a long season."""
    for name, plan in (("Maximilian von Thunderpaw", PLAN), ("Maximilian", LONG_SEASON)):
        made = letter(name, variant, code=code, plan=plan)
        assert len(letter_png(made, ppi=20)) == 1


def test_both_say_in_which_language_they_are():
    """For whoever has it read aloud; the remark for whoever looks through it is in English."""
    page = letter_html(letter(code="de"), remark="To be read only.")
    assert page.count('lang="de"') == 1
    assert '<p class="notice" lang="en">To be read only.</p>' in page
    assert b"/Lang(de)" in letter_pdf(letter(code="de"))
    assert b"/Lang(en)" in letter_pdf(letter())
