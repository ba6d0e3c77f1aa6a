"""Visits that an earlier file told in part: an export that was split, or a second system's share.

A visit is known by its number within the branch, or by its patient and day. Where a file tells of
one that is on record, and repeats no more than a given share of its items, its items are added to
those on record, by the rule that holds within one file. Otherwise what the newer file says stands.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.findings import Finding
from forecast.records import Records
from forecast.records.dogs import dog_ids
from forecast.records.visits import visits
from forecast.visits.exports.gathering import combine
from forecast.visits.exports.line_arrays import export_rules
from forecast.visits.importing.arriving import Arriving

_TOLD = ("entered", "vet", "items", "item_classes", "codes", "note", "unmapped", "layout")
_BY_NUMBER, _BY_DAY = ["branch", "reference"], ["branch", "patient", "date"]


def join_split(
    records: Records, arriving: Arriving, *, file: str, without: int | None = None
) -> list[Finding]:
    """Add to arriving visits what earlier files tell of them; return what was done, as findings.

    Visits of our own format hold a kind and nothing to be joined. `without` is an import whose
    place the file takes.
    """
    new = arriving.visits
    if arriving.layout is None or not _any_again(records, new, without):
        return []
    held = _held(records, without)
    pairs = _pairs(held, new)
    same_day = held["date"].to_numpy()[pairs[:, 0]] == new["date"].to_numpy()[pairs[:, 1]]
    repeated, lacking = _repeated(held, new, pairs)
    split = same_day & ~repeated & lacking
    if split.any():
        arriving.visits = _joined(held, new, pairs[split])
    return _said(file, int(split.sum()), int((~split & lacking).sum()))


def _any_again(records: Records, new: pd.DataFrame, without: int | None) -> bool:
    """Say whether any visit may be on record: only then all that is known of them is read."""
    held = _numbered(records, visits(records, without=without))
    return bool(len(_pairs(held, new)))


def _held(records: Records, without: int | None) -> pd.DataFrame:
    held = visits(records, more=_TOLD, without=without)
    return _numbered(records, held[held["layout"].notna()])


def _numbered(records: Records, held: pd.DataFrame) -> pd.DataFrame:
    numbers = {dog_id: number for number, dog_id in dog_ids(records).items()}
    return held.assign(patient=held["dog"].map(numbers).fillna("")).reset_index(drop=True)


def _pairs(held: pd.DataFrame, new: pd.DataFrame) -> np.ndarray:
    """Return places of visits on record and of arriving ones that are the same visit, one a row."""
    old_places = held.assign(old=np.arange(len(held)))
    new_places = new.assign(new=np.arange(len(new)))
    by_number = old_places[[*_BY_NUMBER, "old"]].merge(new_places[[*_BY_NUMBER, "new"]])
    left = new_places[(new["patient"] != "").to_numpy() & ~new_places["new"].isin(by_number["new"])]
    of_day = old_places.astype({"date": new["date"].dtype})
    by_day = of_day[[*_BY_DAY, "old"]].merge(left[[*_BY_DAY, "new"]])
    return np.asarray(pd.concat([by_number, by_day])[["old", "new"]].to_numpy(dtype=np.int64))


def _repeated(
    held: pd.DataFrame, new: pd.DataFrame, pairs: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Say of which pairs the new visit repeats most items, and which it lacks any of."""
    most = export_rules().number("reopened.share_repeated")
    before, now = held["items"].tolist(), new["items"].tolist()
    shared = [(set(before[old]), set(now[at])) for old, at in pairs.tolist()]
    repeated = [len(one & other) > most * len(one) for one, other in shared]
    lacking = [not one <= other for one, other in shared]
    return np.array(repeated, dtype=bool), np.array(lacking, dtype=bool)


def _joined(held: pd.DataFrame, new: pd.DataFrame, pairs: np.ndarray) -> pd.DataFrame:
    """Return the new visits with those of the pairs joined, each under the new one's number."""
    theirs = new.iloc[pairs[:, 1]].reset_index(drop=True)
    ours = held.iloc[pairs[:, 0]].reset_index(drop=True)
    before = theirs.assign(
        **{name: ours[name] for name in ("items", "item_classes", "codes", "unmapped")},
        note=ours["note"].fillna(""),
        vet=ours["vet"].fillna(""),
        entered=ours["entered"].astype(theirs["entered"].dtype),
        n_lines=0,
    )
    together = combine([before, new.iloc[np.unique(pairs[:, 1])]])
    kept = new.drop(index=new.index[pairs[:, 1]])
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
