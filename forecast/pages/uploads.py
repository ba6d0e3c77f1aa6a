"""Bringing a file: it is checked and kept, looked at, then taken in by the clock.

The name of a file is shown and never made a path of. What cannot be a table, or would do harm when
it is read, is refused in a sentence and nothing of it is kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass

from starlette.datastructures import UploadFile

from forecast.accounts.roles import Right
from forecast.pages.layout_form import changed_by, seen_mark
from forecast.pages.layouts import FORM_BYTES, refuse_limited
from forecast.pages.looking import LookPage, look_page, proposed_layout, refresh
from forecast.pages.page import Asked, GoTo, NotFoundError, Page, PageError, View
from forecast.pages.requests import ask_clock, moment_words
from forecast.records.requests import CLAIMED, WAITING, requests
from forecast.sheets import same_heading
from forecast.upload_checks import KINDS, UploadError
from forecast.uploads import (
    Upload,
    drop_upload,
    keep_upload,
    limits,
    most_bytes,
    note_on_upload,
    upload,
    uploads,
)
from forecast.visits.exports.layout import parse_layout, save_layout
from forecast.visits.exports.layout_changes import layout_rewritten
from models.errors import ForepawError

_ROUND_THE_FILE = 64 * 1024  # bytes of a form besides its file
_MEGABYTE = 1_000_000
_UNMAPPED_LISTED = 500
STAFF = "staff"  # the kind that tells of people at every branch
# What each kind of file holds; the columns are those of README.md.
HOLDS: Mapping[str, str] = {
    "visits": "an export of visits or invoice lines, or visit, date, branch, dog, kind",
    "closures": "branch, date, reason, full",
    "dogs": "dog, name, owner, owner_number, ..., branch",
    "facts": "dog, kind, value, date",
    "therapies": "dog, therapy, date, until, status, reason, responded",
    "scores": "dog, date, pvas, scorer, scale",
    "reactions": "adverse reactions: dog, therapy, date, sign, reported",
    "vaccinations": "dog, date, live, against",
    "medicines": "other medicines: dog, kind, date, until",
    "tests": "allergy tests: dog, date, allergen, result, method",
    "branches": "id, name, region, open_days",
    "staff": "the desk's tables: staff, leave, hours, minutes, prices, stock, shifts worked",
    "flowering": "region, species, stage, date",
    "weather": "daily weather of the regions, CF NetCDF",
}


@dataclass(frozen=True)
class WaitingRow:
    """A file that waits."""

    id: str
    kind: str
    file_name: str
    n_bytes: int
    came: str
    is_asked: bool


@dataclass(frozen=True)
class UploadsPage:
    """The form by which a file is brought, and the files that wait.

    `wrong` says why the last one was refused; `kind` is what it was brought as.
    """

    answer: str
    kinds: tuple[tuple[str, str], ...]
    most_megabytes: int
    keep_days: int
    rows: tuple[WaitingRow, ...]
    wrong: str = ""
    kind: str = "visits"


def _show(asked: Asked, *, wrong: str = "", kind: str = "visits") -> UploadsPage:
    rows = tuple(
        WaitingRow(
            one.id,
            one.kind,
            one.file_name,
            one.n_bytes,
            moment_words(asked.practice, one.came_at),
            _is_under_way(asked, one),
        )
        for one in uploads(asked.practice)
        if _is_theirs(asked, one)
    )
    n = len(rows)
    answer = "Bring a file"
    if n:
        answer += f"; {n} {'waits' if n == 1 else 'wait'} to be taken in"
    return UploadsPage(
        answer=answer,
        kinds=tuple((one, HOLDS[one]) for one in KINDS),
        most_megabytes=most_bytes() // _MEGABYTE,
        keep_days=int(limits().number("waiting.keep")),
        rows=rows,
        wrong=wrong,
        kind=kind,
    )


def _uploads(asked: Asked) -> View:
    page = _show(asked)
    return View("uploads.html", page, {"files": [asdict(row) for row in page.rows]})


def _bring(asked: Asked) -> GoTo | View:
    assert asked.account is not None
    file, kind = asked.form.get("file"), asked.text("kind")
    if not isinstance(file, UploadFile) or not file.filename:
        return _refused(asked, "no file was chosen; choose one and send it again", kind)
    if kind not in KINDS:
        return _refused(
            asked, f"a file was brought as {kind!r}; it may hold {', '.join(KINDS)}", "visits"
        )
    if kind == STAFF and asked.account.branches:
        sentence = "a file of staff is of all branches; mend those of yours on the page Staffing"
        return _refused(asked, sentence, "visits")
    try:
        kept = keep_upload(
            asked.practice,
            file.file,
            name=file.filename,
            kind=kind,
            brought_by=asked.account.id,
        )
    except ForepawError as refusal:
        return _refused(asked, str(refusal), kind)
    except OSError as error:
        why = (error.strerror or "").lower()
        return _refused(asked, f"the file could not be kept: {why}; tell an administrator", kind)
    return GoTo(f"/uploads/{kept.id}/look", f"{kept.file_name} has come and waits; look it through")


def _refused(asked: Asked, sentence: str, kind: str) -> View:
    page = _show(asked, wrong=f"Not taken: {sentence}.", kind=kind)
    return View("uploads.html", page, status=422)


def _is_theirs(asked: Asked, one: Upload) -> bool:
    """Say whether this person may see a file: their own, or any where they see all branches."""
    account = asked.account
    return account is not None and (not account.branches or one.brought_by == account.id)


def _held(asked: Asked) -> Upload:
    try:
        one = upload(asked.practice, asked.path["upload"])
    except UploadError as gone:
        raise NotFoundError(str(gone)) from gone
    if not _is_theirs(asked, one):
        raise NotFoundError("no such file waits for you")
    return one


def _is_under_way(asked: Asked, one: Upload) -> bool:
    under_way = requests(asked.records, states=(WAITING, CLAIMED))
    return any(request.id == one.request_id for request in under_way)


# ------------------------------------------------------------------------------ one file
def _look(asked: Asked) -> View:
    one = _held(asked)
    page: LookPage = look_page(asked, one, is_under_way=_is_under_way(asked, one))
    tables: dict[str, Sequence[Mapping[str, object]]] = {
        "columns": [asdict(row) for row in page.form.columns] if page.form else [],
        "items": [asdict(row) for row in page.all_items],
        "checks": [asdict(row) for row in page.checks],
    }
    return View("look.html", page, tables)


def _choose_layout(asked: Asked) -> GoTo:
    one = _held(asked)
    note_on_upload(asked.practice, one, layout=asked.text("layout"))
    return GoTo(f"/uploads/{one.id}/look")


def _keep_proposal(asked: Asked) -> GoTo:
    """Keep the layout that was proposed for a file, with what a person answered."""
    refuse_limited(asked)
    one = _held(asked)
    path, proposed, unmapped = proposed_layout(asked, one)
    if asked.text("seen") != seen_mark(proposed.text):
        raise PageError(
            "another layout is proposed for this file by now, so nothing was written; look at the "
            "file again"
        )
    changed = changed_by(proposed, asked)
    left = {
        text: n for text, n in unmapped.items() if same_heading(text) not in changed.item_lookup
    }
    text = layout_rewritten(changed, unmapped=dict(list(left.items())[:_UNMAPPED_LISTED]))
    parse_layout(text, proposed.file)
    save_layout(path, text)
    refresh(one)
    return GoTo(f"/uploads/{one.id}/look", f"{proposed.file} was kept; the file is read through it")


def _take_in(asked: Asked) -> GoTo:
    one = _held(asked)
    if _is_under_way(asked, one):
        return GoTo("/requests#requests", f"{one.file_name} is being taken in already.")
    made = ask_clock(asked, f"import {one.kind}", {"upload": one.id})
    note_on_upload(asked.practice, one, request_id=made.id)
    return GoTo("/requests#requests", f"Asked for: {one.file_name} is taken in as {one.kind}.")


def _throw_away(asked: Asked) -> GoTo:
    one = _held(asked)
    if _is_under_way(asked, one):
        raise PageError(f"{one.file_name} is being taken in; wait for that to end")
    drop_upload(asked.practice, one)
    refresh(one)
    return GoTo("/uploads", f"{one.file_name} was thrown away.")


PAGES: Sequence[Page] = (
    Page("/uploads", "uploads", Right.BRING_DATA, _uploads, has_data=True),
    Page(
        "/uploads",
        "bring",
        Right.BRING_DATA,
        _bring,
        methods=("POST",),
        max_bytes=most_bytes() + _ROUND_THE_FILE,
    ),
    Page("/uploads/{upload}/look", "look", Right.BRING_DATA, _look, has_data=True),
    Page(
        "/uploads/{upload}/read-through",
        "choose-layout",
        Right.BRING_DATA,
        _choose_layout,
        methods=("POST",),
    ),
    Page(
        "/uploads/{upload}/layout",
        "keep-proposal",
        Right.BRING_DATA,
        _keep_proposal,
        methods=("POST",),
        max_bytes=FORM_BYTES,
    ),
    Page(
        "/uploads/{upload}/take-in",
        "take-in",
        Right.BRING_DATA,
        _take_in,
        methods=("POST",),
    ),
    Page(
        "/uploads/{upload}/throw-away",
        "throw-away",
        Right.BRING_DATA,
        _throw_away,
        methods=("POST",),
    ),
)
