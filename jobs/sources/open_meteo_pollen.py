"""Pollen of the European air-quality model, through the Open-Meteo family: modelled, not counted.

The service gives hours; a day is the mean of its hours in UTC. It covers Europe alone and each
plant in its season alone; what it does not give is not known, never zero. Its choice of domain is
left to it: where Europe is not, it then says "not offered" instead of refusing all places.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.findings import Finding
from jobs.sources import open_meteo_calls as calls
from jobs.sources.open_meteo_calls import set_up, words
from jobs.sources.open_meteo_reply import read_section
from jobs.sources.parsing import attributes, finding, position_coordinates
from jobs.sources.source import (
    MODELLED,
    VALUE_KIND,
    Parsed,
    Place,
    RawReply,
    Request,
    Source,
    SourceSettings,
)

__all__ = ["parse", "requests", "set_up"]

_HOURS = 24
_VERSION = "CAMS European ensemble"


def requests(
    source: Source,
    places: Sequence[Place],
    first: date,
    last: date,
    settings: SourceSettings,
) -> list[Request]:
    """Return the calls for hourly pollen of these places and days."""
    calls.model_of(source, settings)  # refuses options, there are none
    names = {name: str(leaf.value) for name, leaf in words().group("pollen").items()}
    cut = calls.chunks(source, places, first, last, n_variables=len(names))
    return [
        calls.check_address(
            Request(
                source_id=source.id,
                method="GET",
                url=source.base_url + str(words()[f"path.{source.id}"].value),
                params=(
                    *calls.place_parameters(some, elevation=False),
                    ("start_date", start.isoformat()),
                    ("end_date", end.isoformat()),
                    ("hourly", ",".join(names.values())),
                    ("timezone", "GMT"),
                ),
                places=some,
                first=start,
                last=end,
                variables=tuple(names),
                weight=weight,
            )
        )
        for some, start, end, weight in cut
    ]


def parse(reply: RawReply) -> Parsed:
    """Read pollen as daily means: ``pollen``, dims (region, allergen, time), grains m-3.

    A day is known only if enough of its hours are; days at the end without any are left off.
    """
    table = words()
    asked = {name: table[f"pollen.{name}"] for name in reply.request.variables}
    units = {str(leaf.value): leaf.unit for leaf in asked.values()}
    section = read_section(reply, "hourly", units, "h")
    hourly = np.stack([section.values[str(leaf.value)][:, 0] for leaf in asked.values()], axis=1)
    days, daily, n_part = _daily(section.time, hourly)
    findings = [*section.findings, *_note_parts(reply, n_part)]
    n_days = int(np.isfinite(daily).any(axis=(0, 1)).cumsum().argmax()) + 1
    n_days = n_days if np.isfinite(daily).any() else 0
    pollen = xr.DataArray(
        daily[..., :n_days],
        dims=("region", "allergen", "time"),
        attrs={
            "units": "grains m-3",
            "long_name": "daily mean pollen concentration, modelled forecast, not counted",
            "cell_methods": "time: mean (interval: 1 hour)",
            VALUE_KIND: MODELLED,
        },
    )
    dataset = xr.Dataset(
        {"pollen": pollen},
        coords={
            **position_coordinates(reply.request.places),
            "allergen": np.array(list(asked), dtype=object),
            "time": ("time", days[:n_days], {"standard_name": "time"}),
            **section.grid,
        },
        attrs={**attributes(reply, version=_VERSION), VALUE_KIND: MODELLED},
    )
    return Parsed(dataset, tuple(findings))


def _daily(hours: pd.DatetimeIndex, hourly: np.ndarray) -> tuple[pd.DatetimeIndex, np.ndarray, int]:
    """Return days, their means (place, allergen, day), and how many are lost for missing hours."""
    days = pd.date_range(hours[0].floor("D"), hours[-1].floor("D"), freq="D")
    whole = np.full((*hourly.shape[:2], len(days) * _HOURS), np.nan)
    start = int((hours[0] - days[0]) / pd.Timedelta(hours=1))
    whole[..., start : start + len(hours)] = hourly
    whole = whole.reshape(*hourly.shape[:2], len(days), _HOURS)
    n_known = np.isfinite(whole).sum(axis=-1)
    enough = n_known >= words().number("pollen_day.hours_needed")
    total = np.nansum(whole, axis=-1)
    daily = np.where(enough, total / np.maximum(n_known, 1), np.nan)
    return days, daily, int(((n_known > 0) & ~enough).sum())


def _note_parts(reply: RawReply, n_part: int) -> list[Finding]:
    if not n_part:
        return []
    needed = f"{words().number('pollen_day.hours_needed'):g} hours"
    found = f"{n_part} days of a place and allergen lack hours and stay missing"
    return [finding(reply, "days in part", "note", column="time", found=found, allowed=needed)]
