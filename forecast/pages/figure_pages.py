"""Figures of issues by their address, and the script that makes them live."""

from __future__ import annotations

import gzip
import hashlib
import re
import threading
from dataclasses import dataclass
from typing import Literal, cast

from starlette.responses import Response

from forecast.accounts.roles import Right
from forecast.charts.drawer import drawing_script_from_elsewhere
from forecast.charts.looks import LOOKS
from forecast.figure_files import page_figure
from forecast.figures import Figure, figure_makers
from forecast.issuing import Issue
from forecast.pages.issue_reading import held, issue_named, one_region
from forecast.pages.page import Asked, NotFoundError, Page
from forecast.practice import Practice

_TYPES = {"svg": "image/svg+xml", "json": "application/json"}
# what an issue shows never changes, and its id stands in the address
_KEPT = {"cache-control": "private, max-age=31536000, immutable"}
_SCRIPT = "/charts.js"
_SAFE = re.compile(r"[\w-]+")  # what may stand in the name of a file


@dataclass(frozen=True)
class FigureShown:
    """A figure as a page shows it.

    Attributes
    ----------
    address
        To be followed by ``.<look>.svg`` or ``.<look>.json``.
    title
        Its answer in a sentence.
    text
        What it shows, in words.
    notes
        How it is to be read, and the credit of its sources.
    """

    address: str
    title: str
    text: str
    notes: tuple[str, ...]


def figure_shown(practice: Practice, issue: Issue, name: str) -> FigureShown | None:
    """Return a figure of an issue for a page; None where the issue has none of that name."""
    figure = _figure(practice, issue, name)
    if figure is None:
        return None
    notes = (*figure.keys, figure.credit)
    return FigureShown(f"/figures/{issue.id}/{name}", figure.title, figure.text, notes)


def _figure(practice: Practice, issue: Issue, name: str) -> Figure | None:
    kind, _, rest = name.partition("-")
    # figures of a region show draws, of which those of the region alone are read
    of_one = kind != "season" and rest in issue.forecast["region"].values
    shown = one_region(issue, rest) if of_one else issue
    key = ("figure", issue.file, name, practice.settings_sha256)

    def make() -> Figure | None:
        maker = figure_makers(practice, shown).get(name)
        return None if maker is None else maker(name)

    return held.value(key, make)


def _file(asked: Asked) -> Response:
    issue_id, (name, look, kind) = asked.path["issue"], _parts(asked.path["file"])
    refusal = NotFoundError(
        f"a figure {name!r} of issue {issue_id!r} was asked for; there is none such"
    )
    if not (_SAFE.fullmatch(issue_id) and _SAFE.fullmatch(name)) or not _may_see(asked, name):
        raise refusal

    def make() -> Figure:
        issue = issue_named(asked.practice, asked.records, issue_id)
        figure = _figure(asked.practice, issue, name)
        if figure is None:
            raise refusal
        return figure

    content = page_figure(
        asked.practice,
        issue_id,
        name=name,
        look=LOOKS[look],
        kind=cast(Literal["svg", "json"], kind),
        make=make,
    )
    return Response(content, media_type=_TYPES[kind], headers=_KEPT)


def _parts(file: str) -> tuple[str, str, str]:
    parts = file.rsplit(".", 2)
    if len(parts) != 3 or parts[1] not in LOOKS or parts[2] not in _TYPES:
        raise NotFoundError(
            f"a figure {file!r} was asked for; their names end in one of "
            f"{', '.join(LOOKS)}, then .svg or .json"
        )
    return parts[0], parts[1], parts[2]


def _may_see(asked: Asked, name: str) -> bool:
    kind, _, region = name.partition("-")
    return asked.regions is None or (kind != "season" and region in asked.regions)


# ------------------------------------------------------------------------------------------ script
_making = threading.Lock()
_script_held: list[tuple[bytes, str]] = []  # the drawing script, packed, and its mark


def hold_script() -> bool:
    """Make the drawing script and hold it; False where somebody else is at it already."""
    if not _making.acquire(blocking=False):
        return False
    try:
        if not _script_held:
            script = drawing_script_from_elsewhere()
            mark = hashlib.sha256(script).hexdigest()[:16]
            _script_held.append((gzip.compress(script, 6, mtime=0), mark))
        return True
    finally:
        _making.release()


def _script(asked: Asked) -> Response:
    if not _script_held and not hold_script():
        # the pictures stay as they are: nobody waits, and no worker is kept from other pages
        return Response(status_code=503, headers={"retry-after": "5"})
    packed, mark = _script_held[0]
    headers = {"etag": f'"{mark}"', "cache-control": "private, max-age=86400"}
    if asked.request.headers.get("if-none-match") == headers["etag"]:
        return Response(status_code=304, headers=headers)
    body = packed
    if "gzip" in asked.request.headers.get("accept-encoding", ""):
        headers["content-encoding"] = "gzip"
    else:
        body = gzip.decompress(packed)
    headers["vary"] = "accept-encoding"
    return Response(body, media_type="text/javascript", headers=headers)


PAGES = (
    Page("/figures/{issue}/{file}", "figure", Right.SEE_FORECAST, _file),
    Page(_SCRIPT, "charts", Right.SEE_FORECAST, _script),
)
