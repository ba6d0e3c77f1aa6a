"""Figures as pages show them: drawn once an issue, kept beside its other files, found by name.

`outbox/<issue>/pages/<figure>.<look>.svg`, and `.json` for the live one. What is not there, since
the issue is older or nobody looked at it yet, is drawn when it is first asked for.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from functools import cache
from itertools import product
from pathlib import Path
from typing import Any, Literal

from forecast.charts.looks import LOOKS, Look, as_seen
from forecast.charts.render import compiled, svg_of, write_whole
from forecast.figures import SEASON, Figure, figures, names_of_regions
from forecast.issuing import Issue, of_region
from forecast.outbox import PAGES
from forecast.practice import Practice
from models.parameters import load_table

Kind = Literal["svg", "json"]
_Specs = Callable[[int, bool], dict[str, Any]]
KINDS: tuple[Kind, ...] = ("svg", "json")
_PRIVATE_FOLDER = 0o700
_drawing = threading.Lock()  # one at a time: a drawer takes a processor for itself


def page_figure(
    practice: Practice,
    issue_id: str,
    *,
    name: str,
    look: Look,
    kind: Kind,
    make: Callable[[], Figure],
) -> bytes:
    """Return a figure in a look, as SVG or as the specification of the live one.

    `make` is called where it was not drawn yet.
    """
    folder = practice.outbox_folder / issue_id / PAGES
    held = _read(_file(folder, name, look, kind))
    return _kept(folder, name, look, kind, _specs_of(make())) if held is None else held


def draw_for_pages(practice: Practice, issue: Issue) -> int:
    """Draw an issue's figures in every look ahead of who asks; return how many are there.

    Of the figures of very many regions the first ones only: the others wait until asked for. Of an
    issue without its draws each region's are read by themselves.
    """
    most = int(load_table("forecast", "figure_files.toml").number("drawn_ahead.most"))
    drawn = 0
    folder = practice.outbox_folder / issue.id / PAGES
    for figure in _figures(practice, issue):
        specs = _specs_of(figure)
        for look, kind in product(LOOKS.values(), KINDS):
            if drawn >= most:
                return drawn
            _kept(folder, figure.name, look, kind, specs)
            drawn += 1
    return drawn


def _figures(practice: Practice, issue: Issue) -> Iterator[Figure]:
    if issue.has_draws:
        yield from figures(practice, issue)
        return
    yield from (one for one in figures(practice, issue) if one.name.startswith(SEASON))
    for region in names_of_regions(practice, issue):
        of_one = figures(practice, of_region(issue, region))
        yield from (one for one in of_one if not one.name.startswith(SEASON))


def _specs_of(figure: Figure) -> _Specs:
    """Return the specification by width and whether it is live; the same one is made once."""

    @cache
    def spec(width: int, hover: bool) -> dict[str, Any]:
        return figure.draw(width=width, hover=hover).to_dict()

    return spec


def _kept(folder: Path, name: str, look: Look, kind: Kind, specs: _Specs) -> bytes:
    path = _file(folder, name, look, kind)
    with _drawing:
        held = _read(path)  # another request may have drawn it meanwhile
        if held is None:
            held = _drawn(specs(look.width, kind == "json"), look, kind)
            path.parent.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)
            write_whole(path, held)
    return held


def _drawn(spec: dict[str, Any], look: Look, kind: Kind) -> bytes:
    seen = as_seen(spec, look)
    if kind == "json":
        return json.dumps(compiled(seen), separators=(",", ":")).encode()
    return svg_of(seen).encode()


def _file(folder: Path, name: str, look: Look, kind: Kind) -> Path:
    return folder / f"{name}.{look.name}.{kind}"


def _read(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None
