"""How good a case definition is: its verdicts beside labels of a sample, or beside a known truth.

Sensitivity is the share of the practice's flare visits that the definition finds; predictive value
the share of what it finds that is one. From a sample both are weighted back to all visits. Visits
whose label is unsure say neither yes nor no: they are left out and counted. Agreement of labellers
(kappa) is that of the drawn visits, which are harder than the practice's usual ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from forecast.visits.case_definition import ITCH_FLARE
from forecast.visits.labelling.labels import NO, UNSURE, YES, consensus
from forecast.visits.labelling.sample import (
    LabellingError,
    Sample,
    drawn_visits,
    rules,
)
from models.scores import Kappa, Share, VerdictTable, cohen_kappa, verdict_table

ALL = "all visits"
GROUPS = ("year", "branch", "vet")
_SHARES = ("sensitivity", "predictive_value", "specificity")
COLUMNS = ("group", "of", "visits", "flares", "found", *(
    f"{share}{end}" for share in _SHARES for end in ("", "_low", "_high")
))  # fmt: skip


@dataclass(frozen=True)
class Agreement:
    """What labels say of a definition.

    Attributes
    ----------
    table
        One row for all visits and one a year, branch and vet (`COLUMNS`): numbers of labelled
        visits, of true flares among them and of visits that the definition finds; shares from 0 to
        1 with their 95 % interval, NaN where too few are labelled.
    kappas
        Kappa by pair of labellers.
    disagreements
        Visits on which labellers differ: number, branch, reference, one column a labeller.
    misjudged
        Visits on which definition and labels differ: number, branch, reference, label, kind,
        certainty, exclusion, evidence.
    n_labelled, n_unsure, n_drawn, n_gone
        Visits with a clear label, with an unsure one, drawn, and no longer on record.
    same_definition
        Whether the verdicts are those that the sample was stratified by.
    """

    table: pd.DataFrame
    kappas: dict[tuple[str, str], Kappa]
    disagreements: pd.DataFrame
    misjudged: pd.DataFrame
    n_labelled: int
    n_unsure: int
    n_drawn: int
    n_gone: int
    same_definition: bool


def agree(
    labels: pd.DataFrame, sample: Sample, visits: pd.DataFrame, *, definition: str
) -> Agreement:
    """Lay labels beside the verdicts of the definition in force.

    Parameters
    ----------
    labels
        number, labeller, flare, as `read_labels` gives them.
    sample
        The sample they belong to.
    visits
        All visits with today's verdicts: reference, branch, date, dog, vet, certainty, exclusion,
        evidence, kind.
    definition
        Version of the definition that gave these verdicts.

    Raises
    ------
    LabellingError
        If no drawn visit with a clear label is on record.
    """
    drawn = drawn_visits(sample, visits).assign(year=lambda f: f["date"].dt.year)
    drawn = drawn.assign(label=drawn["number"].map(consensus(labels)))
    labelled = drawn.loc[drawn["label"].isin([YES, NO])]
    if labelled.empty:
        raise LabellingError(
            f"no visit of {sample.id} has a clear label and is on record; label some first"
        )
    labelled = labelled.assign(weight=_weights(labelled, sample))
    wrong = (labelled["label"] == YES) != (labelled["kind"] == ITCH_FLARE)
    told = ["label", "kind", "certainty", "exclusion", "evidence"]
    return Agreement(
        table=_table(labelled, labelled["label"] == YES),
        kappas=_kappas(labels),
        disagreements=_disagreements(labels, sample),
        misjudged=labelled.loc[wrong, ["number", "branch", "reference", *told]],
        n_labelled=len(labelled),
        n_unsure=int((drawn["label"] == UNSURE).sum()),
        n_drawn=len(sample.rows),
        n_gone=len(sample.rows) - len(drawn),
        same_definition=definition == sample.definition,
    )


def _weights(labelled: pd.DataFrame, sample: Sample) -> pd.Series:
    """Return weights that stand for all visits again though some drawn ones have no clear label.

    They are raised alike within each verdict, so a visit without a label is taken for one like its
    labelled neighbours. A verdict of which nothing is labelled stands for nothing.
    """
    whole = sample.rows.groupby("stratum")["weight"].sum()
    told = labelled.groupby("stratum")["weight"].sum()
    return labelled["weight"] * labelled["stratum"].map(whole / told)


def score_against_truth(
    visits: pd.DataFrame, truth: pd.Series, *, groups: Sequence[str] = GROUPS
) -> pd.DataFrame:
    """Return the same table where the truth of every visit is known, as in an invented practice.

    Parameters
    ----------
    visits
        With the columns kind, date and, of `groups`, those that are wanted; year is the date's.
    truth
        True where the visit was a flare, indexed like `visits`.
    groups
        What to part by, of year, branch and vet.

    Raises
    ------
    LabellingError
        If a visit has no truth.
    """
    known = truth.reindex(visits.index)
    if known.isna().any():
        raise LabellingError(
            f"the truth of {int(known.isna().sum())} visits is not given; it must be for all"
        )
    frame = visits.assign(year=visits["date"].dt.year)
    there = [name for name in groups if name in frame]
    return _table(frame, known.astype(bool), groups=there)


def _table(
    frame: pd.DataFrame, truth: pd.Series, *, groups: Sequence[str] = GROUPS
) -> pd.DataFrame:
    least = int(rules().number("too_few.cases"))
    rows = [_row(ALL, "", frame, truth, least)]
    for group in groups:
        if group not in frame:
            continue
        of = frame[group].replace("", np.nan).dropna()
        for value, own in frame.loc[of.index].groupby(group, sort=True):
            rows.append(_row(group, str(value), own, truth.loc[own.index], least))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _row(
    group: str, of: str, frame: pd.DataFrame, truth: pd.Series, least: int
) -> dict[str, object]:
    found = frame["kind"] == ITCH_FLARE
    weighted = "weight" in frame
    table = verdict_table(
        truth.to_numpy(dtype=bool),
        found.to_numpy(dtype=bool),
        weights=frame["weight"].to_numpy(dtype=float) if weighted else None,
        strata=frame["stratum"].to_numpy(dtype=str) if weighted else None,
    )
    row: dict[str, object] = {
        "group": group,
        "of": of,
        "visits": len(frame),
        "flares": int(truth.sum()),
        "found": int(found.sum()),
    }
    for name in _SHARES:
        share = _told(table, name, least)
        ends = (share.value, share.low, share.high)
        row |= dict(zip((name, f"{name}_low", f"{name}_high"), ends, strict=True))
    return row


def _told(table: VerdictTable, name: str, least: int) -> Share:
    share: Share = getattr(table, name)
    if share.n >= least:
        return share
    return Share(np.nan, np.nan, np.nan, share.n, share.effective_n)


def _kappas(labels: pd.DataFrame) -> dict[tuple[str, str], Kappa]:
    answers = labels.pivot_table(
        index="number", columns="labeller", values="flare", aggfunc="first"
    )
    found = {}
    for one, other in combinations(sorted(answers.columns), 2):
        both = answers[[one, other]].dropna()
        if not both.empty:
            found[one, other] = cohen_kappa(
                both[one].to_numpy(dtype=str), both[other].to_numpy(dtype=str)
            )
    return found


def _disagreements(labels: pd.DataFrame, sample: Sample) -> pd.DataFrame:
    answers = labels.pivot_table(
        index="number", columns="labeller", values="flare", aggfunc="first"
    )
    differ = answers.loc[answers.nunique(axis=1) > 1]
    keys = sample.rows.set_index("number")[["branch", "reference"]]
    return keys.join(differ.fillna(""), how="inner").reset_index()
