"""From a data cut to a trained model, and from a trained model to futures.

A trained model is data: shifts, scales, normals, coefficients and their spread, and the past rates
that the references repeat. It is kept as one file named by the hash of what it holds.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from forecast.array_files import ArrayFileError, content_hash, read_tree, write_tree
from forecast.cut import NEEDED, DataCut, Known
from forecast.regions import Region
from models.allergens import Allergen, catalogue
from models.flare.attribution import Evidence, driver_evidence
from models.flare.closures import closed_ahead
from models.flare.cover import visible_share
from models.flare.cover_sensitivity import cover_sensitivity
from models.flare.drivers import Normals, weekly_drivers
from models.flare.forecaster import (
    TooFewVisitsError,
    VisitDraws,
    VisitForecaster,
    check_length,
)
from models.flare.nowcast import nowcast
from models.flare.yearly_review import YearlyReview, review
from models.outlook import ExposureAhead, ExposureModel
from models.season import FloweringOnset, OnsetError
from models.streams import DrawStreams
from models.traces import continue_with_past_years
from models.weeks import DAYS_IN_WEEK, week_range

FORMAT = 3  # of a model's file; one of another format is learnt anew
HISTORY_DAYS = 430  # a whole season and the lags before any origin
_LAGS_DAYS = 70  # before an origin: more than the drivers' lags reach back
_ONSETS = "onsets"  # the group of a model file that holds a group for each plant
NEXT_SEASON_DAYS = 730  # any season that begins within a year, to the end of its window


@dataclass(frozen=True)
class TrainedModel:
    """Everything a forecast needs besides the weather; `visits` is None without enough of them.

    `review` is what the visits' model rests on for a year: whether exposure enters, and how wide
    forecasts should be; None without visits.
    """

    cut: DataCut
    exposure: ExposureModel
    normals: Normals
    visits: VisitForecaster | None
    why_no_visits: str
    hash: str
    onsets: Mapping[str, FloweringOnset] = field(default_factory=dict)
    review: YearlyReview | None = None

    @property
    def allergens(self) -> dict[str, Allergen]:
        """The catalogue entries that any region lists."""
        known = catalogue()
        return {str(a): known[str(a)] for a in self.exposure.listed["allergen"].values}

    @property
    def groups(self) -> dict[str, str]:
        """The exposure group of each allergen."""
        return {a.id: a.text("group") for a in self.allergens.values()}


@dataclass(frozen=True)
class Futures:
    """Draws of what may come: exposure always, visits where a practice has them.

    `drivers` is what the visits were drawn with, averaged over the draws, dims ``(driver, region,
    week)``.
    """

    exposure: ExposureAhead
    visits: VisitDraws | None
    drivers: xr.DataArray | None = None


def train(
    known: Known,
    regions: Mapping[str, Region],
    *,
    cut: DataCut,
    standing: YearlyReview | None = None,
) -> TrainedModel:
    """Train everything on what a cut lets be seen.

    `standing` is the review of an earlier model, kept where it stands within its year.
    """
    onsets = fit_onsets(known, regions)
    return train_with(known, regions, cut=cut, onsets=onsets, standing=standing)


def train_with(
    known: Known,
    regions: Mapping[str, Region],
    *,
    cut: DataCut,
    onsets: Mapping[str, FloweringOnset],
    standing: YearlyReview | None = None,
) -> TrainedModel:
    """Train with onset models fitted before, so that many origins may share one fit."""
    entries = _listed_allergens(regions)
    exposure, past = ExposureModel.fit(
        known.weather,
        list(entries.values()),
        listed={r.id: r.allergens for r in regions.values()},
        onsets=onsets,
        counts=known.pollen,
    )
    groups = {a.id: a.text("group") for a in entries.values()}
    history = weekly_drivers(known.weather, past, groups=groups)
    normals = Normals.of(history)
    visits, reviewed, why = _fit_visits(known, normals, history, standing)
    model = TrainedModel(cut, exposure, normals, visits, why, "", onsets, reviewed)
    return replace(model, hash=content_hash(_as_tree(model)))


def _fit_visits(
    known: Known, normals: Normals, history: xr.DataArray, standing: YearlyReview | None
) -> tuple[VisitForecaster | None, YearlyReview | None, str]:
    if known.counts is None:
        return None, None, "no visits are held"
    drivers = [str(d) for d in history["driver"].values]
    anomalies = normals.anomalies(history)
    weekly = _with_weather(known, anomalies)
    try:
        check_length(weekly)
    except TooFewVisitsError as error:
        return None, None, str(error)
    stands = standing is not None and standing.stands_at(known.origin, drivers)
    reviewed = standing if stands else review(weekly, anomalies, origin=known.origin)
    assert reviewed is not None
    fitted = VisitForecaster(
        reviewed.entering, reviewed.recalibration, state_sets=reviewed.state_sets
    ).fit(weekly, anomalies)
    return fitted, reviewed, ""


def _with_weather(known: Known, drivers: xr.DataArray) -> xr.Dataset:
    """Return the counts of the weeks whose drivers are known; newer ones wait for their weather."""
    assert known.counts is not None
    return known.counts.sel(week=np.isin(known.counts["week"].values, drivers["week"].values))


def _listed_allergens(regions: Mapping[str, Region]) -> dict[str, Allergen]:
    known = catalogue()
    wanted = {a for region in regions.values() for a in region.allergens}
    return {a.id: a for a in known.values() if a.id in wanted}


def fit_onsets(known: Known, regions: Mapping[str, Region]) -> dict[str, FloweringOnset]:
    """Fit the onset of each plant that an allergen of the regions takes as its indicator."""
    plants = {a.indicator for a in _listed_allergens(regions).values() if a.indicator}
    fitted = {}
    for plant in sorted(plants):
        seen = known.flowering
        seen = seen[(seen["species"] == plant) & (seen["stage"] == "flowering")]
        try:
            fitted[plant] = FloweringOnset().fit(known.weather, seen)
        except OnsetError:
            # too few dates: the allergen keeps the catalogue's season, unshifted
            continue
    return fitted


def futures(
    model: TrainedModel,
    known: Known,
    *,
    n_weeks: int,
    n_draws: int,
    seed: Sequence[int],
    with_dates: bool = True,
) -> Futures:
    """Draw futures of the weeks from the one that holds the origin on."""
    origin = np.datetime64(known.origin)
    weeks = week_range(known.origin, n_weeks)
    # past years stand in from the first day whose weather is not known, which may lie before origin
    first = np.datetime64(known.weather_until) + np.timedelta64(1, "D")
    days = max((weeks[-1] - pd.Timestamp(first)).days + DAYS_IN_WEEK, NEXT_SEASON_DAYS)
    # a source may lack, or give later, what nothing is worked out from: no year is unusable for it
    weather = known.weather[list(NEEDED)]
    traces = continue_with_past_years(weather, first, days=days, history_days=HISTORY_DAYS)
    streams = DrawStreams(seed, n_draws, [str(r) for r in traces["region"].values])
    recent = slice(origin - np.timedelta64(_LAGS_DAYS, "D"), None)
    # without dates of seasons, days after the last week are not asked for
    last = np.datetime64(weeks[-1], "D") + np.timedelta64(DAYS_IN_WEEK - 1, "D")
    ahead = model.exposure.ahead(
        traces,
        model.allergens,
        origin=origin,
        streams=streams,
        with_dates=with_dates,
        wanted=slice(recent.start, last),
        counts=known.pollen,
    )
    if model.visits is None:
        return Futures(ahead, None)
    trace_of = np.arange(n_draws) % traces.sizes["trace"]
    near = traces.sel(time=recent)
    by_trace = near[["tas", "hurs"]].isel(trace=xr.DataArray(trace_of, dims="draw"))
    drivers = weekly_drivers(by_trace, ahead.weekly, groups=model.groups)
    # a week whose weather has a long gap behind it is taken as usual: nothing says otherwise
    anomalies = model.normals.anomalies(drivers).sel(week=weeks).fillna(0.0)
    visits = model.visits.draw(anomalies, streams=streams)
    if known.open_ahead is not None:
        visits = closed_ahead(visits, known.open_ahead, streams=streams)
    return Futures(ahead, visits, anomalies.mean("draw"))


def what_drives(model: TrainedModel, known: Known) -> list[Evidence]:
    """Say what the visits tell of humidity and of exposure; empty without visits."""
    if model.visits is None or known.counts is None:
        return []
    history = driver_history(model, known)
    counts, departures = _with_weather(known, history), model.normals.departures(history)
    volume = counts["consultations"]
    exposed = volume.where(volume > 0) * visible_share(counts["covered_share"])
    offset = exposed.copy(data=np.log(exposed.values))
    return driver_evidence(counts["flare_visits"], offset, departures)


def driver_history(model: TrainedModel, known: Known) -> xr.DataArray:
    """Return temperature, humidity and exposure by group of every known week, as a model has them.

    Dims `(driver, region, week)`; what is usual for a week of the year is the model's `normals`.
    """
    past = model.exposure.past(known.weather, model.allergens)
    return weekly_drivers(known.weather, past, groups=model.groups)


def weeks_coming_in(model: TrainedModel, known: Known) -> xr.Dataset | None:
    """Foretell the whole of weeks whose visits have come in in part; None without visits.

    See `models.flare.nowcast.nowcast`.
    """
    if model.visits is None or known.counts is None:
        return None
    weekly, anomalies = _seen(model, known)
    return nowcast(model.visits.updated(weekly, anomalies), weekly, anomalies)


def what_cover_decides(model: TrainedModel, known: Known, *, n_weeks: int) -> xr.Dataset | None:
    """Forecast again with a low and a high efficacy of cover; None without visits.

    See `models.flare.cover_sensitivity.cover_sensitivity`.
    """
    if model.visits is None or known.counts is None:
        return None
    weekly, anomalies = _seen(model, known)
    return cover_sensitivity(model.visits, weekly, anomalies, n_weeks=n_weeks)


def _seen(model: TrainedModel, known: Known) -> tuple[xr.Dataset, xr.DataArray]:
    """Return the counts whose drivers are known, and the drivers' anomalies."""
    anomalies = model.normals.anomalies(driver_history(model, known))
    return _with_weather(known, anomalies), anomalies


