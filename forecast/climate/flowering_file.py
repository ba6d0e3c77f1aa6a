"""Reading flowering dates: a CSV of region, species, stage, date."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from forecast.climate.variables import rules
from forecast.csv_files import nothing_kept, read_bytes, read_csv
from forecast.findings import Finding

COLUMNS = ("region", "species", "stage", "date")


def read_flowering_file(
    path: Path | str, *, today: date | None = None, regions: Sequence[str] | None = None
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read observed dates; a bad row is reported and left out, a bad file refused.

    With `today`, later dates are refused; with `regions`, other regions are left out.
    """
    content, file = read_bytes(path)
    table = read_csv(content, file, required=COLUMNS)
    for column in ("region", "species", "stage"):
        table.leave_out_empty(column)
    if regions is not None:
        table.leave_out_unknown("region", list(regions))
    earliest = date.fromisoformat(str(rules()["flowering.earliest"].value))
    table.parse_days("date", earliest=earliest, latest=today)
    table.leave_out_repeated(list(COLUMNS))
    if table.rows.empty:
        raise nothing_kept(table)
    return table.rows.astype({"date": "datetime64[ns]"}).reset_index(drop=True), table.findings
