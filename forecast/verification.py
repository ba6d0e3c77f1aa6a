"""Verification: issued forecasts against what happened.

Of the forecasts issued in a week the first is scored, so that nobody chooses, up to half a year
ahead: daily ones of the same week say the same again. A region's week is scored once its counts
have come in and are hardly corrected any more, against the forecast of visits and against
climatology as it stood in the same issue. Where a newer vintage has another count the row is scored
anew and names that vintage. A forecast is held only against counts of the case definition that it
was made under. Issued forecasts and hindcasts are never mixed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np
import pandas as pd
import xarray as xr

from forecast.array_files import ArrayFileError
from forecast.issuing import read_issue
from forecast.practice import Practice, parse_settings
from forecast.records.engine import Records
from forecast.records.issues import IssueRow, issue_summaries, issues, settings_of
from forecast.records.verifications import Verification, keep_verifications, verifications
from forecast.records.vintages import Vintage, vintages
from forecast.visits.counting.arrivals import known_visits
from forecast.visits.counting.counts import counts_as_known
from models.backtest import LEADS
from models.flare.forecaster import past_rates
from models.parameters import ParameterTable, load_table
from models.scores import weighted_interval_score
from models.scores.steps import share_inside, step_of_quantiles
from models.weeks import DAYS_IN_WEEK, monday_of, week_range

QUANTITY = "visits"
LONGEST_LEAD = LEADS[-1][1]  # weeks ahead


@dataclass(frozen=True)
class Scored:
    """What was scored: rows that are new, rows scored anew, and files that could not be read."""

    n_new: int
    n_corrected: int
    unreadable: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What was done, in one sentence."""
        told = f"{self.n_new} weeks of issued forecasts were scored"
        if self.n_corrected:
            told += (
                f"; {self.n_corrected} scored before have other counts now, and were scored anew"
            )
        if self.unreadable:
            told += f"; not scored, as its file cannot be read: {', '.join(self.unreadable)}"
        return told


def settled_counts(practice: Practice, records: Records, vintage: Vintage) -> xr.Dataset:
    """Return a vintage's counts (region, week), NaN in weeks that may still be corrected."""
    counts = counts_as_known(records, vintage.known_on, vintage)
    known = known_visits(practice, records, known_on=vintage.known_on)
    weeks = pd.DatetimeIndex(counts["week"].values)
    settled = known.whole(weeks, least=table().number("settled.share"))
    if known.delay is None:
        days = DAYS_IN_WEEK + table().number("settled.days")
        settled &= weeks + pd.Timedelta(days=days) <= pd.Timestamp(known.reached)
    return counts.where(xr.DataArray(settled, dims="week", coords={"week": counts["week"]}))


def score_forecast(forecast: xr.Dataset, counts: xr.Dataset) -> pd.DataFrame:
    """Score what an issue's file holds against counts (region, week).

    Returns
    -------
    pandas.DataFrame
        A row a region and week of which both are known, up to half a year ahead: region_id, week,
        weeks_ahead (1: the week that holds the origin), observed [visits], weighted_interval_score
        and climatology_score [visits], inside_50, inside_90, odds_high, usual_odds [1], was_high
        (None where not known).
    """
    if "visits_quantiles" not in forecast:
        return pd.DataFrame()
    first = np.datetime64(monday_of(date.fromisoformat(str(forecast.attrs["origin"]))))
    ahead = (forecast["week"].values.astype("datetime64[D]") - first).astype(int) // 7 + 1
    issued = forecast.isel(week=np.flatnonzero(ahead <= LONGEST_LEAD))
    seen = counts.reindex(week=issued["week"], region=issued["region"])
    order = ("region", "week", "quantile")
    levels, usual = (
        issued[f"{name}_quantiles"].transpose(*order).values.reshape(-1, issued.sizes["quantile"])
        for name in ("visits", "climatology")
    )
    y = seen["flare_visits"].transpose("region", "week").values.ravel()
    below, upto = step_of_quantiles(y, levels)
    rate = 1000.0 * past_rates(seen)["pressure_rate"]
    high = (rate > issued["threshold"]).where(rate.notnull() & issued["threshold"].notnull())
    odds = issued["odds_high"].transpose("region", "week").values.ravel()
    usual_odds = issued["climatology_odds"].transpose("region", "week").values.ravel()
    was_high = high.transpose("region", "week").values.ravel()
    scored = pd.DataFrame(
        {
            "region_id": np.repeat(issued["region"].values.astype(str), issued.sizes["week"]),
            "week": np.tile(issued["week"].values, issued.sizes["region"]),
            "weeks_ahead": np.tile(ahead[ahead <= LONGEST_LEAD], issued.sizes["region"]),
            "observed": y,
            "weighted_interval_score": weighted_interval_score(y, levels).total,
            "climatology_score": weighted_interval_score(y, usual).total,
            "inside_50": share_inside(below, upto, 0.25, 0.75),
            "inside_90": share_inside(below, upto, 0.05, 0.95),
            "odds_high": odds,
            "usual_odds": usual_odds,
            "was_high": was_high,
        }
    )
    known = scored[["observed", "weighted_interval_score", "climatology_score"]].notna()
    return scored[known.all(axis=1)].reset_index(drop=True)


