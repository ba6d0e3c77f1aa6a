"""What must be true of a line of an export, checked over the whole frame at once.

The rules are a schema of pandera, run lazily: every row that breaks a rule comes back, not the
first only. pandera is imported when a file is read, and not before.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.visits.rules import earliest_day

MISSING, NO_DAY = "value is missing", "not a day of the calendar"
FUTURE, TOO_OLD = "day lies in the future", "day is too old"
UNKNOWN_BRANCH, UNKNOWN_STATUS = "unknown branch", "unknown status"
NOBODY = "neither visit nor patient"


def broken_rules(checked: pd.DataFrame, today: date) -> Mapping[tuple[str, str], NDArray[np.int64]]:
    """Return for each column and rule that was broken the positions of the rows.

    Parameters
    ----------
    checked
        Columns ``date`` (datetime64, not-a-time where the cell is none), ``is_filled`` (whether
        the cell of the date holds anything), ``branch``, ``status`` (whether the word is known)
        and ``told_apart`` (whether the line names a visit or a patient), with a plain index.
    today
        The last day that has begun.
    """
    import pandera.pandas as pa

    def known(rule: str) -> pa.Column:
        return pa.Column(bool, pa.Check(lambda column: column, error=rule))

    in_time = [
        pa.Check.le(pd.Timestamp(today), error=FUTURE),
        pa.Check.ge(pd.Timestamp(earliest_day()), error=TOO_OLD),
    ]
    schema = pa.DataFrameSchema(
        {
            "date": pa.Column(checks=in_time, nullable=True),
            "is_filled": known(MISSING),
            "is_day": known(NO_DAY),
            "branch": known(UNKNOWN_BRANCH),
            "status": known(UNKNOWN_STATUS),
            "told_apart": known(NOBODY),
        }
    )
    frame = checked.assign(is_day=checked["date"].notna() | ~checked["is_filled"])
    try:
        schema.validate(frame, lazy=True)
    except pa.errors.SchemaErrors as broken:
        cases = broken.failure_cases
        return {
            (str(column), str(rule)): np.sort(places.to_numpy(dtype=np.int64))
            for (column, rule), places in cases.groupby(["column", "check"], sort=False)["index"]
        }
    return {}
