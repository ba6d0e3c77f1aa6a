"""Outputs: what an issue leaves in the outbox: the long table and a figure a region."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import xarray as xr

from forecast.charts.exposure import exposure_chart
from forecast.charts.fan import fan_chart
from forecast.charts.render import render
from forecast.hub import write_hub_table
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.regions import regions
from forecast.wording import LIKELY, region_sentence
from models.allergens import catalogue

PAST_SHOWN = 26


def write_outputs(practice: Practice, made: Issue, folder: Path | None = None) -> list[Path]:
    """Write forecast.csv and the figures of every region; return their paths."""
    folder = folder or practice.outbox_folder / made.id
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    if made.has_visits:
        table = folder / "forecast.csv"
        write_hub_table(made.forecast, table)
        written.append(table)
    names = {region.id: region.name for region in regions(practice).values()}
    for region in made.forecast["region"].values:
        written += _figures(practice, made, str(region), names[str(region)], folder)
    return written


def _figures(practice: Practice, made: Issue, region: str, name: str, folder: Path) -> list[Path]:
    note = _note(practice, made)
    source = str(made.forecast.attrs["credit"])
    title = region_sentence(made.forecast, region, name)
    written: list[Path] = []
    if made.has_visits:
        fan = fan_chart(fan_frame(made.forecast, region), title=title, source=source, note=note)
        written += render(fan, folder / f"visits-{region}")
    issued = pd.Timestamp(made.forecast["week"].values[0])
    strips = exposure_chart(
        exposure_frame(made.forecast, region),
        title=f"Exposure in {name}: modelled, in shares of a mean season",
        source=source,
        issued=issued,
        note=note,
    )
    written += render(strips, folder / f"exposure-{region}")
    return written


def _note(practice: Practice, made: Issue) -> str:
    kind = "hindcast" if made.cut.kind == "hindcast" else "issued"
    parts = [f"{kind.capitalize()} as of {made.cut.origin}, issue {made.id}."]
    if practice.settings.practice.invented:
        parts.append("Invented practice on real weather.")
    return " ".join(parts)


def fan_frame(forecast: xr.Dataset, region: str) -> pd.DataFrame:
    """Return the weeks of one region as the fan draws them, past and ahead."""
    one = forecast.sel(region=region)
    past = one["flare_visits_past"].isel(past_week=slice(-PAST_SHOWN, None))
    seen = pd.DataFrame({"week": past["past_week"].values, "observed": past.values})
    q = one["visits_quantiles"]
    levels = {"lower_90": 0.05, "lower_50": 0.25, "median": 0.5, "upper_50": 0.75, "upper_90": 0.95}
    ahead = pd.DataFrame({"week": one["week"].values})
    for column, level in levels.items():
        ahead[column] = q.sel(quantile=level, method="nearest").values
    usual = one["climatology_quantiles"].sel(quantile=0.5, method="nearest")
    ahead["climatology"] = usual.values
    volume = one["consultations_quantiles"].sel(quantile=0.5, method="nearest").values
    ahead["threshold"] = float(one["threshold"]) * volume / 1000.0
    ahead["high"] = one["odds_high"].values >= LIKELY
    frame = pd.concat([seen[seen["week"] < ahead["week"].iloc[0]], ahead], ignore_index=True)
    frame["high"] = frame["high"].fillna(False).astype(bool)
    return frame


def exposure_frame(forecast: xr.Dataset, region: str) -> pd.DataFrame:
    """Return weekly exposure by allergen, observed weather behind and the mean of draws ahead."""
    one = forecast.sel(region=region)
    known = catalogue()
    frames = []
    for allergen in forecast["allergen"].values:
        if not bool(one["listed"].sel(allergen=allergen)):
            continue
        past = one["exposure_past"].sel(allergen=allergen).isel(past_week=slice(-PAST_SHOWN, None))
        ahead = one["exposure_ahead"].sel(allergen=allergen).mean("draw")
        weeks = [*past["past_week"].values, *ahead["week"].values]
        frames.append(
            pd.DataFrame(
                {
                    "week": weeks,
                    "allergen": known[str(allergen)].name,
                    "exposure": [*past.values, *ahead.values],
                }
            ).drop_duplicates("week", keep="last")
        )
    return pd.concat(frames, ignore_index=True)
