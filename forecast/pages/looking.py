"""What a look at a brought file shows: what it is, how it would be read, what must be answered.

A look takes seconds, so the last few are kept by the file and by the layouts and branches that they
rest on. Nothing is written by looking.
"""

from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from forecast.pages.imports import CheckCount
from forecast.pages.layout_form import ItemRow, LayoutForm, layout_form
from forecast.pages.page import Asked, PageError
from forecast.pages.requests import moment_words
from forecast.records.branches import branches
from forecast.uploads import Upload, limits, upload_path
from forecast.visits.exports.export import GatheredExport
from forecast.visits.exports.layout import Layout
from forecast.visits.exports.looking import Look
from forecast.visits.importing.looking import look_at_content
from models.errors import ForepawError

VISITS = "visits"
_KEPT = 2  # looks: each holds the whole file
_MEGABYTE = 1_000_000
_DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_MERGED_SHOWN = 20


@dataclass(frozen=True)
class CheckShown(CheckCount):
    """How often a check spoke, and of what first."""

    first: str = ""


@dataclass(frozen=True)
class LookPage:
    """What a look shows.

    Attributes
    ----------
    answer
        Whether the file can be taken in as it is, in a sentence.
    about
        What the file is: rows, encoding, where its headings stand.
    refusal
        Why it cannot be read, "" where it can.
    questions
        What a person must answer before it can be.
    form
        The layout that fits, or the one proposed; None where the file needs none.
    layout_stem
        Where the layout is kept; "" for a proposal.
    outcome
        What would come of it, in sentences; empty while questions are open.
    may_take_in
        Whether it can be taken in now.
    """

    id: str
    kind: str
    file_name: str
    n_bytes: int
    came: str
    answer: str
    about: str = ""
    refusal: str = ""
    questions: tuple[str, ...] = ()
    form: LayoutForm | None = None
    is_proposed: bool = False
    layout_stem: str = ""
    unused: tuple[str, ...] = ()
    perhaps_merged: tuple[tuple[str, str], ...] = ()
    outcome: tuple[str, ...] = ()
    checks: tuple[CheckShown, ...] = ()
    all_items: tuple[ItemRow, ...] = field(default=(), repr=False)
    layouts: tuple[str, ...] = ()
    layout: str = ""
    may_take_in: bool = True
    is_under_way: bool = False


@dataclass(frozen=True)
class _Seen:
    """A look and where its proposal would be kept; what is not needed of the file is let go."""

    look: Look | None
    path: Path | None
    refusal: str = ""


_looks: OrderedDict[tuple[str, str], _Seen] = OrderedDict()
_lock = threading.Lock()


def refresh(one: Upload) -> None:
    """Forget what was seen of a file."""
    with _lock:
        for key in [key for key in _looks if key[0] == one.id]:
            del _looks[key]


def proposed_layout(asked: Asked, one: Upload) -> tuple[Path, Layout, Mapping[str, int]]:
    """Return where the layout proposed for a file would be kept, the layout, unmapped items.

    Raises
    ------
    PageError
        If none is proposed: one fits, or the file cannot be read.
    """
    seen = _seen(asked, one)
    if seen.look is None or seen.look.layout is None or not seen.look.is_proposed:
        raise PageError(f"no layout is proposed for {one.file_name}; look at the file again")
    assert seen.path is not None
    unmapped = {item.text: item.n_lines for item in seen.look.items if not item.item_class}
    return seen.path, seen.look.layout, unmapped


def look_page(asked: Asked, one: Upload, *, is_under_way: bool) -> LookPage:
    """Return the page of a file that waits."""
    base: dict[str, Any] = {
        "id": one.id,
        "kind": one.kind,
        "file_name": one.file_name,
        "n_bytes": one.n_bytes,
        "came": moment_words(asked.practice, one.came_at),
        "is_under_way": is_under_way,
        "layout": one.layout,
        "layouts": tuple(path.stem for path in _layout_files(asked)),
    }
    if one.kind != VISITS:
        answer = f"{one.file_name} waits to be taken in as {one.kind}"
        return LookPage(answer=answer, **base)
    most = limits().number("look.most_bytes")
    if one.n_bytes > most * _MEGABYTE:
        answer = f"{one.file_name} waits to be taken in; it is too large to be looked at here"
        about = f"Files of up to {most:.0f} MB are looked at. Through the layout that fits it can "
        return LookPage(answer=answer, about=f"{about}be taken in all the same.", **base)
    seen = _seen(asked, one)
    if seen.look is None:
        answer = f"{one.file_name} cannot be read as it is"
        return LookPage(answer=answer, refusal=seen.refusal, may_take_in=False, **base)
    return _page(asked, one, seen.look, base)


