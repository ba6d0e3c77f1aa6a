"""Logs: what long-running processes say on standard error, a line each, and never a name.

A line holds its moment, level, logger, a message that is fixed text, and fields. Text that may
carry what somebody typed never gets there: of an error the kind and the places in the code are
told, not its words; of what libraries say, the template without what is filled in. On a terminal a
line is made to be read; elsewhere it is one JSON object.

What runs did is told by `run_ended`, one closing line each, which shows where logs are set up.
"""

from __future__ import annotations

import json
import logging
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from forecast.records.runs import JobRun

ROOT = "forepaw"
LEVELS = ("debug", "info", "warning", "error")
_FIELDS = "forepaw_fields"
# What these say below an error is of use to whoever works on them alone.
_CHATTER = ("alembic", "icechunk", "apscheduler", "urllib3", "zarr", "asyncio", "numba")
_FRAMES_TOLD = 4
logging.getLogger(ROOT).addHandler(logging.NullHandler())  # a command that sets up no log has none


def logger(name: str) -> logging.Logger:
    """Return the logger of a part of this service, such as "clock"."""
    return logging.getLogger(f"{ROOT}.{name}")


def tell(log: logging.Logger, message: str, *, level: int = logging.INFO, **fields: object) -> None:
    """Log a fixed text with fields beside it; fields hold ids, days and numbers, never names."""
    log.log(level, message, extra={_FIELDS: fields})


def run_ended(run: JobRun) -> None:
    """Write the closing line of a run: job, local date, state, seconds, rows and its id."""
    well = run.state not in ("failed", "swept")
    tell(
        logger("runs"),
        "run ended",
        level=logging.INFO if well else logging.ERROR,
        job=run.job,
        local_date=run.local_date.isoformat(),
        state=run.state,
        seconds=run.seconds,
        rows=run.n_rows,
        run=run.id,
        started_by=run.started_by,
    )


@contextmanager
def logs(
    *, level: str = "info", stream: TextIO | None = None, as_json: bool | None = None
) -> Iterator[None]:
    """Let this process log to a stream, standard error by default, until the end of the block.

    `as_json` is by default what fits the stream: readable lines on a terminal, JSON elsewhere.
    """
    stream = sys.stderr if stream is None else stream
    as_json = not stream.isatty() if as_json is None else as_json
    handler = logging.StreamHandler(stream)
    handler.setFormatter(JsonLine() if as_json else ReadableLine())
    handler.addFilter(_worth_telling)
    root = logging.getLogger()
    before = root.level
    root.addHandler(handler)
    root.setLevel(level.upper())
    logging.captureWarnings(True)
    try:
        yield
    finally:
        logging.captureWarnings(False)
        root.removeHandler(handler)
        root.setLevel(before)


def _is_ours(record: logging.LogRecord) -> bool:
    return record.name == ROOT or record.name.startswith(f"{ROOT}.")


def _worth_telling(record: logging.LogRecord) -> bool:
    if _is_ours(record):
        return True
    if record.name.partition(".")[0] in _CHATTER:
        return record.levelno >= logging.ERROR
    return record.levelno >= logging.WARNING


def _facts(record: logging.LogRecord) -> dict[str, Any]:
    """Return what may be told of a record: nothing in it was typed by anybody."""
    facts: dict[str, Any] = {
        "time": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
        "level": record.levelname.lower(),
        "logger": record.name,
    }
    if _is_ours(record):
        facts["message"] = record.msg
        facts |= getattr(record, _FIELDS, {})
    else:
        # a text that was put together beforehand may hold anything
        facts["message"] = record.msg if record.args else "said something"
        facts["where"] = f"{record.module}:{record.lineno}"
    if record.exc_info and record.exc_info[1] is not None:
        facts |= _error(record.exc_info[1])
    return facts


def _error(error: BaseException) -> dict[str, Any]:
    frames = traceback.extract_tb(error.__traceback__)[-_FRAMES_TOLD:]
    places = [f"{frame.filename.rpartition('/')[2]}:{frame.lineno}" for frame in frames]
    return {"error": type(error).__name__, "at": places}


class JsonLine(logging.Formatter):
    """A record as one JSON object."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        return json.dumps(_facts(record), ensure_ascii=False, default=str)


class ReadableLine(logging.Formatter):
    """A record as a line for a person at a terminal, in the machine's local time."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        facts = _facts(record)
        moment = datetime.fromtimestamp(record.created).astimezone()
        shown = [f"{moment:%H:%M:%S}", f"{facts.pop('level'):<7}", facts.pop("message")]
        del facts["time"], facts["logger"]
        shown += [f"{name}={_plain(value)}" for name, value in facts.items() if value is not None]
        return "  ".join(shown[:2]) + "  " + " ".join(map(str, shown[2:]))


def _plain(value: object) -> str:
    text = ",".join(map(str, value)) if isinstance(value, list) else str(value)
    return f'"{text}"' if " " in text else text
