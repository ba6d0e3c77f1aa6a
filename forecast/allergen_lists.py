"""The regions' lists of allergens against what their place and climate make likely.

The list in practice.toml is the practice's choice. Here it is laid beside the proposal of
`models.proposal`, with the next season of everything listed or proposed where weather is held.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import xarray as xr

from forecast.climate import ClimateError, ClimateStore
from forecast.cut import CutError, DataCut, Known, known_at, take_cut
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.regions import Region, regions
from forecast.risk import SeasonWindow, exposure_seasons
from forecast.training import futures, train
from models.exposure import ExposureError
from models.proposal import PlaceClimate, Proposal, place_climate, propose
from models.traces import TraceError

N_DRAWS = 200  # enough for the first and last tenth of a start


@dataclass(frozen=True)
class ListedAllergen:
    """One allergen of the catalogue at one region; `season` is None where it is not known."""

    proposal: Proposal
    is_listed: bool
    season: SeasonWindow | None


@dataclass(frozen=True)
class RegionList:
    """A region's list beside the proposal; `climate` is None where no weather is held."""

    region: Region
    climate: PlaceClimate | None
    allergens: tuple[ListedAllergen, ...]

    @property
    def proposed(self) -> list[str]:
        """The proposed list, ready for practice.toml."""
        return [a.proposal.allergen.id for a in self.allergens if a.proposal.is_proposed]

    @property
    def unlikely_but_listed(self) -> list[ListedAllergen]:
        """Listed, although place or climate speaks against it."""
        return [a for a in self.allergens if a.is_listed and not a.proposal.is_likely]

    @property
    def likely_but_not_listed(self) -> list[ListedAllergen]:
        """Proposed, but not on the list."""
        return [a for a in self.allergens if a.proposal.is_proposed and not a.is_listed]

    @property
    def offered(self) -> list[ListedAllergen]:
        """Likely, never proposed, and not listed: mites and fleas."""
        return [
            a
            for a in self.allergens
            if a.proposal.is_likely and not a.proposal.is_proposed and not a.is_listed
        ]


@dataclass(frozen=True)
class ListReview:
    """Every region's list; `why_no_seasons` is empty where season dates could be given."""

    regions: tuple[RegionList, ...]
    why_no_seasons: str


def review_lists(
    practice: Practice, records: Records, climate: ClimateStore, *, origin: date
) -> ListReview:
    """Lay every region's list beside the proposal; without usable weather, without dates."""
    own = regions(practice)
    climates: dict[str, PlaceClimate] = {}
    seasons: dict[tuple[str, str], SeasonWindow] = {}
    why = ""
    try:
        climates = place_climate(climate.weather(until=origin - timedelta(days=1)))
        cut = take_cut(practice, records, climate, origin=origin)
        known = known_at(practice, records, climate, cut=cut)
        seasons = next_seasons(known, _with_proposed(own, climates), cut=cut)
    except (ClimateError, CutError, ExposureError, TraceError) as reason:
        why = str(reason)
    lists = tuple(_region_list(region, climates.get(region.id), seasons) for region in own.values())
    return ListReview(lists, why)


def next_seasons(
    known: Known, wanted: Mapping[str, Region], *, cut: DataCut
) -> dict[tuple[str, str], SeasonWindow]:
    """Return the next exposure season by region and allergen, drawn as a forecast draws it."""
    model = train(replace(known, counts=None), wanted, cut=cut)
    drawn = futures(model, known, n_weeks=1, n_draws=N_DRAWS, seed=[known.origin.toordinal()])
    names = ("start", "peak", "end", "dated")
    dates = {f"season_{name}": getattr(drawn.exposure, name) for name in names}
    return {(w.region, str(w.allergen)): w for w in exposure_seasons(xr.Dataset(dates))}


def _with_proposed(
    own: Mapping[str, Region], climates: Mapping[str, PlaceClimate]
) -> dict[str, Region]:
    """Return the regions as if they listed what is proposed, too."""
    wider = {}
    for region in own.values():
        also = [p.allergen.id for p in _proposals(region, climates.get(region.id)) if p.is_proposed]
        wider[region.id] = replace(
            region, allergens=tuple(dict.fromkeys([*region.allergens, *also]))
        )
    return wider


def _proposals(region: Region, climate: PlaceClimate | None) -> Sequence[Proposal]:
    return propose(latitude=region.latitude, longitude=region.longitude, climate=climate)


def _region_list(
    region: Region,
    climate: PlaceClimate | None,
    seasons: Mapping[tuple[str, str], SeasonWindow],
) -> RegionList:
    allergens = tuple(
        ListedAllergen(
            proposal,
            proposal.allergen.id in region.allergens,
            seasons.get((region.id, proposal.allergen.id)),
        )
        for proposal in _proposals(region, climate)
    )
    return RegionList(region, climate, allergens)
