"""The open long table in which forecasts leave the house (one row, one number).

Columns follow the forecast-hub convention: ``reference_date, target, horizon, location,
target_end_date, output_type, output_type_id, value``. Horizon 1 is the week that holds the origin;
``target_end_date`` is that week's Sunday; ``output_type_id`` is text from the first row on, since
changing its type later breaks every reader.
"""

from __future__ import annotations

import io
import os
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

COLUMNS = (
    "reference_date",
    "target",
    "horizon",
    "location",
    "target_end_date",
    "output_type",
    "output_type_id",
    "value",
)
TARGETS = {"visits": "wk flare visits", "pressure": "wk flare pressure"}


def hub_table(issued: xr.Dataset) -> pd.DataFrame:
    """Return quantiles of visits and pressure, and the odds of a high week, as a long table.

    A region whose visits are not known has no rows.
    """
    reference = pd.Timestamp(str(issued.attrs["origin"]))
    frames = [
        _quantile_rows(issued[f"{name}_quantiles"], target, reference)
        for name, target in TARGETS.items()
        if f"{name}_quantiles" in issued
    ]
    if "odds_high" in issued:
        frames.append(_odds_rows(issued["odds_high"], reference))
    if not frames:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat(frames, ignore_index=True)[list(COLUMNS)]


def write_hub_table(issued: xr.Dataset, path: Path) -> int:
    """Write the long table; return its number of rows."""
    table = hub_table(issued)
    text = io.StringIO()
    table.to_csv(text, index=False, lineterminator="\n")
    partial = path.with_name(path.name + ".part")
    partial.write_text(text.getvalue(), encoding="utf-8")
    os.replace(partial, path)
    return len(table)


def _quantile_rows(quantiles: xr.DataArray, target: str, reference: pd.Timestamp) -> pd.DataFrame:
    rows = quantiles.to_series().rename("value").dropna().reset_index()
    rows["output_type"] = "quantile"
    rows["output_type_id"] = rows["quantile"].map(lambda level: f"{level:g}")
    return _complete(rows, target, reference)


def _odds_rows(odds: xr.DataArray, reference: pd.Timestamp) -> pd.DataFrame:
    rows = odds.to_series().rename("value").dropna().reset_index()
    rows["output_type"] = "pmf"
    rows["output_type_id"] = "high"
    return _complete(rows, "high flare week", reference)


def _complete(rows: pd.DataFrame, target: str, reference: pd.Timestamp) -> pd.DataFrame:
    monday = reference.normalize() - pd.Timedelta(days=reference.day_of_week)
    rows["reference_date"] = f"{reference:%Y-%m-%d}"
    rows["target"] = target
    rows["location"] = rows["region"].astype(str)
    rows["horizon"] = ((rows["week"] - monday) // pd.Timedelta(days=7) + 1).astype(int)
    rows["target_end_date"] = (rows["week"] + pd.Timedelta(days=6)).dt.strftime("%Y-%m-%d")
    rows["value"] = np.round(rows["value"].astype(float), 6)
    return rows
