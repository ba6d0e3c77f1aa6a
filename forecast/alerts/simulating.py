"""What a rule would have done: the dates on which it would have spoken, before it is switched on.

It goes through forecasts from past origins, each made with only what was known then: those of the
newest backtest, or of a replay where that has more. Both are hindcasts; what was issued is never
mixed in. A rule is judged on all regions together, as one region has too few events.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from forecast.alerts.deciding import Standing, WeekAhead, decide
from forecast.alerts.judging import Given, Reach, Tally, Weeks, tally
from forecast.backtest import FOLDER as BACKTESTS
from forecast.backtest import kept_scores
from forecast.practice import Practice
from forecast.records.alert_rules import AlertRule

REPLAYS = "replays"
_COLUMNS = ["origin", "region", "week", "odds_high", "usual_odds", "was_high"]


@dataclass(frozen=True)
class PastOdds:
    """Odds from past origins: a row an origin, region and week, and where they are from."""

    rows: pd.DataFrame
    source: str

    @property
    def sentence(self) -> str:
        """What there is to simulate on."""
        if self.rows.empty:
            return (
                "there are no forecasts from past origins to simulate on; make them with "
                "`forepaw backtest`"
            )
        origins = self.rows["origin"]
        return (
            f"{origins.nunique()} past origins of {self.source}, {origins.min():%d %b %Y} to "
            f"{origins.max():%d %b %Y}"
        )


@dataclass(frozen=True)
class Simulation:
    """What a rule would have done in its region, and the same rule in all regions together."""

    own: Tally
    pooled: Tally
    n_regions: int
    n_seasons: float
    rests_on: str

    def plain(self) -> dict[str, Any]:
        """Return the numbers that were shown, as the records keep them with the rule."""
        return {
            "rests_on": self.rests_on,
            "own": self.own.sentence,
            "pooled": self.pooled.sentence,
            "spoken": [
                {"day": o.given.day.isoformat(), "kind": o.given.kind, "came": o.words}
                for o in self.own.outcomes
            ],
        }


def past_odds(practice: Practice) -> PastOdds:
    """Return the odds from past origins that are kept; empty where there are none."""
    choices = [
        PastOdds(_of_backtest(practice.folder / BACKTESTS), "the backtest"),
        *(PastOdds(rows, "a replay") for rows in _of_replays(practice.folder / REPLAYS)),
    ]
    return max(choices, key=lambda one: one.rows["origin"].nunique())


def simulate(rule: AlertRule, past: PastOdds, *, seed: int) -> Simulation:
    """Go through past origins with a rule; in other regions as if it were theirs."""
    return simulate_in(rule, [rule.region_id], past, seed=seed)[rule.region_id]


def simulate_in(
    rule: AlertRule, region_ids: Iterable[str], past: PastOdds, *, seed: int
) -> dict[str, Simulation]:
    """Return the same for several regions that have one rule; its own region counts for nothing."""
    by_region = {str(region): part for region, part in past.rows.groupby("region")}
    given = {region: _spoken(rule, part) for region, part in by_region.items()}
    high, reach = _high_weeks(past.rows), _reach(rule, past.rows)
    rests_on = f"{past.sentence}{_gaps(rule, past)}"
    n_seasons = len({week for _, week in high}) / 52
    pooled = tally([one for each in given.values() for one in each], high, seed=seed, reach=reach)
    found = {}
    for region_id in region_ids:
        here = {place: was for place, was in high.items() if place[0] == region_id}
        own = tally(given.get(region_id, []), here, seed=seed, reach=reach)
        found[region_id] = Simulation(own, pooled, len(by_region), n_seasons, rests_on)
    return found


def _gaps(rule: AlertRule, past: PastOdds) -> str:
    """Say that nothing looked ahead between origins, where they lie far apart for a rule."""
    origins = past.rows["origin"].drop_duplicates().sort_values()
    if len(origins) < 2:
        return ""
    apart = pd.Timedelta(origins.diff().median()).days
    if apart <= rule.longest_lead - rule.shortest_lead:
        return ""
    return (
        f"; these lie {apart // 7} weeks apart and the rule looks {rule.longest_lead} days "
        "ahead, so of events between them it could not have spoken, and they say nothing of it "
        "(`forepaw replay FROM TO --every 7` makes origins week by week)"
    )


def _reach(rule: AlertRule, rows: pd.DataFrame) -> Reach:
    """Return for each week the first origin from which the rule looks at it, odds being known."""
    ahead = (rows["week"] - rows["origin"]).dt.days
    in_reach = ahead.between(rule.shortest_lead, rule.longest_lead) & rows["odds_high"].notna()
    first = rows[in_reach].groupby(["region", "week"], as_index=False)["origin"].min()
    places = zip(first["region"].astype(str), first["week"].dt.date, strict=True)
    return dict(zip(places, first["origin"].dt.date, strict=True))


def _spoken(rule: AlertRule, rows: pd.DataFrame) -> list[Given]:
    standing, found = Standing(), []
    for origin, ahead in rows.sort_values("week").groupby("origin"):
        day = pd.Timestamp(str(origin)).date()
        weeks = [
            WeekAhead(week, _known(odds), _known(usual))
            for week, odds, usual in zip(
                ahead["week"].dt.date, ahead["odds_high"], ahead["usual_odds"], strict=True
            )
        ]
        looked = decide(rule, weeks, standing, day=day)
        standing = looked.standing
        if looked.spoken is not None:
            said = looked.spoken
            region = str(rows["region"].iloc[0])
            found.append(Given(region, said.kind, day, said.weeks, said.odds))
    return found


def _high_weeks(rows: pd.DataFrame) -> Weeks:
    """Return which weeks were high, by the threshold of the last origin that saw them ahead."""
    known = rows[rows["was_high"].notna()].sort_values("origin")
    newest = known.drop_duplicates(["region", "week"], keep="last")
    places = zip(newest["region"].astype(str), newest["week"].dt.date, strict=True)
    return dict(zip(places, newest["was_high"].astype(bool), strict=True))


def _of_backtest(folder: Path) -> pd.DataFrame:
    scores = kept_scores(folder)
    if scores.empty or "odds_high" not in scores:
        return _nothing()
    ours = scores[(scores["model"] == "forepaw") & scores["odds_high"].notna()]
    return ours[_COLUMNS].reset_index(drop=True)


def _of_replays(folder: Path) -> Iterator[pd.DataFrame]:
    for path in sorted(folder.glob("*/scores.csv")):
        if path.stat().st_size <= 1:  # no day of it could be scored
            continue
        rows = pd.read_csv(path, parse_dates=["day", "week"])
        rows = rows.rename(columns={"day": "origin", "region_id": "region"})
        if set(_COLUMNS) <= set(rows.columns):
            rows = rows[(rows["kind"] == "hindcast") & rows["odds_high"].notna()]
            yield rows[_COLUMNS].astype({"region": str}).reset_index(drop=True)


def _nothing() -> pd.DataFrame:
    frame = pd.DataFrame({name: [] for name in _COLUMNS})
    return frame.astype(dict.fromkeys(("origin", "week"), "datetime64[us]"))


def _known(value: Any) -> float | None:
    return None if pd.isna(value) else float(value)
