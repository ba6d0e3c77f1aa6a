"""Drawing visits for a vet to label: stratified by verdict, then branch and year.

Every visit of a known patient has a known chance to be drawn, so that shares of the whole can be
told from the sample; the weight of a drawn visit is how many visits it stands for.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from forecast.csv_files import read_csv
from forecast.csv_text import csv_text
from forecast.visits.case_definition import FLARE_CERTAINTIES
from models.errors import ForepawError
from models.parameters import ParameterTable, load_table

EXCLUDED = "excluded"
_KEYS = ("sample", "definition", "seed", "number", "branch", "reference", "stratum", "weight")
# From the finest cells that the sample can fill, down to none.
_CELLS: tuple[tuple[str, ...], ...] = (("branch", "year"), ("branch",), ())
_HASH_SHOWN = 8


class LabellingError(ForepawError):
    """A sample cannot be drawn, or labels cannot be used as they stand."""


@dataclass(frozen=True)
class Sample:
    """Visits drawn to be labelled.

    Attributes
    ----------
    id
        Name of the sample; it stands on its sheets.
    definition
        Version of the case definition whose verdicts it is stratified by.
    seed
        The same seed and visits give the same sample.
    rows
        In the order of the sheet, number from 1: number, branch, reference, stratum (the verdict)
        and weight (the visits that this one stands for).
    """

    id: str
    definition: str
    seed: int
    rows: pd.DataFrame


def rules() -> ParameterTable:
    """Return the table of how samples are drawn."""
    return load_table("forecast.visits.labelling", "labelling.toml")


def strata(visits: pd.DataFrame) -> pd.Series:
    """Return what each visit is stratified by: its certainty, or that it is excluded."""
    excluded = visits["certainty"].isin(FLARE_CERTAINTIES) & (visits["exclusion"] != "")
    return visits["certainty"].mask(excluded, EXCLUDED)


def labelled_population(visits: pd.DataFrame) -> pd.DataFrame:
    """Return the visits that can be drawn: of a known patient, and judged by a definition."""
    known = visits["dog"].notna() & (visits["dog"] != "")
    return visits.loc[known & (visits["certainty"].fillna("") != "")]


def draw_sample(visits: pd.DataFrame, n: int, *, definition: str, seed: int) -> Sample:
    """Draw visits for labelling.

    Parameters
    ----------
    visits
        Columns reference, branch, date, dog, certainty, exclusion.
    n
        Visits wanted; fewer where there are fewer.
    definition
        Version of the definition that gave the verdicts.
    seed
        Seed of the draw.

    Raises
    ------
    LabellingError
        If fewer are wanted than can tell anything, or there are none.
    """
    table = rules()
    smallest = int(table.number("sample.smallest"))
    if n < smallest:
        raise LabellingError(f"a sample of {n} visits was asked for; {smallest} is the least")
    known = labelled_population(visits)
    if known.empty:
        raise LabellingError(
            "a sample was asked for and the records hold no visit of a known patient that a case "
            "definition judged; import an export with notes, codes or items first"
        )
    frame = known.assign(stratum=strata(known), year=known["date"].dt.year)
    # the order of the records must not matter
    frame = frame.sort_values(["branch", "reference"], ignore_index=True)
    rng = np.random.default_rng(seed)
    drawn = [
        _draw_stratum(frame.loc[frame["stratum"] == name], size, rng, table.number("sample.power"))
        for name, size in _sizes(frame["stratum"], n, table).items()
    ]
    rows = pd.concat(drawn).sample(frac=1.0, random_state=rng)
    rows = rows[["branch", "reference", "stratum", "weight"]].reset_index(drop=True)
    rows.insert(0, "number", np.arange(1, len(rows) + 1))
    return Sample(_id(rows, definition, seed), definition, seed, rows)


def _id(rows: pd.DataFrame, definition: str, seed: int) -> str:
    told = repr((definition, seed, rows[["branch", "reference"]].to_numpy().tolist()))
    return "sample-" + hashlib.sha256(told.encode()).hexdigest()[:_HASH_SHOWN]


def _sizes(strata_of: pd.Series, n: int, table: ParameterTable) -> dict[str, int]:
    """Return how many visits to draw of each verdict; what a small one lacks goes to the others."""
    shares = {name: p.number for name, p in table.group("share").items()}
    names = [name for name in shares if (strata_of == name).any()]
    there = np.array([(strata_of == name).sum() for name in names])
    want = np.array([shares[name] for name in names])
    sizes = allocate(want, there, min(n, int(there.sum())))
    return dict(zip(names, sizes.tolist(), strict=True))


def allocate(want: NDArray[np.float64], there: NDArray[np.int64], n: int) -> NDArray[np.int64]:
    """Divide `n` by shares among cells, at least one each while it lasts and never more than there.

    `n` is at most the sum of `there`. Largest remainders get what rounding leaves.
    """
    sizes = np.zeros(len(there), dtype=np.int64)
    first = np.argsort(-want, kind="stable")[:n]
    sizes[first] = 1
    while sizes.sum() < n:
        open_cells = np.flatnonzero(sizes < there)
        left = n - int(sizes.sum())
        ideal = want * n
        gap = np.maximum(ideal[open_cells] - sizes[open_cells], 0.0)
        gap = gap if gap.sum() > 0 else want[open_cells]
        give = np.floor(left * gap / gap.sum()).astype(np.int64)
        if not give.any():
            give[np.argsort(-gap, kind="stable")[:left]] = 1
        sizes[open_cells] = np.minimum(sizes[open_cells] + give, there[open_cells])
    return sizes


def _draw_stratum(
    frame: pd.DataFrame, size: int, rng: np.random.Generator, power: float
) -> pd.DataFrame:
    keys = next(k for k in _CELLS if not k or frame.groupby(list(k)).ngroups <= size)
    groups = [one for _, one in frame.groupby(list(keys), sort=True)] if keys else [frame]
    there = np.array([len(one) for one in groups], dtype=np.int64)
    want = there.astype(float) ** power
    sizes = allocate(want / want.sum(), there, size)
    drawn = []
    for one, count in zip(groups, sizes.tolist(), strict=True):
        rows = one.iloc[rng.choice(len(one), size=count, replace=False)]
        drawn.append(rows.assign(weight=len(one) / count))
    together: pd.DataFrame = pd.concat(drawn)
    return together


# ----------------------------------------------------------------------- kept beside the sheet
def design_csv(sample: Sample) -> str:
    """Return what must be kept to use the labels: which visit each number is, and its weight."""
    rows = [
        (sample.id, sample.definition, sample.seed, *row)
        for row in sample.rows.itertuples(index=False)
    ]
    return csv_text(_KEYS, rows)


def read_design(content: bytes, file: str) -> Sample:
    """Read what `design_csv` wrote.

    Raises
    ------
    LabellingError
        If it does not hold one sample.
    """
    held = read_csv(content, file, required=_KEYS).rows
    if held["sample"].nunique() != 1:
        raise LabellingError(f"{file} must hold one sample, it holds {held['sample'].nunique()}")
    rows = held[list(_KEYS[3:])].astype({"number": int, "weight": float}).reset_index(drop=True)
    one = held.iloc[0]
    return Sample(one["sample"], one["definition"], int(one["seed"]), rows)


def drawn_visits(sample: Sample, visits: pd.DataFrame) -> pd.DataFrame:
    """Return the visits of a sample in the order of its sheet; one that was erased is missing."""
    found: pd.DataFrame = sample.rows.merge(visits, on=["branch", "reference"], how="inner")
    return found.sort_values("number", ignore_index=True)


def missing_numbers(sample: Sample, visits: pd.DataFrame) -> Sequence[int]:
    """Return the numbers of visits that are no longer on record."""
    there = set(drawn_visits(sample, visits)["number"])
    return [number for number in sample.rows["number"] if number not in there]
