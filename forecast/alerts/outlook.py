"""What the newest forecast says of a region's weeks, and what was said of it before."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.alerts.deciding import Standing, WeekAhead
from forecast.issuing import Issue, read_issue
from forecast.practice import Practice
from forecast.records.alert_rules import LookedAt
from forecast.records.alerts import Alert, Skill
from forecast.records.engine import Records
from forecast.records.issues import issue
from forecast.skill import SkillRecord, record
from models.errors import ForepawError


def weeks_ahead(issued: xr.Dataset, region_id: str) -> list[WeekAhead]:
    """Return a region's weeks ahead with their odds of pressure; empty without any.

    Parameters
    ----------
    issued
        What an issue's file holds; its draws are not needed.
    """
    if "odds_high" not in issued or region_id not in issued["region"].values:
        return []
    one = issued.sel(region=region_id)
    return [
        WeekAhead(pd.Timestamp(week).date(), _known(odds), _known(usual))
        for week, odds, usual in zip(
            one["week"].values, one["odds_high"].values, one["climatology_odds"].values, strict=True
        )
    ]


def held_issue(practice: Practice, records: Records, issue_id: str) -> Issue | None:
    """Return an issue without its draws; None where it is not held, or cannot be read."""
    try:
        file = issue(records, issue_id).file
        return read_issue(practice.issued_folder / file, with_draws=False)
    except ForepawError:
        return None


def standing_of(alerts: list[Alert], look: LookedAt | None, practice: Practice) -> Standing:
    """Return what was said of a region before, from all its alerts.

    One that was thrown away counts: a person decided that its season is not spoken of.
    """
    spoken: dict[str, date] = {}
    for one in sorted(alerts, key=lambda alert: alert.made_at):
        spoken[one.kind] = (one.sent_at or one.made_at).astimezone(practice.time_zone).date()
    return Standing(look is not None and look.is_on, tuple(spoken.items()))  # type: ignore[arg-type]


def skill_of(practice: Practice, records: Records) -> tuple[Skill, SkillRecord]:
    """Return whether the issued forecasts are known to be better than climatology."""
    found = record(practice, records)
    if not found.is_known:
        return "not known", found
    return ("better" if found.is_better else "not shown"), found


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