def _page(asked: Asked, one: Upload, look: Look, base: Mapping[str, Any]) -> LookPage:
    held, export, may_take_in = look.layout, look.export, not look.is_proposed
    questions = tuple(question.sentence for question in look.questions)
    if held is None:
        answer = f"{one.file_name} is classified already and can be taken in"
    elif questions:
        n = len(questions)
        answer = f"{one.file_name} asks {n} {'question' if n == 1 else 'questions'}"
        may_take_in = False
    elif look.is_proposed:
        answer = f"A layout is proposed for {one.file_name}; look it through and keep it"
    else:
        answer = f"{one.file_name} can be taken in through {held.file}"
    number = asked.query.get("page", "1")
    form = None
    if held is not None:
        form = layout_form(
            held,
            branch_ids=list(branches(asked.records)),
            items={item.text: item.n_lines for item in look.items},
            counted="lines",
            page=int(number) if number.isascii() and number.isdigit() and len(number) < 9 else 1,
            headings=look.sheet.headings,
            examples=look.examples,
        )
    return LookPage(
        answer=answer,
        about=_about(look),
        questions=questions,
        form=form,
        is_proposed=look.is_proposed,
        layout_stem="" if held is None or look.is_proposed else Path(held.file).stem,
        unused=tuple(look.unused),
        perhaps_merged=tuple(list(look.perhaps_merged.items())[:_MERGED_SHOWN]),
        outcome=_outcome(export) if export is not None else (),
        checks=tuple(
            CheckShown(kind.severity, kind.check, kind.n, kind.first.sentence)
            for kind in look.kinds
        ),
        all_items=tuple(ItemRow(item.text, item.n_lines, item.item_class) for item in look.items),
        may_take_in=may_take_in,
        **base,
    )


def _about(look: Look) -> str:
    sheet = look.sheet
    if sheet.encoding:
        delimiter = _DELIMITERS.get(sheet.delimiter, repr(sheet.delimiter))
        form = f"{sheet.encoding} text with {delimiter}"
    else:
        form = f"workbook, sheet {sheet.sheet!r}"
    return f"{sheet.n_read:,} rows, {form}; headings in row {sheet.heading_row}."


def _outcome(export: GatheredExport) -> tuple[str, ...]:
    """Say what would come of an export."""
    visits = export.visits
    if visits.empty:
        return (f"No visit would come of its {export.n_read:,} rows.",)
    named = visits.loc[visits["patient"] != "", "patient"]
    nobody = len(visits) - len(named)
    said = [
        f"{len(visits):,} visits of {named.nunique():,} dogs, from "
        f"{visits['date'].min():%Y-%m-%d} to {visits['date'].max():%Y-%m-%d}."
    ]
    if nobody:
        said.append(f"{nobody:,} visits are no dog's and count as consultations only.")
    said.append(f"{export.n_left_out:,} of {export.n_read:,} rows are left out for a fault.")
    apart = [f"{n:,} {reason}" for reason, n in export.tally.items() if n]
    return (*said, f"Set apart: {', '.join(apart)}.") if apart else tuple(said)


def _layout_files(asked: Asked) -> list[Path]:
    return sorted(asked.practice.layouts_folder.glob("*.toml"))


def _seen(asked: Asked, one: Upload) -> _Seen:
    """Look at a file, or return the last look where nothing that it rests on has changed."""
    key = one.id, _rests_on(asked, one)
    with _lock:  # one look at a time: each takes memory and a core
        if key in _looks:
            _looks.move_to_end(key)
            return _looks[key]
        seen = _look(asked, one)
        _looks[key] = seen
        while len(_looks) > _KEPT:
            _looks.popitem(last=False)
        return seen


def _look(asked: Asked, one: Upload) -> _Seen:
    content = upload_path(asked.practice, one).read_bytes()
    try:
        seen, path = look_at_content(
            asked.practice, asked.records, content, one.file_name, layout=one.layout or None
        )
    except ForepawError as refusal:
        return _Seen(None, None, str(refusal))
    return _Seen(seen, path)


def _rests_on(asked: Asked, one: Upload) -> str:
    """Return a hash of what a look depends on besides the file."""
    told = hashlib.sha256(f"{one.layout} {asked.practice.today}".encode())
    for path in _layout_files(asked):
        told.update(path.name.encode() + path.read_bytes())
    told.update(repr(sorted(branches(asked.records))).encode())
    return told.hexdigest()
