"""Tables of flowering dates judged: hindcast, new stations, forecast in season."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Any, Literal

import pandas as pd
import xarray as xr
from judged_files import JudgedFileError
from onset_protocol import (
    FOLDS,
    OnsetTrial,
    hindcast,
    in_season,
    new_stations,
    rms,
)

from models.scores import block_bootstrap_mean, block_bootstrap_ratio
from models.season import OnsetError
from models.season.in_season import MEMBERS

NORMAL_90 = 1.2816  # of a standard normal distribution: ends of the interval that holds 80 %
_SEED = 20060101
_ANY_YEAR = 2001
_LEVELS = (0.5, 0.8, 0.9)

_HINDCAST = "Hindcast: the whole weather known [d]"
_STATIONS = "Stations without dates of their own: a fifth of the sites left out in turn [d]"
_IN_SEASON = "In season, from what was known on the day: CRPS and RMSE of members [d]"
_ERRORS = ("n", "no date", "mean date", "RMSE", "ratio", "5 %", "95 %")
_COLUMNS = {
    _HINDCAST: ["plant", *_ERRORS, "MAE", "bias"],
    _STATIONS: ["plant", *_ERRORS, "in 80 %", "5 %", "95 %"],
    _IN_SEASON: [
        *("plant", "issued", "n", "climatology", "CRPS", "relative", "5 %", "95 %"),
        *("in 50 %", "in 80 %", "5 %", "95 %", "in 90 %"),
        *MEMBERS,
    ],
}
_NOTES = (
    "mean date: RMSE of the site's own mean date up to the last season learnt from; for stations "
    "without dates, of the mean date of all other sites.",
    "no date: the model gives none (the weather ends before it, or too much of it is lacking).",
    "climatology: CRPS of the site's dates of the past 30 years as an ensemble. CRPS is that of "
    "the empirical distribution (not the fair estimator). Plants that had flowered before the day "
    "of the forecast are left out, and so are sites with too few years to lend weather.",
)

Table = dict[str, Any]
Statistic = Literal["mean", "rmse"]


def onset_tables(
    weather: xr.Dataset,
    seasons: pd.DataFrame,
    *,
    last_training: int,
    issued: Sequence[str],
    told: Callable[[str], None] = lambda _: None,
) -> tuple[list[Table], list[str]]:
    """Score the onset models on seasons after a year.

    Parameters
    ----------
    weather, seasons
        As `judged_files.read_onsets` returns them.
    last_training
        Last season to learn from.
    issued
        Days of forecasts in season, ``MM-DD``.
    told
        Is told how far it has come.

    Returns
    -------
    tuple
        Tables, and what could not be scored and why.

    Raises
    ------
    JudgedFileError
        If no season comes after the year, or no plant has dates enough.
    """
    days = [_issue_day(text) for text in issued]
    if not (seasons["year"] > last_training).any():
        raise JudgedFileError(
            f"no date lies after {last_training}, the last season to learn from; the last is of "
            f"{seasons['year'].max()}: name an earlier one (--last-training)"
        )
    trial = OnsetTrial(weather, seasons, last_training)
    rows: dict[str, list[list[Any]]] = {title: [] for title in _COLUMNS}
    notes: list[str] = []
    for species in sorted(set(seasons["species"])):
        for title, name, row in _questions(trial, species, issued, days):
            told(f"{species}: {name}")
            try:
                rows[title].append(row())
            except OnsetError as error:
                notes.append(f"{species}, {name}, is not scored: {error}")
    if not any(rows.values()):
        raise JudgedFileError("; ".join(notes))
    tables = [
        {"title": title, "columns": columns, "rows": rows[title]}
        for title, columns in _COLUMNS.items()
        if rows[title]
    ]
    return tables, [*notes, *_NOTES]


def _questions(
    trial: OnsetTrial, species: str, issued: Sequence[str], days: list[pd.Timestamp]
) -> Iterator[tuple[str, str, Callable[[], list[Any]]]]:
    begin = trial.of(species)["begin"].iloc[0]
    yield _HINDCAST, "hindcast", partial(_hindcast_row, trial, species)
    yield _STATIONS, "stations without dates", partial(_stations_row, trial, species)
    for text, day in zip(issued, days, strict=True):
        since = (day - pd.Timestamp(_ANY_YEAR, begin.month, begin.day)).days % 365
        yield _IN_SEASON, f"issued {text}", partial(_in_season_row, trial, species, text, since)


def _hindcast_row(trial: OnsetTrial, species: str) -> list[Any]:
    scored = hindcast(trial, species)
    error, usual = (scored["doy"] - scored[name] for name in ("model", "usual"))
    return [
        *(species, len(scored), int(error.isna().sum()), rms(usual), rms(error)),
        *_ratio(error, usual, scored["year"], statistic="rmse"),
        *(float(error.abs().mean()), float(error.mean())),
    ]


def _stations_row(trial: OnsetTrial, species: str) -> list[Any]:
    n_sites = trial.of(species)["region"].nunique()
    if n_sites < FOLDS:
        raise OnsetError(f"a fifth of the sites is left out in turn, there are {n_sites} of them")
    scored = new_stations(trial, species)
    error, usual = (scored["doy"] - scored[name] for name in ("model", "usual"))
    known = error.notna()
    within = (error.abs() <= NORMAL_90 * scored["sd"])[known]
    return [
        *(species, len(scored), int((~known).sum()), rms(usual), rms(error)),
        *_ratio(error, usual, scored["year"], statistic="rmse"),
        *_share(within, scored.loc[known, "year"]),
    ]


def _in_season_row(trial: OnsetTrial, species: str, text: str, issue_day: int) -> list[Any]:
    scored = in_season(trial, species, issue_day)
    within = [(scored["pit"] - 0.5).abs() <= level / 2 for level in _LEVELS]
    return [
        *(species, text, len(scored), float(scored["climatology"].mean())),
        float(scored["crps"].mean()),
        *_ratio(scored["crps"], scored["climatology"], scored["year"], statistic="mean"),
        *(float(within[0].mean()), *_share(within[1], scored["year"]), float(within[2].mean())),
        *(rms(scored[member]) for member in MEMBERS),
    ]


def _ratio(
    model: pd.Series[float], usual: pd.Series[float], years: pd.Series[int], *, statistic: Statistic
) -> list[float]:
    found = block_bootstrap_ratio(
        model.to_numpy(),
        usual.to_numpy(),
        years.to_numpy(),
        seed=_SEED,
        statistic=statistic,
        few_blocks=True,
    )
    return [found.ratio, found.low, found.high]


def _share(within: pd.Series[bool], years: pd.Series[int]) -> list[float]:
    found = block_bootstrap_mean(
        within.to_numpy(float), years.to_numpy(), seed=_SEED, few_blocks=True
    )
    return [found.mean, max(found.low, 0.0), min(found.high, 1.0)]


def _issue_day(text: str) -> pd.Timestamp:
    try:
        return pd.to_datetime(f"{_ANY_YEAR}-{text.strip()}", format="%Y-%m-%d")
    except ValueError as error:
        raise JudgedFileError(
            f"{text!r} is no day of every year: name days of forecasts as MM-DD with commas "
            "between, such as --issued 02-01,03-01"
        ) from error
