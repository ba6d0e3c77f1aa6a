"""What people ask of the clock on a page, beyond the jobs that run when they are due.

These jobs are never due by themselves. What comes of one is kept in full in the practice folder
(`forecast.outcomes`), as it may hold a name; the ledger and the request hold numbers alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

from forecast.findings import Finding
from forecast.outcomes import Outcome, keep_outcome
from forecast.records.imports import standing_import
from forecast.records.requests import DOG, PLAN_DOG
from forecast.upload_checks import KINDS
from forecast.uploads import drop_upload, upload, upload_path
from jobs.job import Job, Task, UnknownJobError
from models.errors import ForepawError
from models.words import number_of

UPLOAD, LAYOUT, IMPORT, ACCEPT = "upload", "layout", "import", "accept"
WEEKS, SERVICE, CHANGE = "weeks", "service", "change"  # of a plan of staff
TRY_STAFFING = "try staffing"
ACCEPT_IMPORT, UNDO_IMPORT, IMPORT_AGAIN = "accept import", "undo import", "import again"
_REMARKS = 5  # findings that are told beside the sentence; all stand in the import's own list


def keeping_outcome(task: Task, do: Callable[[], Outcome]) -> None:
    """Do what was asked and keep what came of it, a refusal too."""
    try:
        outcome = do()
    except ForepawError as refusal:
        keep_outcome(task.practice, task.result.run_id, Outcome(str(refusal)))
        raise
    keep_outcome(task.practice, task.result.run_id, outcome)


def _take_in(task: Task, *, kind: str) -> None:
    from jobs.imports import import_file

    def do() -> Outcome:
        waiting = upload(task.practice, _text(task, UPLOAD))
        done = import_file(
            task.practice,
            kind,
            upload_path(task.practice, waiting),
            layout=waiting.layout or None,
        )
        made = standing_import(task.records, kind, waiting.sha256)
        drop_upload(task.practice, waiting)
        # where findings are kept on this machine says nothing to whoever sits at another
        sentence = done.sentence.replace(f", see {done.report}", "")
        told = "\n".join([sentence, *done.forgotten.splitlines()])
        return Outcome(told, made.id if made else None, _remarks(done.findings))

    keeping_outcome(task, do)


def _accept(task: Task) -> None:
    from jobs.imports import accept

    def do() -> Outcome:
        accept(task.practice, _number(task))
        return Outcome(f"import {_number(task)} counts from now on", _number(task))

    keeping_outcome(task, do)


def _undo(task: Task) -> None:
    from jobs.imports import undo

    def do() -> Outcome:
        n_rows = undo(task.practice, _number(task))
        told = f"import {_number(task)} was taken back, {n_rows:,} rows; its raw file is kept"
        return Outcome(told, _number(task))

    keeping_outcome(task, do)


def _again(task: Task) -> None:
    from jobs.imports import read_again

    def do() -> Outcome:
        done = read_again(
            task.practice, _number(task), accept=bool(task.arguments.get(ACCEPT, False))
        )
        return Outcome(done.sentence, None, _remarks(done.findings))

    keeping_outcome(task, do)


def _plan_dog(task: Task) -> None:
    from forecast.dosing.therapies import therapies
    from forecast.issuing import latest_issue
    from jobs.plan import plan

    def do() -> Outcome:
        dog = _text(task, DOG)
        made = latest_issue(task.practice, task.records, as_of=task.as_of)
        kinds = [one.id for one in therapies().values() if one.planned_ahead]
        plans = [
            one
            for kind in kinds
            for one in plan(
                task.practice,
                task.records,
                made,
                dogs=[dog],
                therapy_id=kind,
                today=task.as_of,
                say=task.say,
            )
        ]
        return Outcome(f"{number_of(len(plans), 'plan')} of one dog worked out anew")

    keeping_outcome(task, do)


def _try_staffing(task: Task) -> None:
    from jobs.staff_jobs import try_staffing_job

    try_staffing_job(task)


def _remarks(findings: Sequence[Finding]) -> list[str]:
    told = [one.sentence for one in findings if one.severity != "note"]
    return told[:_REMARKS]


def _text(task: Task, name: str) -> str:
    value = task.arguments.get(name)
    if not isinstance(value, str) or not value:
        raise UnknownJobError(f"a request must say which {name}; it says {value!r}")
    return value


def _number(task: Task) -> int:
    value = task.arguments.get(IMPORT)
    if not isinstance(value, int):
        raise UnknownJobError(f"a request must name an import by its number; it says {value!r}")
    return value


def _never(*_: object) -> bool:
    """Say that there is nothing to do, unless somebody asks."""
    return False


ASKED_FOR: tuple[Job, ...] = (
    *(
        Job(
            f"import {kind}",
            f"takes in a file of {kind} that was brought by a page",
            partial(_take_in, kind=kind),
            has_work=_never,
            takes=(UPLOAD,),
        )
        for kind in KINDS
    ),
    Job(
        ACCEPT_IMPORT,
        "takes a held import as it is",
        _accept,
        has_work=_never,
        takes=(IMPORT,),
    ),
    Job(
        TRY_STAFFING,
        "reckons what a change at the desk would do",
        _try_staffing,
        has_work=_never,
        takes=(WEEKS, SERVICE, CHANGE),
    ),
    Job(PLAN_DOG, "plans the doses of one dog anew", _plan_dog, has_work=_never, takes=(DOG,)),
    Job(UNDO_IMPORT, "takes an import back", _undo, has_work=_never, takes=(IMPORT,)),
    Job(
        IMPORT_AGAIN,
        "reads an import again through its layout as it is now",
        _again,
        has_work=_never,
        takes=(IMPORT, ACCEPT),
    ),
)