def up_to_date(model: TrainedModel, known: Known, past: xr.DataArray) -> TrainedModel:
    """Return a model told of counts that are newer than those it was learnt from.

    `past` is the weekly exposure of the known weather. What was learnt stays as it is; on what it
    was learnt from, the model comes back drawing the same.
    """
    if model.visits is None or known.counts is None:
        return model
    anomalies = model.normals.anomalies(weekly_drivers(known.weather, past, groups=model.groups))
    visits = model.visits.updated(_with_weather(known, anomalies), anomalies)
    return replace(model, visits=visits)


def write_model(model: TrainedModel, folder: Path, *, learnt: str = "") -> Path:
    """Write a model into the practice's folder of trained models, named by its hash.

    `learnt` tells under what it was learnt (`forecast.model_files`), which is not part of the hash.
    """
    path = folder / f"{model.hash[:16]}.nc"
    tree = _as_tree(model)
    tree.attrs["learnt"] = learnt
    write_tree(tree, path)
    return path


def read_model(path: Path) -> TrainedModel:
    """Read a model; its hash is taken anew and must be the one in its name."""
    tree = read_tree(path)
    attrs = tree.attrs
    if attrs["format"] != FORMAT:
        raise ArrayFileError(
            f"{path} was learnt by another version of forepaw (format {attrs['format']}, this one "
            f"reads {FORMAT}); the next issue learns anew"
        )
    found = content_hash(tree)
    if not found.startswith(path.stem):
        raise ArrayFileError(f"{path} does not hold the model its name says; restore or relearn it")
    normals = tree["normals"].to_dataset()
    visits = None
    if attrs["visits"]:
        past = tree["past"].to_dataset()
        visits = VisitForecaster.from_dict(json.loads(attrs["visits"]), past)
    return TrainedModel(
        DataCut.from_attributes(json.loads(attrs["cut"])),
        ExposureModel.from_dataset(tree["exposure"].to_dataset()),
        Normals(normals["mean"], normals["spread"]),
        visits,
        str(attrs["why_no_visits"]),
        found,
        _onsets_of(tree),
        review_from(str(attrs["review"])),
    )


