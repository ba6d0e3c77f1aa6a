"""The protocol of weekly counts: origins, one engine, the references, and the tables of it.

One set-up for every series: the shipped engine without drivers, with nothing known of the mean,
told nothing of what is counted. `test_weekly_counts` runs it on surveillance data, ``judge.py`` on
any file.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from models.backtest import LEADS, compare, rolling_origins, score_origin
from models.flare.climatology import (
    draw_climatology,
    draw_last_season,
    draw_last_value,
    draw_trend_climatology,
)
from models.flare.count_forecaster import CountDraws, CountForecaster, is_long
from models.flare.recalibration import best_factor, spread_again
from models.flare.yearly_review import seasons_needed
from models.streams import DrawStreams

REFERENCES = ("climatology", "trend-climatology", "last value", "last season")
LEAST_WEEKS = 104  # of counts, for a forecast
_OWN, _MEMBER = "forepaw", "member: "


@dataclass(frozen=True)
class Protocol:
    """What is scored: weeks at the end of a series, from origins every few weeks."""

    test_weeks: int = 156
    between_origins: int = 6
    ahead: int = 26
    draws: int = 1000
    seed: int = 8

    def origins(self, counts: xr.DataArray) -> list[np.datetime64]:
        """Return the Mondays from which a series is forecast."""
        return rolling_origins(
            counts["week"].values,
            first=counts.sizes["week"] - self.test_weeks,
            every=self.between_origins,
            n_ahead=self.ahead,
        )

    def scores(
        self, counts: xr.DataArray, told: Callable[[str], None] = lambda _: None
    ) -> pd.DataFrame:
        """Return the scores of engine, members and references, as `score_origin` does.

        Parameters
        ----------
        counts
            Dims ``(region, week)``, every week on the axis; NaN where not known.
        told
            Is told how far it has come.
        """
        origins = self.origins(counts)
        # one factor a year of origins, from weeks before it: as a practice's is
        years = sorted({pd.Timestamp(origin).year for origin in origins})
        factors = {year: self._factor(counts, year) for year in years}
        said = ", ".join(f"{year}: {factor:.2f}" for year, factor in factors.items())
        told(f"draws are spread by {said}")
        frames = []
        for number, origin in enumerate(origins, start=1):
            frames.append(self._one(counts, origin, factors[pd.Timestamp(origin).year]))
            told(f"origin {number} of {len(origins)}")
        return pd.concat(frames, ignore_index=True)

    def _factor(self, counts: xr.DataArray, year: int) -> float:
        """Return by how much draws are spread for origins of a year, from half years before it."""
        ended = counts["week"] + np.timedelta64(7, "D") <= np.datetime64(f"{year}")
        before = counts.sel(week=ended)
        n_weeks, roots = before.sizes["week"], []
        least_weeks = 0.0 if is_long(before, before) else None  # of the members asked then
        for start in range(n_weeks % self.ahead, n_weeks, self.ahead):
            if start < LEAST_WEEKS:
                continue
            past = before.isel(week=slice(start))
            ahead = before["week"].values[start : start + self.ahead]
            drawn = self._drawn(past, ahead, self._streams(past, ahead), least_weeks=least_weeks)
            came = before.isel(week=slice(start, start + self.ahead)).transpose("region", "week")
            roots.append((np.sqrt(drawn.blended.values), np.sqrt(came.values)))
        seasons = len(roots) * self.ahead // 52
        return best_factor(roots, seasons=seasons) if seasons >= seasons_needed() else 1.0

    def _one(self, counts: xr.DataArray, origin: np.datetime64, factor: float) -> pd.DataFrame:
        past = counts.sel(week=counts["week"] < origin)
        ahead = counts["week"].values[counts["week"].values >= origin][: self.ahead]
        streams = self._streams(past, ahead)
        drawn = self._drawn(past, ahead, streams)
        one = np.exp(self._nothing_known(_regions(past), ahead))
        forecasts = {
            "climatology": draw_climatology(past, one, streams=streams),
            "trend-climatology": draw_trend_climatology(past, one, streams=streams),
            "last value": draw_last_value(past, one, streams=streams),
            "last season": draw_last_season(past, one, streams=streams),
        }
        # last, so that what the references are drawn with does not hang on it
        forecasts[_OWN] = spread_again(drawn.blended, factor, streams=streams)
        members = {f"{_MEMBER}{name}": draws for name, draws in drawn.members.items()}
        return score_origin(counts, forecasts | members, origin=origin)

    def _streams(self, past: xr.DataArray, ahead: np.ndarray) -> DrawStreams:
        number = int(ahead[0].astype("datetime64[D]").astype(int))
        return DrawStreams([self.seed, number], self.draws, _regions(past))

    def _drawn(
        self,
        past: xr.DataArray,
        ahead: np.ndarray,
        streams: DrawStreams,
        *,
        least_weeks: float | None = None,
    ) -> CountDraws:
        """Fit the engine to counts and draw the weeks ahead."""
        names = _regions(past)
        nothing = _no_drivers(past["week"].values, names)
        engine = CountForecaster(least_weeks=least_weeks).fit(past, xr.zeros_like(past), nothing)
        return engine.draw(
            self._nothing_known(names, ahead),
            _no_drivers(ahead, names, self.draws),
            streams=streams,
        )

    def _nothing_known(self, names: list[str], ahead: np.ndarray) -> xr.DataArray:
        return xr.DataArray(
            np.zeros((self.draws, len(names), len(ahead))),
            dims=("draw", "region", "week"),
            coords={"region": names, "week": ahead},
        )

    def tables(self, scores: dict[str, pd.DataFrame]) -> list[dict[str, Any]]:
        """Return the tables of the record, a row a series."""
        return [
            {
                "title": "Relative weighted interval score by weeks ahead, and coverage",
                "columns": [
                    *("series", *(f"{a}-{b}" for a, b in LEADS), "all", "5 %", "95 %"),
                    *("in 50 %", "5 %", "95 %", "in 90 %", "5 %", "95 %"),
                ],
                "rows": [self._row(name, scored) for name, scored in scores.items()],
            },
            {
                "title": "Against each reference, all leads: relative score and Diebold-Mariano p",
                "columns": ["series", *(c for r in REFERENCES for c in (r, "p"))],
                "rows": [self._against(name, scored) for name, scored in scores.items()],
            },
            _alone(scores),
        ]

    def table_by_reference(self, scored: pd.DataFrame) -> dict[str, Any]:
        """Return one series against each reference: relative score by weeks ahead."""
        rows = []
        for reference in REFERENCES:
            table = self._compared(scored, reference)
            overall = table.iloc[-1]
            row = [reference, *map(float, table["relative"])]
            rows.append([*row, *(float(overall[name]) for name in ("low", "high", "p_value"))])
        return {
            "title": "Weighted interval score relative to each reference, by weeks ahead",
            "columns": ["reference", *(f"{a}-{b}" for a, b in LEADS), "all", "5 %", "95 %", "p"],
            "rows": rows,
        }

    def _compared(self, scored: pd.DataFrame, reference: str) -> pd.DataFrame:
        return compare(scored, model=_OWN, reference=reference, seed=self.seed)

    def _row(self, name: str, scored: pd.DataFrame) -> list[Any]:
        table = self._compared(scored, "climatology")
        over_all = ["low", "high", "cover_50", "low_50", "high_50", "cover_90", "low_90", "high_90"]
        return [name, *map(float, table["relative"]), *map(float, table.iloc[-1][over_all])]

    def _against(self, name: str, scored: pd.DataFrame) -> list[Any]:
        row: list[Any] = [name]
        for reference in REFERENCES:
            overall = self._compared(scored, reference).iloc[-1]
            row += [float(overall["relative"]), float(overall["p_value"])]
        return row


def _alone(scores: dict[str, pd.DataFrame]) -> dict[str, Any]:
    found = {name: scored.groupby("model")["wis"].mean() for name, scored in scores.items()}
    models = dict.fromkeys(model for scored in scores.values() for model in scored["model"])
    members = [model for model in models if model.startswith(_MEMBER)]
    return {
        "title": "Members alone, relative to climatology, all leads",
        "columns": ["series", *(member.removeprefix(_MEMBER) for member in members)],
        "rows": [
            [name, *(float(wis.get(m, np.nan) / wis["climatology"]) for m in members)]
            for name, wis in found.items()
        ],
    }


def _regions(counts: xr.DataArray) -> list[str]:
    return [str(region) for region in counts["region"].values]


def _no_drivers(weeks: np.ndarray, regions: list[str], draws: int | None = None) -> xr.DataArray:
    empty = xr.DataArray(
        np.zeros((1, len(regions), len(weeks))),
        dims=("driver", "region", "week"),
        coords={"driver": ["none"], "region": list(regions), "week": weeks},
    )
    return empty if draws is None else empty.expand_dims(draw=draws)
