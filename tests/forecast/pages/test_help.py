"""Help: anybody may read it, every equation is one, every word has one meaning."""

from __future__ import annotations

import pytest
from html_check import faults_of, text_of

from forecast.pages.docstrings import blocks_of, inline, title_of
from forecast.pages.help import _help

TEXT = r"""Warmth: what drives it.

.. math:: E = m \max(a, b^2)

with :math:`m` the *rate* of ``this`` and `that` <b>; 3 * 4 * 5.

* one
* two,
  over two lines

=====  ======
name   number
=====  ======
a      1
=====  ======

References
----------
Somebody 2001.
"""


@pytest.mark.parametrize("chapter", [one.id for one in _help().chapters])
def test_every_chapter_reads_as_a_page(browser, chapter):
    """A stranger may read it; no mark of the source or of LaTeX is left in its words."""
    answer = browser().get(f"/help/{chapter}")
    assert answer.status_code == 200
    assert faults_of(answer.text) == []
    words = text_of(answer.text)
    for mark in ("\\", ":math:", ".. ", "``", "----"):
        assert mark not in words


def test_the_help_tells_words_and_how_to_read_odds(browser):
    """Each word once."""
    answer = browser().get("/help")
    assert faults_of(answer.text) == []
    words = [word["word"] for word in browser().get("/help.json").json()["words"]]
    assert len(words) == len(set(words))
    assert {"flare visit", "high week", "pressure", "cover", "skill"} <= set(words)


def test_an_unknown_chapter_is_refused(browser):
    """In a sentence."""
    assert browser().get("/help/nothing").status_code == 404


def test_a_docstring_becomes_blocks():
    """Equation, paragraph, list, table, heading; what is not ours is escaped."""
    blocks = blocks_of(TEXT)
    assert [block.kind for block in blocks] == [
        *("equation", "paragraph", "list", "table", "heading", "paragraph"),
    ]
    assert blocks[0].content.startswith("<math")
    assert "<em>rate</em> of <code>this</code> and <code>that</code> &lt;b&gt;" in blocks[1].content
    assert "3 * 4 * 5" in blocks[1].content
    assert [row[0] for row in blocks[2].rows] == ["one", "two, over two lines"]
    assert blocks[3].rows == (("name", "number"), ("a", "1"))
    assert title_of(TEXT) == "Warmth: what drives it."


def test_text_is_escaped_before_it_is_marked():
    """Also within marks."""
    assert inline("``<script>``") == "<code>&lt;script&gt;</code>"
    assert "<script>" not in inline(":math:`a < \\text{<script>}`")
