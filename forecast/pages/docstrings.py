"""Module docstrings as a page shows them: paragraphs, lists and tables, and equations as MathML.

Of reStructuredText what our docstrings use, and no more: a mark that is not known here stands on
the page as it was written.
"""

from __future__ import annotations

import re
import textwrap
from dataclasses import dataclass
from typing import Literal

from latex2mathml.converter import convert
from markupsafe import Markup, escape

BlockKind = Literal["paragraph", "equation", "list", "table", "heading"]
_MATH = ".. math::"
_INLINE = re.compile(
    r":math:`(?P<math>[^`]+)`|``(?P<code>[^`]+)``|`(?P<name>[^`]+)`"
    r"|\*\*(?P<strong>[^*]+)\*\*|\*(?P<emphasis>[^*\s][^*]*)\*"
)
_UNDERLINE = re.compile(r"^[-=~]{3,}$")
_TABLE = re.compile(r"^=+( +=+)+$")


@dataclass(frozen=True)
class Block:
    """One block of a docstring; `rows` has one cell a row but for a table."""

    kind: BlockKind
    rows: tuple[tuple[Markup, ...], ...]

    @property
    def content(self) -> Markup:
        """The content of a block of one piece."""
        return self.rows[0][0]


def blocks_of(docstring: str) -> list[Block]:
    """Return the blocks of a docstring, without its first line, which is its title."""
    text = textwrap.dedent(docstring.partition("\n")[2]).strip("\n")
    pieces = [piece.strip("\n") for piece in re.split(r"\n\s*\n", text) if piece.strip()]
    blocks: list[Block] = []
    waiting = ""  # a directive whose equation stands after an empty line
    for piece in pieces:
        if waiting and piece[:1].isspace():
            blocks.append(_equation(piece))
            waiting = ""
            continue
        waiting = _MATH if piece.strip() == _MATH else ""
        if not waiting:
            blocks += _blocks(piece)
    return blocks


def title_of(docstring: str) -> Markup:
    """Return the first line of a docstring, its title."""
    return inline(docstring.strip().partition("\n")[0])


def _blocks(piece: str) -> list[Block]:
    lines = piece.splitlines()
    at = next((n for n, line in enumerate(lines) if line.startswith(_MATH)), None)
    if at is not None:
        before = _blocks("\n".join(lines[:at])) if at else []
        return [*before, _equation("\n".join([lines[at].removeprefix(_MATH), *lines[at + 1 :]]))]
    if len(lines) >= 2 and _UNDERLINE.match(lines[1]):
        rest = _blocks("\n".join(lines[2:])) if len(lines) > 2 else []
        return [_one("heading", lines[0]), *rest]
    if _TABLE.match(lines[0]):
        return [_table(lines)]
    if re.match(r"^[*-] ", lines[0]):
        items = re.split(r"\n(?=[*-] )", piece)
        return [Block("list", tuple((inline(item[2:]),) for item in items))]
    return [_one("paragraph", piece)]


def _one(kind: BlockKind, text: str) -> Block:
    return Block(kind, ((inline(text),),))


def _table(lines: list[str]) -> Block:
    edges = [(found.start(), found.end()) for found in re.finditer("=+", lines[0])]
    edges[-1] = (edges[-1][0], max(map(len, lines)))
    told = [line for line in lines if not _TABLE.match(line)]
    rows = (tuple(inline(line[first:last].strip()) for first, last in edges) for line in told)
    return Block("table", tuple(rows))


def _equation(latex: str) -> Block:
    latex = " ".join(line.strip() for line in latex.splitlines()).strip()
    if "&" in latex or r"\\" in latex:
        latex = rf"\begin{{align*}}{latex}\end{{align*}}"
    return Block("equation", ((_math(latex, "block"),),))


def _math(latex: str, display: str) -> Markup:
    # the converter hands words through as they are
    safe = latex.replace("<", r"\lt ").replace(">", r"\gt ")
    return Markup(convert(safe, display=display))  # noqa: S704 (no tag is left to be one)


def inline(text: str) -> Markup:
    """Return a run of text with its marks: mathematics, code, names, emphasis."""
    text = " ".join(line.strip() for line in text.splitlines())
    parts: list[Markup] = []
    last = 0
    for found in _INLINE.finditer(text):
        parts.append(escape(text[last : found.start()]))
        parts.append(_marked(str(found.lastgroup), found[str(found.lastgroup)]))
        last = found.end()
    parts.append(escape(text[last:]))
    return Markup("").join(parts)


def _marked(kind: str, content: str) -> Markup:
    if kind == "math":
        return _math(content, "inline")
    tag = {"code": "code", "name": "code", "strong": "strong", "emphasis": "em"}[kind]
    return Markup("<{0}>{1}</{0}>").format(Markup(tag), content)  # noqa: S704 (tags of ours)
