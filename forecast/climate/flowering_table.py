"""How flowering dates lie in the store: one short column each, rewritten as a whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import zarr

from forecast.climate.layered import array, words
from forecast.climate.variables import rules

GROUP = "phenology"
_KEY = ("region", "species", "stage")
_WORDS = (*_KEY, "source")
COLUMNS = (*_WORDS, "date")


@dataclass(frozen=True)
class MergedFlowering:
    """The dates after new ones were laid over them, and what became of the new ones."""

    frame: pd.DataFrame
    n_new: int
    n_corrected: int
    n_held_already: int


def merge_flowering(held: pd.DataFrame, new: pd.DataFrame) -> MergedFlowering:
    """Lay new dates over those held: a later report of the same season replaces the earlier.

    Whatever the source: one observation that comes in two files is one observation. The same date
    again changes nothing, and keeps the source it first came from. Calendar years would not do as
    seasons: one may cross New Year.
    """
    apart = pd.Timedelta(days=rules().number("flowering.same_season"))
    new = new.drop_duplicates([*_KEY, "date"], keep="last").reset_index(drop=True)
    pairs = held.reset_index(names="held").merge(
        new.reset_index(names="new"), on=list(_KEY), suffixes=("", "_new")
    )
    pairs = pairs.loc[(pairs["date"] - pairs["date_new"]).abs() < apart]
    same = pairs.loc[pairs["date"] == pairs["date_new"]]
    replaced = pairs.loc[~pairs["held"].isin(same["held"]), "held"]
    is_held = new.index.isin(same["new"])
    corrects = ~is_held & new.index.isin(pairs["new"])
    kept = held.loc[~held.index.isin(replaced)]
    merged = pd.concat([kept, new.loc[~is_held]], ignore_index=True)
    return MergedFlowering(
        merged.drop_duplicates([*_KEY, "date"]).sort_values(list(COLUMNS), ignore_index=True),
        int((~is_held & ~corrects).sum()),
        int(corrects.sum()),
        int(is_held.sum()),
    )


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
