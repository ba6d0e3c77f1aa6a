"""Visits that an earlier file told in part: an export that was split, or a second system's share.

A visit is known by its number within the branch, or by its patient and day. Where a file tells of
one that is on record, and repeats no more than a given share of its items, its items are added to
those on record, by the rule that holds within one file. Otherwise what the newer file says stands.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.findings import Finding
from forecast.records import Records
from forecast.records.dogs import dog_ids
from forecast.records.visits import visits
from forecast.visits.exports.gathering import combine
from forecast.visits.exports.line_arrays import export_rules
from forecast.visits.importing.arriving import Arriving

_TOLD = (
    *("entered", "vet", "items", "item_classes", "codes", "note", "unmapped", "layout"),
    "minutes",
)
Places = NDArray[np.int64]
_BY_NUMBER, _BY_DAY = ["branch", "reference"], ["branch", "patient", "date"]


def join_split(
    records: Records, arriving: Arriving, *, file: str, without: int | None = None
) -> list[Finding]:
    """Add to arriving visits what earlier files tell of them; return what was done, as findings.

    Visits of our own format hold a kind and nothing to be joined. `without` is an import whose
    place the file takes.
    """
    new = arriving.visits
    if arriving.layout is None:
        return []
    held, pairs = _on_record_too(records, new, without)
    if not len(pairs):
        return []
    same_day = held["date"].to_numpy() == new["date"].to_numpy()[pairs]
    repeated, lacking = _repeated(held, new, pairs)
    split = same_day & ~repeated & lacking
    if split.any():
        arriving.visits = _joined(held[split], new, pairs[split])
    return _said(file, int(split.sum()), int((~split & lacking).sum()))


def _on_record_too(
    records: Records, new: pd.DataFrame, without: int | None
) -> tuple[pd.DataFrame, Places]:
    """Return the visits on record that a file tells of too, and the place of each in the file.

    What is known of them is read for these alone, as few are where files follow each other.
    """
    known = _numbered(records, visits(records, without=without))
    found = _pairs(known, new)
    names = known[_BY_NUMBER].iloc[found["old"]].assign(place=found["new"].to_numpy())
    del known
    if names.empty:
        return names, np.empty(0, dtype=np.int64)
    held = visits(records, more=_TOLD, without=without, references=set(names["reference"]))
    held = held[held["layout"].notna()].merge(names, on=_BY_NUMBER)
    return held, held["place"].to_numpy(dtype=np.int64)


def _numbered(records: Records, held: pd.DataFrame) -> pd.DataFrame:
    numbers = {dog_id: number for number, dog_id in dog_ids(records).items()}
    return held.assign(patient=held["dog"].map(numbers).fillna("")).reset_index(drop=True)


def _pairs(held: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """Return places (old, new) of visits on record and of arriving ones that are the same visit."""
    old_places = held.assign(old=np.arange(len(held)))
    new_places = new[[*_BY_NUMBER, "patient", "date"]].assign(new=np.arange(len(new)))
    by_number = old_places[[*_BY_NUMBER, "old"]].merge(new_places[[*_BY_NUMBER, "new"]])
    left = new_places[(new["patient"] != "").to_numpy() & ~new_places["new"].isin(by_number["new"])]
    of_day = old_places[[*_BY_DAY, "old"]].astype({"date": new["date"].dtype})
    by_day = of_day[of_day["patient"] != ""].merge(left[[*_BY_DAY, "new"]])
    return pd.concat([by_number, by_day])[["old", "new"]]


def _repeated(
    held: pd.DataFrame, new: pd.DataFrame, pairs: Places
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Say of which visits the new file repeats most items, and of which it lacks any."""
    most = export_rules().number("reopened.share_repeated")
    now = new["items"].iloc[pairs].tolist()
    shared = [(set(one), set(other)) for one, other in zip(held["items"], now, strict=True)]
    repeated = [len(one & other) > most * len(one) for one, other in shared]
    lacking = [not one <= other for one, other in shared]
    return np.array(repeated, dtype=bool), np.array(lacking, dtype=bool)


def _joined(held: pd.DataFrame, new: pd.DataFrame, pairs: Places) -> pd.DataFrame:
    """Return the new visits, with those on record joined to theirs, under the new one's number."""
    theirs = new.iloc[pairs].reset_index(drop=True)
    ours = held.reset_index(drop=True)
    before = theirs.assign(
        **{name: ours[name] for name in ("items", "item_classes", "codes", "unmapped", "minutes")},
        note=ours["note"].fillna(""),
        vet=ours["vet"].fillna(""),
        entered=ours["entered"].astype(theirs["entered"].dtype),
        n_lines=0,
    )
    together = combine([before, new.iloc[np.unique(pairs)]])
    kept = new.drop(index=new.index[pairs])
    found = pd.concat([kept, together.astype(kept.dtypes.to_dict())], ignore_index=True)
    return found.sort_values(["date", "branch", "reference"], ignore_index=True)


def _said(file: str, n_joined: int, n_replaced: int) -> list[Finding]:
    told = {
        "visit told by two files": (
            n_joined,
            "visits were on record with other items, under the same number or for the same "
            "patient and day; the items of both files are theirs",
        ),
        "visit told otherwise before": (
            n_replaced,
            "visits were on record with more items; as this file repeats most of them, or gives "
            "another day, what it says counts",
        ),
    }
    return [
        Finding(check, "note", file, None, None, f"{n} {words}", "", "")
        for check, (n, words) in told.items()
        if n
    ]
