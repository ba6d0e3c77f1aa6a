"""An issue laid out by hand in a practice, so that every number of a page can be worked out.

Weeks ahead begin on 6 March 2023, and the origin is the Wednesday of that week. With 1,000
consultations a week and a threshold of 50, a draw of 100 is a high week and one of 0 is none.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import xarray as xr

from forecast import issue_files
from forecast.cut import DataCut
from forecast.issuing import Issue, keep_issue, read_issue
from forecast.pages.opened import OpenedPractice
from forecast.practice import Practice
from models.scores import QUANTILE_LEVELS

N_DRAWS, N_WEEKS = 20, 26
ISSUED_AT = datetime(2023, 3, 8, 1, 0, tzinfo=UTC)
BIRCH = {"start": "2023-04-01", "peak": "2023-04-10", "end": "2023-04-20"}
_laid_out: dict[str, tuple[Issue, list[tuple[Path, bytes]]]] = {}  # by what was asked for


def draws_of(high: Mapping[int, int]) -> np.ndarray:
    """Return draws (draw, week): 100 in the first so many draws of each week named, else 0."""
    draws = np.zeros((N_DRAWS, N_WEEKS))
    for week, many in high.items():
        draws[:many, week] = 100.0
    return draws


def lay_out(
    opened: OpenedPractice,
    make_issued: Callable[..., xr.Dataset],
    high: Mapping[str, Mapping[int, int] | None],
    *,
    kind: str = "issued",
    terms: Mapping[str, float] | None = None,
) -> Issue:
    """Keep an issue in which so many draws of a region's weeks are high; None: not known.

    `terms` are those of the log rate, the same in every week; without them none are kept.
    What was asked for before is not worked out again: its files are written as they were.
    """
    practice = opened.practice()
    asked = repr((high, kind, terms, practice.settings_text))
    if asked not in _laid_out:
        made = _lay_out(practice, make_issued, high, kind=kind, terms=terms)
        files = (made.file, issue_files.draws_file(made.file))
        _laid_out[asked] = made, [(file, file.read_bytes()) for file in files]
    issue, files = _laid_out[asked]
    for file, content in files:
        copy = practice.issued_folder / file.relative_to(issue.file.parent)
        copy.parent.mkdir(exist_ok=True)
        copy.write_bytes(content)
    issue = replace(issue, file=practice.issued_folder / issue.file.name)
    keep_issue(opened.records, opened.climate, issue)
    return issue


def _lay_out(
    practice: Practice,
    make_issued: Callable[..., xr.Dataset],
    high: Mapping[str, Mapping[int, int] | None],
    *,
    kind: str,
    terms: Mapping[str, float] | None,
) -> Issue:
    days = {k: np.full(N_DRAWS, float(np.datetime64(v).astype(int))) for k, v in BIRCH.items()}
    parts = []
    for region, weeks in high.items():
        threshold = np.nan if weeks is None else 50.0
        one = make_issued(draws_of(weeks or {}), threshold=threshold, seasons=days)
        one = one.assign(visits_mean=one["visits"].mean("draw"))
        if terms:
            values = np.array(list(terms.values()))[:, None, None] * np.ones((1, 1, N_WEEKS))
            kept = np.nan if weeks is None else values
            dims = ("term", "region", "week")
            one = one.assign_coords(term=list(terms)).assign(explanation=(dims, kept + 0 * values))
        if weeks is None:
            told = ("visits", "pressure", "consultations", "climatology")
            names = [n for n in one.data_vars if str(n).startswith(told)]
            one = one.assign({n: one[n] * np.nan for n in [*names, "flare_visits_past"]})
        parts.append(one.assign_coords(region=[region]))
    forecast = xr.concat(parts, dim="region", data_vars="minimal", coords="minimal", join="exact")
    spread = np.quantile(forecast["exposure_ahead"].values, QUANTILE_LEVELS, axis=-1)
    forecast["exposure_quantiles"] = (("quantile", "region", "allergen", "week"), spread)
    cut = DataCut(datetime(2023, 3, 8).date(), "snapshot", None, "version 1", kind)
    forecast.attrs = {
        "origin": "2023-03-08",
        "issued_at": ISSUED_AT.isoformat(),
        "run_id": "r",
        "cut": json.dumps(cut.as_attributes()),
        "model_hash": "m" * 64,
        "settings_hash": practice.settings_sha256,
        "settings_text": practice.settings_text,
        "seed": 1,
        "practice": "Made up",
        "invented": 1,
        "credit": "Weather of nowhere.",
        "sources_in_use": "",
        "weather_until": "2023-03-07",
        "why_no_visits": "",
    }
    path = issue_files.write_issue(forecast, practice.issued_folder, origin="2023-03-08")
    return read_issue(path)
