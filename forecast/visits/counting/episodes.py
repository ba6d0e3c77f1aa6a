"""From visits to flare visits: the first itch-flare visit of an episode counts, the rest follow up.

An episode opens after 28 days without an itch-flare visit of that dog (the case definition).
"""

from __future__ import annotations

import pandas as pd

from forecast.visits.rules import VisitError

FLARE_VISIT = "flare visit"
RECHECK = "recheck"
SCHEDULED_DOSE = "scheduled dose"
OTHER = "other"


def with_roles(visits: pd.DataFrame, *, flare_free_days: int) -> pd.DataFrame:
    """Add the column `role`: flare visit, recheck, scheduled dose or other.

    An itch-flare visit is a flare visit if none of the `flare_free_days` before it (those of the
    case definition that gave the kinds) had an itch-flare visit of the same dog; otherwise it is a
    recheck, also where it is the second of one day.
    """
    flares = visits.loc[visits["kind"] == "itch flare"].sort_values(["dog", "date"], kind="stable")
    if flares["dog"].isna().any():
        raise VisitError(
            f"{int(flares['dog'].isna().sum())} itch-flare visits have no dog, so their episode "
            "cannot be told; name the dog or record the visits as 'other'"
        )
    since_last = flares.groupby("dog")["date"].diff().dt.days
    opens = since_last.isna() | (since_last > flare_free_days)
    role = visits["kind"].replace({"itch flare": RECHECK})
    role.loc[opens.index[opens]] = FLARE_VISIT
    return visits.assign(role=role)
