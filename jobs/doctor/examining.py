"""Examining: every check in its order, each by itself."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

from jobs.doctor import machine, safety, stores, work
from jobs.doctor.check import Check
from jobs.doctor.look import Look, NotLookedAtError
from models.errors import ForepawError

Examination = Callable[[Look], Sequence[Check]]
EXAMINATIONS: tuple[tuple[str, Examination], ...] = (
    ("settings", stores.settings),
    ("packages", machine.packages),
    ("time zones", machine.time_zones),
    ("machine's clock", machine.machine_clock),
    ("disk", machine.local_disk),
    ("disk space", machine.disk_space),
    ("permissions", safety.permissions),
    ("secrets", safety.secrets),
    ("schema", stores.schema),
    ("records", stores.records_are_whole),
    ("climate store", stores.climate_store),
    ("clock", work.clock),
    ("runs", work.runs_that_ended_badly),
    ("requests", work.requests_waiting),
    ("sources", work.sources),
    ("imports", work.imports_held),
    ("forecast", work.newest_forecast),
    ("back-up", work.newest_back_up),
    ("notices", work.notices_open),
    ("delivery", work.deliveries_that_failed),
)


def examine(
    folder: Path | str,
    *,
    now: datetime | None = None,
    examinations: Sequence[tuple[str, Examination]] = EXAMINATIONS,
) -> list[Check]:
    """Look at everything and return how it stands, in a fixed order.

    What goes wrong within a check is that check's failure; the others are made all the same.
    """
    look = Look(Path(folder).absolute(), datetime.now(UTC) if now is None else now)
    checks: list[Check] = []
    try:
        for name, examination in examinations:
            checks += _alone(name, examination, look)
    finally:
        look.close()
    return checks


def _alone(name: str, examination: Examination, look: Look) -> Sequence[Check]:
    try:
        return examination(look)
    except NotLookedAtError as reason:
        return [Check(name, "not known", str(reason), "mend that first and look again")]
    except ForepawError as refusal:
        return [Check(name, "fail", str(refusal))]
    except Exception as error:
        # whatever broke is broken: its text may hold a name, so the kind and the place are told
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{os.path.basename(place.filename)} line {place.lineno}"
        return [
            Check(name, "fail", f"it could not be looked at: {type(error).__name__} in {where}")
        ]
