"""Layouts: which column of the practice's exports is what, and what its words mean; edited here.

A layout is checked before it is written, and what stood there is kept beside it. Imports that were
read through it can then be read again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from forecast.accounts.roles import Right
from forecast.pages.imports import may_answer
from forecast.pages.layout_form import LayoutForm, changed_by, layout_form, seen_mark
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.pages.requests import ask_clock
from forecast.records.branches import branches
from forecast.records.item_strings import imports_through, item_counts
from forecast.sheets import same_heading
from forecast.visits.exports.layout import Layout, LayoutError, parse_layout
from forecast.visits.exports.layout_changes import layout_rewritten, replace_layout

FORM_BYTES = 512 * 1024
_UNMAPPED_LISTED = 500


@dataclass(frozen=True)
class LayoutRow:
    """One layout of the practice; `fault` says why it cannot be used, "" where it can."""

    stem: str
    name: str
    n_columns: int
    n_items: int
    fault: str


@dataclass(frozen=True)
class LayoutsPage:
    """The layouts of the practice."""

    answer: str
    rows: tuple[LayoutRow, ...]


@dataclass(frozen=True)
class LayoutPage:
    """One layout and its form.

    `imports` are those that were read through it; `may_save` says whether this person may change
    it.
    """

    answer: str
    stem: str
    form: LayoutForm
    imports: tuple[int, ...]
    may_save: bool


@dataclass(frozen=True)
class LayoutTextPage:
    """A layout as its text."""

    stem: str
    file: str
    text: str
    seen: str
    wrong: str
    may_save: bool


def _layouts(asked: Asked) -> View:
    rows = tuple(_row(path) for path in sorted(asked.practice.layouts_folder.glob("*.toml")))
    answer = (
        f"{len(rows)} {'layout says' if len(rows) == 1 else 'layouts say'} how exports are read"
        if rows
        else "No layout yet: bring a file of visits, and one is proposed"
    )
    page = LayoutsPage(answer, rows)
    return View("layouts.html", page, {"layouts": [asdict(row) for row in rows]})


def _row(path: Path) -> LayoutRow:
    try:
        held = parse_layout(path.read_text(encoding="utf-8"), f"{path.parent.name}/{path.name}")
    except (LayoutError, UnicodeDecodeError) as fault:
        return LayoutRow(path.stem, path.stem, 0, 0, str(fault))
    n_columns = sum(bool(heading) for heading in held.columns.values())
    return LayoutRow(path.stem, held.name, n_columns, len(held.items), "")


def layout_path(asked: Asked, stem: str) -> Path:
    """Return where a layout that is there is kept; no path is made of what an address says."""
    for path in asked.practice.layouts_folder.glob("*.toml"):
        if path.stem == stem:
            return path
    raise NotFoundError(f"the layout {stem!r} was asked for; there is none of that name")


def _held(asked: Asked) -> tuple[Path, Layout]:
    path = layout_path(asked, asked.path["layout"])
    text = path.read_text(encoding="utf-8")
    return path, parse_layout(text, f"{path.parent.name}/{path.name}")


def _layout(asked: Asked) -> View:
    path, held = _held(asked)
    number = asked.query.get("page", "1")
    form = layout_form(
        held,
        branch_ids=list(branches(asked.records)),
        items=item_counts(asked.records, held.name),
        counted="visits",
        page=int(number) if number.isascii() and number.isdigit() and len(number) < 9 else 1,
    )
    page = LayoutPage(
        answer=_answer(held, form),
        stem=path.stem,
        form=form,
        imports=tuple(imports_through(asked.records, held.name)),
        may_save=may_answer(asked),
    )
    return View("layout.html", page)


def _answer(held: Layout, form: LayoutForm) -> str:
    if held.open_columns:
        return f"{held.name} cannot read a file yet: {held.open_columns[0]} has no column"
    if not form.n_unmapped:
        return f"{held.name}: every item string that is known has a class"
    share = ""
    if form.unmapped_per_cent is not None:
        share = f", {form.unmapped_per_cent} % of those counted"
    return f"{held.name}: {form.n_unmapped:,} of {form.n_items:,} item strings have no class{share}"


def _save(asked: Asked) -> GoTo:
    path, held = _held(asked)
    save_form(asked, path, held, items=item_counts(asked.records, held.name))
    back = f"/layouts/{path.stem}?page={asked.text('page') or '1'}"
    said = "The layout was saved; what stood there is kept in layouts/earlier."
    if asked.text("upload"):
        back = f"/uploads/{asked.text('upload')}/look"
    else:
        said += " Imports that were read through it change only when they are read again."
    return GoTo(back, said)


def save_form(asked: Asked, path: Path, held: Layout, *, items: dict[str, int]) -> None:
    """Write what a person filled in in the place of a layout.

    Raises
    ------
    PageError, LayoutError
        If this person may not, somebody else changed it, or it would be no layout.
    """
    refuse_limited(asked)
    if asked.text("seen") != seen_mark(held.text):
        raise _changed_meanwhile(held.file)
    changed = changed_by(held, asked)
    unmapped = {text: n for text, n in items.items() if not _class_of(changed, text)}
    text = layout_rewritten(changed, unmapped=dict(list(unmapped.items())[:_UNMAPPED_LISTED]))
    replace_layout(path, text, before=held.text, now=asked.practice.now)


def _class_of(layout: Layout, text: str) -> str:
    return layout.item_lookup.get(same_heading(text), "")


def _changed_meanwhile(file: str) -> PageError:
    return PageError(
        f"{file} was changed by somebody else since this page was opened, so nothing was "
        "written; open it again and repeat your change"
    )


def refuse_limited(asked: Asked) -> None:
    """Refuse who is limited to branches: a layout is for the visits of all."""
    if not may_answer(asked):
        raise PageError(
            "a layout says how visits of all branches are read, so an account that is limited to "
            "branches cannot change it; nothing was written"
        )


# ------------------------------------------------------------------------------ as text
def _text(asked: Asked) -> View:
    path = layout_path(asked, asked.path["layout"])
    text = path.read_text(encoding="utf-8")
    page = LayoutTextPage(
        path.stem, f"layouts/{path.name}", text, seen_mark(text), "", may_answer(asked)
    )
    return View("layout_text.html", page)


def _save_text(asked: Asked) -> GoTo | View:
    refuse_limited(asked)
    path = layout_path(asked, asked.path["layout"])
    held = path.read_text(encoding="utf-8")
    given = str(asked.form.get("text", "")).replace("\r\n", "\n")
    if asked.text("seen") != seen_mark(held):
        raise _changed_meanwhile(f"layouts/{path.name}")
    try:
        replace_layout(path, given, before=held, now=asked.practice.now)
    except LayoutError as wrong:
        page = LayoutTextPage(
            path.stem, f"layouts/{path.name}", given, seen_mark(held), str(wrong), True
        )
        return View("layout_text.html", page, status=422)
    return GoTo(f"/layouts/{path.stem}", "The layout was saved; what stood there is kept.")


def _read_again(asked: Asked) -> GoTo:
    refuse_limited(asked)
    _, held = _held(asked)
    numbers = imports_through(asked.records, held.name)
    if not numbers:
        raise PageError(f"no import that counts or is held was read through {held.file}")
    for number in numbers:
        ask_clock(asked, "import again", {"import": number})
    n = len(numbers)
    return GoTo("/requests#requests", f"Asked for {n} {'import' if n == 1 else 'imports'}.")


PAGES: Sequence[Page] = (
    Page("/layouts", "layouts", Right.SEE_DATA, _layouts, has_data=True),
    Page("/layouts/{layout}", "layout", Right.BRING_DATA, _layout),
    Page(
        "/layouts/{layout}",
        "save-layout",
        Right.BRING_DATA,
        _save,
        methods=("POST",),
        max_bytes=FORM_BYTES,
    ),
    Page("/layouts/{layout}/text", "layout-text", Right.BRING_DATA, _text),
    Page(
        "/layouts/{layout}/text",
        "save-layout-text",
        Right.BRING_DATA,
        _save_text,
        methods=("POST",),
        max_bytes=FORM_BYTES,
    ),
    Page(
        "/layouts/{layout}/again",
        "read-layout-again",
        Right.BRING_DATA,
        _read_again,
        methods=("POST",),
    ),
)
