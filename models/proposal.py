"""Which allergens a region's list should hold: proposed from its place and climate.

The catalogue says for each allergen in which areas it grows and between which temperatures of the
coldest and the warmest month it is common. A place within one of the areas and within both limits
is *likely* to have it. The areas are coarse boxes and the limits assumed: the proposal is where a
practice begins, and the practice, which knows what grows around it, chooses.

House dust mites and fleas are likely nearly everywhere, but they are no exposure of the air and
enter the flare model only where a region lists them: they are offered, never proposed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import xarray as xr

from models.allergens import Allergen, AllergenError, catalogue
from models.parameters import Parameter, load_table


@dataclass(frozen=True)
class PlaceClimate:
    """The two temperatures that bound where a plant is common.

    Attributes
    ----------
    coldest_month, warmest_month
        Mean temperature of the coldest and the warmest month of a usual year [degC].
    """

    coldest_month: float
    warmest_month: float


@dataclass(frozen=True)
class Proposal:
    """What is proposed of one allergen at one place.

    Attributes
    ----------
    allergen
        The catalogue entry.
    is_likely
        Whether the place lies in its areas and, as far as known, within its limits.
    is_proposed
        Whether it belongs on the proposed list: likely, and airborne.
    reason
        Why, in a clause.
    """

    allergen: Allergen
    is_likely: bool
    is_proposed: bool
    reason: str


def propose(
    *, latitude: float, longitude: float, climate: PlaceClimate | None = None
) -> list[Proposal]:
    """Say of every allergen of the catalogue whether it is likely at a place, and why.

    Parameters
    ----------
    latitude, longitude
        Of the place, north and east positive [degree].
    climate
        From `place_climate`; None where no weather is held, so that only the area is judged and
        every reason says that the climate is not known.

    Returns
    -------
    list of Proposal
        In the order of the catalogue.

    Raises
    ------
    AllergenError
        If the place is not on the globe.
    """
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0):
        raise AllergenError(
            "a list of allergens is proposed for latitude -90 to 90 and longitude -180 to 180 "
            f"degrees; got {latitude:g} and {longitude:g}"
        )
    found = []
    for item in catalogue().values():
        is_likely, reason = _judge(item, latitude, longitude, climate)
        if is_likely and not item.is_airborne:
            reason += "; offered, not proposed: it enters the flare model only where it is listed"
        found.append(Proposal(item, is_likely, is_likely and item.is_airborne, reason))
    return found


def place_climate(weather: xr.Dataset) -> dict[str, PlaceClimate]:
    """Return the mean temperatures of the coldest and the warmest month, by region.

    Parameters
    ----------
    weather
        Daily ``tas`` [degC], dims ``(region, time)``.

    Returns
    -------
    dict
        Climate by region. Left out where some month of the year has no value at all: a record that
        lacks a month cannot say which one is the coldest.
    """
    # months of single years first, so that a half-held year does not tilt the mean
    monthly = weather["tas"].resample(time="MS").mean()
    usual = monthly.groupby("time.month").mean().transpose("region", "month")
    found = {}
    for region, values in zip(usual["region"].values, usual.values, strict=True):
        if values.size == 12 and np.isfinite(values).all():
            found[str(region)] = PlaceClimate(float(values.min()), float(values.max()))
    return found


def _judge(
    item: Allergen, latitude: float, longitude: float, climate: PlaceClimate | None
) -> tuple[bool, str]:
    home = next((a for a in item.native_to if _holds(_boxes(a), latitude, longitude)), None)
    if home is None:
        return False, f"grows in {_listing(item.native_to)}, not here"
    where = "common" if home == "worldwide" else f"at home in {home}"
    if climate is None:
        return True, f"{where}; the climate is not known, no weather is held"
    for name, mean in (
        ("coldest month", climate.coldest_month),
        ("warmest month", climate.warmest_month),
    ):
        low, high = cast(list[float], item.parameters[name.replace(" ", "_")].value)
        if not low <= mean <= high:
            return False, (
                f"{where}, but the {name} here has {mean:.0f} degC; "
                f"it is common from {low:g} to {high:g} degC"
            )
    return True, f"{where}, and the climate suits it"


def _boxes(area: str) -> list[list[float]]:
    return cast(list[list[float]], _area(area).value)


def _area(name: str) -> Parameter:
    return load_table("models", "areas.toml")[name]


def _holds(boxes: list[list[float]], latitude: float, longitude: float) -> bool:
    return any(
        south <= latitude <= north and west <= longitude <= east
        for south, north, west, east in boxes
    )


def _listing(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
