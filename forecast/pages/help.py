"""Help: how odds are to be read, the words with fixed meanings, and the equations behind it all.

The equations are the docstrings of the modules that work them out, so that they cannot part ways.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import import_module
from importlib.resources import files

from markupsafe import Markup

from forecast.pages.docstrings import Block, blocks_of, inline, title_of
from forecast.pages.page import Asked, NotFoundError, Page, View


@dataclass(frozen=True)
class Word:
    """A word with one fixed meaning."""

    word: str
    meaning: Markup


@dataclass(frozen=True)
class Chapter:
    """A part of the science: the question it answers, and its module's own text."""

    id: str
    question: str
    title: Markup
    module: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class HelpPage:
    """What the help says first: how to read odds, what is not known, words, and the chapters."""

    reading: tuple[Markup, ...]
    not_known: tuple[Markup, ...]
    words: tuple[Word, ...]
    chapters: tuple[Chapter, ...]


def help_page(_: Asked) -> View:
    """Answer how to read what forepaw says."""
    page = _help()
    words = [{"word": word.word, "meaning": word.meaning.striptags()} for word in page.words]
    return View("help.html", page, {"words": words})


def chapter(asked: Asked) -> View:
    """Answer how one part of the forecast is worked out."""
    wanted = asked.path["chapter"]
    found = {one.id: one for one in _help().chapters}
    if wanted not in found:
        raise NotFoundError(
            f"chapter {wanted!r} of the help was asked for; there are {', '.join(found)}"
        )
    return View("help_chapter.html", found[wanted])


@cache
def _help() -> HelpPage:
    told = tomllib.loads(files("forecast.pages").joinpath("help.toml").read_text("utf-8"))
    return HelpPage(
        tuple(inline(text) for text in told["reading"]),
        tuple(inline(text) for text in told["not_known"]),
        tuple(Word(one["word"], inline(one["meaning"])) for one in told["word"]),
        tuple(_chapter(one) for one in told["chapter"]),
    )


def _chapter(told: dict[str, str]) -> Chapter:
    text = import_module(told["module"]).__doc__ or ""
    return Chapter(
        told["id"], told["question"], title_of(text), told["module"], tuple(blocks_of(text))
    )


PAGES = (
    Page("/help", "help", None, help_page, has_data=True, menu="Help"),
    Page("/help/{chapter}", "help_chapter", None, chapter),
)
