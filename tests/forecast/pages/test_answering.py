"""The filters by which templates tell sentences and days."""

from __future__ import annotations

from datetime import datetime

import pytest

from forecast.pages.answering import environment


def filtered(text: object, name: str) -> str:
    """Return what a template shows of a value."""
    return environment().from_string("{{ value | " + name + " }}").render(value=text)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("itch score 4.6 on 2023-02-02; seen", "Itch score 4.6 on 2 Feb 2023; seen"),
        ("2 until 2024-12-31, from 2024-01-01", "2 until 31 Dec 2024, from 1 Jan 2024"),
        ("it says 2023-13-45", "It says 2023-13-45"),
        ("number 12023-02-021", "Number 12023-02-021"),
        ("<b> & 2023-02-02", "&lt;b&gt; &amp; 2 Feb 2023"),
        ("", ""),
    ],
)
def test_a_sentence_begins_large_and_says_days_in_words(text, shown):
    """What only looks like a day stays as it is, and nothing of it becomes a tag."""
    assert filtered(text, "told") == shown


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("say `forepaw import visits FILE`.", "say <code>forepaw import visits FILE</code>."),
        ("`a` or `b<c>`", "<code>a</code> or <code>b&lt;c&gt;</code>"),
        ("one ` alone & <b>", "one ` alone &amp; &lt;b&gt;"),
    ],
)
def test_commands_are_set_as_code_and_nothing_else_becomes_a_tag(text, shown):
    """What stands between two marks, and what stands around them, is escaped."""
    assert filtered(text, "commands") == shown


def test_a_moment_is_said_with_its_day_in_words():
    """As the practice's clock has it."""
    assert filtered(datetime(2023, 3, 1, 9, 5), "moment") == "1 Mar 2023 09:05"
