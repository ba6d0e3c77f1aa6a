"""From an issue to its figures: the values each figure shows, its answer, its source line."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd
import xarray as xr
from altair import VConcatChart

from forecast.charts.exposure import exposure_chart
from forecast.charts.fan import fan_chart
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.regions import Region, regions
from forecast.wording import LIKELY, exposure_sentence, region_sentence, source_sentences
from models.allergens import catalogue

PAST_VISITS = 52  # last season beside the next
PAST_EXPOSURE = 8
BANDS = {"lower_90": 0.05, "lower_50": 0.25, "median": 0.5, "upper_50": 0.75, "upper_90": 0.95}


def figures(practice: Practice, issue: Issue) -> Iterator[tuple[str, VConcatChart]]:
    """Yield each figure of an issue with its name: the fan and the exposure of every region.

    A region whose visits are not known has no fan.
    """
    source = str(issue.forecast.attrs["credit"])
    for region in regions(practice).values():
        note = _note(practice, issue, region)
        if issue.knows_visits_of(region.id):
            yield (
                f"visits-{region.id}",
                fan_chart(
                    fan_frame(issue.forecast, region.id),
                    title=region_sentence(issue.forecast, region.id, region.name),
                    source=source,
                    note=note,
                ),
            )
        yield (
            f"exposure-{region.id}",
            exposure_chart(
                exposure_frame(issue.forecast, region.id),
                title=exposure_sentence(issue.forecast, region.id, region.name),
                source=source,
                issued=pd.Timestamp(issue.forecast["week"].values[0]),
                note=note,
            ),
        )


def _note(practice: Practice, issue: Issue, region: Region) -> str:
    kind = "Hindcast" if issue.cut.kind == "hindcast" else "Issued"
    parts = [f"{kind} as of {issue.cut.origin}, issue {issue.id}."]
    if practice.settings.practice.invented:
        parts.append("Invented practice on real weather: visits, dogs and owners are made up.")
    return " ".join([*parts, *source_sentences(issue.forecast, {region.id: region.name})])


def fan_frame(forecast: xr.Dataset, region: str) -> pd.DataFrame:
    """Return the weeks of one region as the fan draws them, past and ahead."""
    one = forecast.sel(region=region)
    past = one["flare_visits_past"].isel(past_week=slice(-PAST_VISITS, None))
    seen = pd.DataFrame({"week": past["past_week"].values, "observed": past.values})
    quantiles = one["visits_quantiles"]
    ahead = pd.DataFrame({"week": one["week"].values})
    for column, level in BANDS.items():
        ahead[column] = quantiles.sel(quantile=level, method="nearest").values
    ahead["climatology"] = one["climatology_quantiles"].sel(quantile=0.5, method="nearest").values
    volume = one["consultations_quantiles"].sel(quantile=0.5, method="nearest").values
    ahead["threshold"] = float(one["threshold"]) * volume / 1000.0
    ahead["high"] = one["odds_high"].values >= LIKELY
    seen = seen[seen["week"] < ahead["week"].iloc[0]].assign(high=False)
    joined: pd.DataFrame = pd.concat([seen, ahead], ignore_index=True)
    return joined


def exposure_frame(forecast: xr.Dataset, region: str) -> pd.DataFrame:
    """Return weekly exposure by allergen, observed weather behind and the mean of draws ahead."""
    one = forecast.sel(region=region)
    known = catalogue()
    frames = []
    for allergen in forecast["allergen"].values[one["listed"].values > 0]:
        own = one.sel(allergen=allergen)
        past = own["exposure_past"].isel(past_week=slice(-PAST_EXPOSURE, None))
        ahead = own["exposure_ahead"].mean("draw")
        frame = pd.DataFrame(
            {
                "week": [*past["past_week"].values, *ahead["week"].values],
                "allergen": known[str(allergen)].name,
                "exposure": [*past.values, *ahead.values],
            }
        )
        frames.append(frame.drop_duplicates("week", keep="last"))
    joined: pd.DataFrame = pd.concat(frames, ignore_index=True)
    return joined
