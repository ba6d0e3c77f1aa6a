"""What people ask of the clock: pages and commands insert, the clock alone claims and reports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select, update

from forecast.records import tables
from forecast.records.engine import Records, RecordsError
from forecast.records.identifiers import new_id
from forecast.records.ledger_tables import work_request

WAITING, CLAIMED, DONE, FAILED, REFUSED = "waiting", "claimed", "done", "failed", "refused"
PLAN_DOG, DOG = "plan dog", "dog"  # a kind of request that pages make, and what it is told
_ENDS = (DONE, FAILED, REFUSED)
_CAME_TO_ITS_END, _LEFT_OFF = ("done", "completed"), "stopped"  # states of a run


@dataclass(frozen=True)
class WorkRequest:
    """One thing asked of the clock.

    Attributes
    ----------
    kind
        The name of a job; `arguments` are what that job may be told.
    asked_by
        A random id of an account, or "command line": never a name.
    state
        waiting, claimed, done, failed or refused.
    progress
        Share done, 0 to 1; None where it is not known.
    run_id
        The run that it led to, once there is one.
    result
        One sentence, once it has ended.
    """

    id: str
    kind: str
    arguments: dict[str, Any]
    asked_by: str
    asked_at: datetime
    state: str = WAITING
    claimed_at: datetime | None = None
    ended_at: datetime | None = None
    progress: float | None = None
    run_id: str | None = None
    result: str | None = None


def ask(
    records: Records,
    kind: str,
    arguments: Mapping[str, Any],
    *,
    asked_by: str,
    asked_at: datetime,
) -> WorkRequest:
    """Ask for a job; where the very same waits already, that request is returned instead."""
    asked = WorkRequest(new_id(), kind, dict(arguments), asked_by, asked_at)
    with records.writing() as connection:
        for other in _in_state(connection, WAITING):
            if (other.kind, other.arguments) == (kind, asked.arguments):
                return other
        connection.execute(work_request.insert().values(vars(asked)))
    return asked


def claim(records: Records, *, now: datetime) -> WorkRequest | None:
    """Take the oldest request that waits, if there is one; no other claimer gets it too."""
    with records.writing() as connection:
        waiting = _in_state(connection, WAITING)
        if not waiting:
            return None
        change = update(work_request).where(work_request.c.id == waiting[0].id)
        connection.execute(change.values(state=CLAIMED, claimed_at=now))
    return request(records, waiting[0].id)


def note_run(records: Records, request_id: str, run_id: str) -> None:
    """Write down which run a claimed request led to."""
    _change_claimed(records, request_id, run_id=run_id)


def report_progress(records: Records, request_id: str, share: float) -> None:
    """Write down how much of a claimed request is done, 0 to 1."""
    _change_claimed(records, request_id, progress=share)


def finish_request(
    records: Records, request_id: str, *, state: str, result: str, now: datetime
) -> None:
    """Write down how a claimed request ended: done, failed or refused, in one sentence."""
    if state not in _ENDS:
        raise RecordsError(
            f"request {request_id!r} was to end as {state!r}; it may end as {', '.join(_ENDS)}"
        )
    _change_claimed(records, request_id, state=state, result=result, ended_at=now)


def request(records: Records, request_id: str) -> WorkRequest:
    """Return one request."""
    query = select(work_request).where(work_request.c.id == request_id)
    with records.reading() as connection:
        row = connection.execute(query).first()
    if row is None:
        raise RecordsError(f"request {request_id!r} was asked for; there is no such request")
    return WorkRequest(**row._mapping)


def requests(records: Records, *, states: Sequence[str] = ()) -> list[WorkRequest]:
    """Return the requests, oldest first; those in some states only, if asked so."""
    with records.reading() as connection:
        return _in_state(connection, *states)


def settle_requests(records: Records, *, now: datetime) -> list[str]:
    """Settle what a killed clock left claimed; call it where no clock runs. Say what was done.

    One whose run never began, or left off as the clock was ended, waits again. One whose run came
    to its end is done. Any other failed: it is not begun anew unasked, as nobody may want it by
    now.
    """
    said = []
    run = tables.job_run
    with records.writing() as connection:
        for left in _in_state(connection, CLAIMED):
            state = connection.scalar(select(run.c.state).where(run.c.id == left.run_id))
            values: dict[str, Any]
            if left.run_id is None or state == _LEFT_OFF:
                values = {"state": WAITING, "claimed_at": None, "progress": None, "run_id": None}
            elif state in _CAME_TO_ITS_END:
                values = {"state": DONE, "ended_at": now, "result": "it came to its end"}
            else:
                sentence = "its process was killed; ask for it again if it is still wanted"
                values = {"state": FAILED, "ended_at": now, "result": sentence}
            change = update(work_request).where(work_request.c.id == left.id)
            connection.execute(change.values(values))
            said.append(f"request for {left.kind} of {left.asked_at:%Y-%m-%d %H:%M}: "
                        f"{values['state']}")  # fmt: skip
    return said


def _in_state(connection: Connection, *states: str) -> list[WorkRequest]:
    query = select(work_request).order_by(work_request.c.asked_at, work_request.c.id)
    if states:
        query = query.where(work_request.c.state.in_(states))
    return [WorkRequest(**row._mapping) for row in connection.execute(query)]


def _change_claimed(records: Records, request_id: str, **values: Any) -> None:
    table = work_request
    change = update(table).where(table.c.id == request_id, table.c.state == CLAIMED)
    with records.writing() as connection:
        changed = connection.execute(change.values(values)).rowcount
    if changed != 1:
        raise RecordsError(f"request {request_id!r} was to change; no such request is claimed")