def _onsets_of(tree: xr.DataTree) -> dict[str, FloweringOnset]:
    if _ONSETS not in tree.children:  # no plant was fitted
        return {}
    kept = tree[_ONSETS].children.values()
    datasets = [node.to_dataset(inherit=False) for node in kept]
    return {d.attrs["plant"]: FloweringOnset.from_dataset(d) for d in datasets}


def _as_tree(model: TrainedModel) -> xr.DataTree:
    nodes = {
        "/": xr.Dataset(
            attrs={
                "format": FORMAT,
                "cut": json.dumps(model.cut.as_attributes(), sort_keys=True),
                "visits": _visits_text(model.visits),
                "why_no_visits": model.why_no_visits,
                "review": review_text(model.review),
            }
        ),
        "exposure": model.exposure.to_dataset(),
        "normals": xr.Dataset({"mean": model.normals.mean, "spread": model.normals.spread}),
    }
    if model.visits is not None:
        nodes["past"] = model.visits.past_
    for number, (plant, onset) in enumerate(sorted(model.onsets.items())):
        nodes[f"{_ONSETS}/{number}"] = onset.to_dataset().assign_attrs(plant=plant)
    return xr.DataTree.from_dict(nodes)


def review_text(reviewed: YearlyReview | None) -> str:
    """Write a review as one line of JSON; empty without one."""
    return "" if reviewed is None else json.dumps(reviewed.to_dict(), sort_keys=True)


def review_from(text: str) -> YearlyReview | None:
    """Read what `review_text` wrote."""
    return YearlyReview.from_dict(json.loads(text)) if text else None


def _visits_text(visits: VisitForecaster | None) -> str:
    if visits is None:
        return ""
    return json.dumps(visits.to_dict(), sort_keys=True, default=lambda a: np.asarray(a).tolist())
