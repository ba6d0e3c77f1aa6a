"""Two renderers of a letter, HTML and PDF: they set its words and add none.

Names and free text reach HTML through Jinja2 with everything escaped, and typst through
`sys_inputs` alone, where they are text and never markup. The PDF is set in fonts of the machine,
else in those that come with typst, which hold Latin, Greek and Cyrillic script; for a name in
another script the machine needs a font that has it.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import cache
from importlib.resources import files

import typst
from jinja2 import Environment, StrictUndefined, Template
from markupsafe import Markup

from forecast.letters.letter import Letter

STYLESHEET = "letter.css"


def letter_html(letter: Letter, *, stylesheet: str | None = None, remark: str = "") -> str:
    """Return a letter as an HTML document, with its look in it or at an address.

    Parameters
    ----------
    letter
        What it says.
    stylesheet
        The address at which `style` is served; None for a file that stands alone.
    remark
        For whoever reads it before it goes out, in English; no owner gets it.
    """
    own = None if stylesheet else Markup(style())  # noqa: S704 (our own file, nobody's input)
    return _template().render(letter=letter, style=own, stylesheet=stylesheet, remark=remark)


def letter_pdf(letter: Letter) -> bytes:
    """Return a letter as PDF on A4; the same letter gives the same bytes on one machine."""
    inputs = {"letter": json.dumps(asdict(letter), ensure_ascii=False)}
    made = typst.compile(_resource("letter.typ").encode(), sys_inputs=inputs, format="pdf")
    assert isinstance(made, bytes)
    return made


def letter_png(letter: Letter, *, ppi: float = 80.0) -> list[bytes]:
    """Return the pages of the PDF as pictures, to be looked at."""
    inputs = {"letter": json.dumps(asdict(letter), ensure_ascii=False)}
    source = _resource("letter.typ").encode()
    made = typst.compile(source, sys_inputs=inputs, format="png", ppi=ppi)
    return [made] if isinstance(made, bytes) else list(made)


@cache
def style() -> str:
    """Return the look of the HTML letter."""
    return _resource(STYLESHEET)


@cache
def _template() -> Template:
    made = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return made.from_string(_resource("letter.html"))


def _resource(name: str) -> str:
    return files("forecast.letters").joinpath(name).read_text(encoding="utf-8")
