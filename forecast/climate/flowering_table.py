"""How flowering dates lie in the store: one short column each, rewritten as a whole."""

from __future__ import annotations

import numpy as np
import pandas as pd
import zarr

from forecast.climate.variables import rules
from forecast.climate.weather_arrays import array, words

GROUP = "phenology"
_WORDS = ("region", "species", "stage", "source")
COLUMNS = (*_WORDS, "date")


def merge_flowering(held: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """Lay new dates over those held: a later report of the same season replaces the earlier.

    Calendar years would not do: a season may cross New Year.
    """
    apart = pd.Timedelta(days=rules().number("flowering.same_season"))
    new = new.drop_duplicates(list(COLUMNS), keep="last")
    both = held.reset_index().merge(new, on=list(_WORDS), suffixes=("", "_new"))
    replaced = both.loc[(both["date"] - both["date_new"]).abs() < apart, "index"]
    kept = held.loc[~held.index.isin(replaced)]
    merged = pd.concat([kept, new], ignore_index=True)
    return merged.sort_values(list(COLUMNS), ignore_index=True)


def write_flowering(group: zarr.Group, frame: pd.DataFrame) -> None:
    """Write the whole table."""
    n_rows = max(1, len(frame))
    for name in COLUMNS:
        is_day = name == "date"
        column = group.create_array(
            name,
            shape=(len(frame),),
            chunks=(n_rows,),
            dtype="int64" if is_day else str,
            dimension_names=["row"],
            attributes={"units": "days since 1970-01-01"} if is_day else {},
            overwrite=True,
        )
        days = frame["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
        column[:] = days if is_day else frame[name].to_numpy(dtype=object)


def read_flowering(group: zarr.Group | None) -> pd.DataFrame:
    """Read the whole table; empty where none was written."""
    if group is None or "date" not in group:
        blank = dict.fromkeys(_WORDS, pd.Series(dtype="str"))
        return pd.DataFrame({**blank, "date": pd.Series(dtype="datetime64[ns]")})
    frame = pd.DataFrame({name: words(group, name) for name in _WORDS}).astype("str")
    days = np.asarray(array(group, "date")[:]).astype("datetime64[D]").astype("datetime64[ns]")
    return frame.assign(date=days)