def one_a_week(rows: list[IssueRow]) -> list[IssueRow]:
    """Return the first issue with visits of every week of origins, of rows in their order."""
    first: dict[date, IssueRow] = {}
    for row in rows:
        if row.visit_vintage is not None:
            first.setdefault(monday_of(row.origin), row)
    return list(first.values())


def score_issues(
    practice: Practice, records: Records, *, vintage: Vintage, kind: str = "issued"
) -> Scored:
    """Score the issues of one kind wherever a vintage has counts that are settled; keep the rows.

    Only issues of which a week is new, or has another count, are read.
    """
    counts = settled_counts(practice, records, vintage)
    held = verifications(records, kind=kind)
    of_none = held.iloc[:0].set_index(["region_id", "week"])["observed"]
    before = {
        issue_id: part.set_index(["region_id", "week"])["observed"]
        for issue_id, part in held.groupby("issue_id")
    }
    n_new = n_corrected = 0
    unreadable = []
    for row in _of_definition(records, vintage, one_a_week(issues(records, kind=kind))):
        known = before.get(row.id, of_none)
        wanted = _cells_to_score(records, row, counts, known)
        if not wanted:
            continue
        try:
            forecast = read_issue(practice.issued_folder / row.file).forecast
        except ArrayFileError:
            unreadable.append(row.id)
            continue
        made = list(_rows(score_forecast(forecast, counts), row.id, vintage.id, wanted))
        keep_verifications(records, made)
        corrected = sum((one.region_id, pd.Timestamp(one.week)) in known.index for one in made)
        n_corrected, n_new = n_corrected + corrected, n_new + len(made) - corrected
    return Scored(n_new, n_corrected, tuple(unreadable))


def _of_definition(records: Records, vintage: Vintage, rows: list[IssueRow]) -> Iterator[IssueRow]:
    rules = {one.id: one.case_definition for one in vintages(records)}
    for row in rows:
        if rules.get(str(row.visit_vintage)) == vintage.case_definition:
            yield row


def _cells_to_score(
    records: Records, row: IssueRow, counts: xr.Dataset, known: pd.Series
) -> set[tuple[str, pd.Timestamp]]:
    """Return the regions and weeks of an issue whose count is settled and not scored so yet."""
    n_weeks = min(LONGEST_LEAD, _n_weeks(settings_of(records, row.id)))
    weeks = counts.indexes["week"].intersection(week_range(row.origin, n_weeks))
    told = [
        region
        for region, summary in issue_summaries(records, row.id).items()
        if "expected_visits" in summary and region in counts["region"].values
    ]
    seen = counts["flare_visits"].sel(region=told, week=weeks).to_series().dropna()
    return set(seen.index[~(seen == known.reindex(seen.index)).to_numpy()])


@cache
def _n_weeks(settings_text: str) -> int:
    return parse_settings(settings_text).forecast.weeks


def _rows(
    scored: pd.DataFrame, issue_id: str, vintage_id: str, wanted: set[tuple[str, pd.Timestamp]]
) -> Iterator[Verification]:
    for row in scored.to_dict("records"):
        if (row["region_id"], row["week"]) not in wanted:
            continue
        odds, high = row.pop("odds_high"), row.pop("was_high")
        row.pop("usual_odds")  # the issue's file holds them
        known = bool(np.isfinite(odds)) and bool(np.isfinite(high))
        values = {str(k): v for k, v in row.items()} | {"week": row["week"].date()}
        yield Verification(
            issue_id=issue_id,
            vintage_id=vintage_id,
            quantity=QUANTITY,
            odds_high=float(odds) if known else None,
            was_high=bool(high) if known else None,
            **values,
        )


def table() -> ParameterTable:
    """Return the table of this room."""
    return load_table("forecast", "verification.toml")
