"""Skill: what the issued forecasts of a practice came to, said beside every new one.

Scores are averages over region-weeks, relative to climatology as it stood in the same issues. An
interval is drawn from whole seasons; until three of them are scored, skill is not known, whatever
the averages say. Hindcasts have a record of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.verifications import verifications
from forecast.verification import table
from models.backtest import LEADS, season_blocks
from models.scores import block_bootstrap_mean, block_bootstrap_ratio

_ALL = "all"


@dataclass(frozen=True)
class SkillRecord:
    """How forecasts of one kind did.

    Attributes
    ----------
    kind
        ``issued`` or ``hindcast``.
    by_lead
        A row a band of leads, and one for all: lead [weeks ahead], cases (region-weeks), seasons,
        error [visits], relative (error over climatology's), low, high (9 in 10, from whole
        seasons, widened for their number), cover_50, cover_90 and the ends of their intervals
        (cover_50_low, ...), brier (of the odds of a high week; NaN where none is known).
    n_forecasts, first, last
        Forecasts with a scored week; the first and last week that is scored, None without any.
    n_seasons
        Seasons of which enough weeks are scored.
    """

    kind: str
    by_lead: pd.DataFrame
    n_forecasts: int
    first: date | None
    last: date | None
    n_seasons: int

    @property
    def is_known(self) -> bool:
        """Whether enough seasons are scored to speak of skill."""
        return self.n_seasons >= seasons_needed()

    @property
    def is_better(self) -> bool:
        """Whether it is known, and the whole interval of the error lies below climatology's."""
        return self.is_known and bool(self._of_all["high"] < 1)

    @property
    def _of_all(self) -> pd.Series:
        return self.by_lead[self.by_lead["lead"] == _ALL].iloc[0]

    @property
    def sentence(self) -> str:
        """The record in one or two sentences."""
        many = "issued forecasts" if self.kind == "issued" else "hindcasts"
        if self.first is None:
            return f"Record: no week of {many} can be held against its counts yet; {_NOT_KNOWN}."
        if self.kind == "issued":
            many += ", one a week,"
        row = self._of_all
        return (
            f"Record of {self.n_forecasts} {many} on {row['cases']:.0f} region-weeks "
            f"from {self.first} to {self.last}: error {row['relative']:.2f} of climatology's; the "
            f"50 % bands held {100 * row['cover_50']:.0f} %, the 90 % bands "
            f"{100 * row['cover_90']:.0f} %. {self._verdict(row)}"
        )

    def _verdict(self, row: pd.Series) -> str:
        if not self.is_known:
            many = f"{self.n_seasons} of {seasons_needed()} seasons are scored"
            return f"{many[0].upper()}{many[1:]}: {_NOT_KNOWN}."
        between = f"9 times in 10 between {row['low']:.2f} and {row['high']:.2f}"
        if self.is_better:
            return f"Better than climatology ({between}, from {self.n_seasons} seasons)."
        if row["low"] > 1:
            return f"Worse than climatology ({between}, from {self.n_seasons} seasons)."
        return f"Not shown to be better than climatology ({between}, {self.n_seasons} seasons)."


_NOT_KNOWN = "skill not yet known"


def seasons_needed() -> int:
    """Return how many seasons must be scored before skill is spoken of."""
    return int(table().number("season.needed"))


def record(practice: Practice, records: Records, *, kind: str = "issued") -> SkillRecord:
    """Return how the forecasts of one kind did, as far as they are scored."""
    return summarise(
        verifications(records, kind=kind), kind=kind, seed=practice.settings.forecast.seed
    )


def summarise(rows: pd.DataFrame, *, kind: str, seed: int) -> SkillRecord:
    """Summarise scored weeks, rows as `forecast.records.verifications` gives them."""
    if rows.empty:
        return SkillRecord(kind, pd.DataFrame(), 0, None, None, 0)
    rows = rows.assign(season=season_blocks(rows["week"].to_numpy()))
    weeks = rows.groupby("season")["week"].nunique()
    bands = [(f"{a}-{b}", a, b) for a, b in LEADS] + [(_ALL, LEADS[0][0], LEADS[-1][1])]
    parts = [(label, rows[rows["weeks_ahead"].between(a, b)]) for label, a, b in bands]
    return SkillRecord(
        kind,
        pd.DataFrame([_row(label, part, seed) for label, part in parts if not part.empty]),
        rows["issue_id"].nunique(),
        rows["week"].min().date(),
        rows["week"].max().date(),
        int((weeks >= table().number("season.least_weeks")).sum()),
    )


def _row(label: str, part: pd.DataFrame, seed: int) -> dict[str, object]:
    ratio = block_bootstrap_ratio(
        part["weighted_interval_score"].to_numpy(),
        part["climatology_score"].to_numpy(),
        part["season"].to_numpy(),
        seed=seed,
        few_blocks=True,
    )
    held = {
        level: block_bootstrap_mean(
            part[f"inside_{level}"].to_numpy(float),
            part["season"].to_numpy(),
            seed=seed,
            few_blocks=True,
        )
        for level in (50, 90)
    }
    told = part[part["was_high"].notna() & part["odds_high"].notna()]
    miss = told["odds_high"].to_numpy(float) - told["was_high"].to_numpy(float)
    return {
        "lead": label,
        "cases": len(part),
        "seasons": part["season"].nunique(),
        "error": part["weighted_interval_score"].mean(),
        "relative": ratio.ratio,
        "low": max(ratio.low, 0.0),
        "high": ratio.high,
        **{f"cover_{level}": one.mean for level, one in held.items()},
        **{f"cover_{k}_low": float(np.clip(one.low, 0.0, 1.0)) for k, one in held.items()},
        **{f"cover_{k}_high": float(np.clip(one.high, 0.0, 1.0)) for k, one in held.items()},
        "brier": float(np.mean(miss**2)) if len(miss) else np.nan,
    }
