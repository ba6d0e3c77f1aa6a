"""A first count table: what visits were made of, by year and branch."""

from __future__ import annotations

import pandas as pd

from forecast.visits.case_definition import CERTAINTIES, NO_CERTAINTY
from forecast.visits.counting.episodes import (
    FLARE_VISIT,
    OTHER,
    RECHECK,
    SCHEDULED_DOSE,
    with_roles,
)

ROLES = (FLARE_VISIT, RECHECK, SCHEDULED_DOSE, OTHER)
NOT_JUDGED = "not judged"
LEVELS = (*CERTAINTIES, NO_CERTAINTY, NOT_JUDGED)


def count_table(visits: pd.DataFrame, *, flare_free_days: int) -> pd.DataFrame:
    """Count visits by year and branch: one column a role, and all visits.

    `visits` has the columns date, branch, dog and kind; what a visit of itch is (flare visit, or
    recheck within the episode) is told by `forecast.visits.counting.episodes`, which
    `flare_free_days` is for. The first weeks of a record count too many flare visits: what was
    before them is not known.
    """
    marked = with_roles(visits, flare_free_days=flare_free_days)
    table = pd.crosstab([marked["date"].dt.year.rename("year"), marked["branch"]], marked["role"])
    table = table.reindex(columns=list(ROLES), fill_value=0)
    return table.assign(visits=table.sum(axis=1)).rename_axis(columns=None).reset_index()


def certainty_shares(visits: pd.DataFrame) -> pd.DataFrame:
    """Return the number and share of visits of each certainty, and how many are excluded.

    `visits` has the columns certainty (empty where the visit came with its kind, so that no
    definition judged it) and exclusion.
    """
    certainty = visits["certainty"].fillna("").replace("", NOT_JUDGED)
    counts = certainty.value_counts().reindex(list(LEVELS), fill_value=0)
    excluded = certainty[visits["exclusion"].fillna("") != ""].value_counts()
    return pd.DataFrame(
        {
            "certainty": list(LEVELS),
            "visits": counts.to_numpy(),
            "share": counts.to_numpy() / max(1, len(visits)),
            "excluded": excluded.reindex(list(LEVELS), fill_value=0).to_numpy(),
        }
    )


def exclusion_counts(visits: pd.DataFrame) -> pd.Series:
    """Return the number of visits that each exclusion takes out, most first."""
    excluded = visits["exclusion"].fillna("")
    return excluded[excluded != ""].value_counts()
