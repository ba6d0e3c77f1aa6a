"""What the visits told when an issue was made, kept beside its other files.

What drives flares, what weeks still coming in will likely have been, and how much hangs on what
cover prevents: all take the weather and the counts that the model was learnt from, so a page cannot
work them out.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import xarray as xr

from forecast.charts.render import write_whole
from forecast.issuing import Issue
from forecast.model_words import nowcast_sentences
from forecast.practice import Practice
from models.flare.attribution import Evidence

FILE, BESIDE_FILE = "evidence.json", "beside.json"


def write_evidence(practice: Practice, issue_id: str, evidence: Sequence[Evidence]) -> None:
    """Keep the evidence with an issue; numbers that are not known as null."""
    rows = [
        {
            key: None if isinstance(value, float) and not math.isfinite(value) else value
            for key, value in asdict(one).items()
        }
        for one in evidence
    ]
    _write(practice, issue_id, FILE, rows)


def read_evidence(practice: Practice, issue_id: str) -> list[Evidence] | None:
    """Return the evidence kept with an issue; None where none was kept, or it is gone."""
    rows: list[dict[str, Any]] | None = _read(practice, issue_id, FILE)
    if rows is None:
        return None
    for row in rows:
        row.update({key: math.nan for key, value in row.items() if value is None})
    return [Evidence(**row) for row in rows]


# --------------------------------------------------------- weeks coming in, and what cover prevents
@dataclass(frozen=True)
class CoverDecides:
    """How much of a region's forecast hangs on the share of flares that cover prevents.

    Attributes
    ----------
    covered_share
        Mean share of dogs under cover over the last year [1]; None where not known.
    flares
        Sum of the weeks ahead if no dog were covered, by the share of flares that cover prevents:
        a low one, the central one, a high one.
    visits
        Fewest and most flare visits of the weeks ahead among them, cover as in the last year.
    """

    covered_share: float | None
    flares: tuple[tuple[float, float], ...]
    visits: tuple[float, float]


@dataclass(frozen=True)
class BesideIssue:
    """What is told of each region beside its forecast, by the region's id.

    `coming_in` has a sentence a week that has not all come in.
    """

    coming_in: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    cover: Mapping[str, CoverDecides] = field(default_factory=dict)


def beside_issue(
    issue: Issue,
    named: Mapping[str, str],
    *,
    coming_in: xr.Dataset | None,
    cover: xr.Dataset | None,
) -> BesideIssue:
    """Put together what is told beside an issue.

    Parameters
    ----------
    named
        Name of each region, by its id.
    coming_in, cover
        What `forecast.training.weeks_coming_in` and `what_cover_decides` return.
    """
    told = {}
    if coming_in is not None and coming_in.sizes["week"]:
        for region in coming_in["region"].values:
            sentences = nowcast_sentences(coming_in.sel(region=[region]), named)
            told[str(region)] = tuple(sentences)
    decided = {}
    if cover is not None and issue.has_visits:
        for region in cover["region"].values:
            one = _cover_decides(issue, cover.sel(region=region), str(region))
            if one is not None:
                decided[str(region)] = one
    return BesideIssue(told, decided)


def _cover_decides(issue: Issue, found: xr.Dataset, region: str) -> CoverDecides | None:
    flares, visits = (
        found[name].values * float(issue.forecast[name].sel(region=region).mean("draw").sum("week"))
        for name in ("pressure", "visits")
    )
    if not np.isfinite(flares).all():
        return None
    share = float(found["covered_share"])
    efficacies = found["efficacy"].values
    return CoverDecides(
        share if math.isfinite(share) else None,
        tuple((float(e), float(n)) for e, n in zip(efficacies, flares, strict=True)),
        (float(visits.min()), float(visits.max())),
    )


def write_beside(practice: Practice, issue_id: str, told: BesideIssue) -> None:
    """Keep what is told beside an issue with it."""
    _write(practice, issue_id, BESIDE_FILE, asdict(told))


def read_beside(practice: Practice, issue_id: str) -> BesideIssue | None:
    """Return what is told beside an issue; None where it was not kept, or is gone."""
    held: dict[str, Any] | None = _read(practice, issue_id, BESIDE_FILE)
    if held is None:
        return None
    cover = {
        region: CoverDecides(
            one["covered_share"],
            tuple((efficacy, flares) for efficacy, flares in one["flares"]),
            (one["visits"][0], one["visits"][1]),
        )
        for region, one in held["cover"].items()
    }
    return BesideIssue({k: tuple(v) for k, v in held["coming_in"].items()}, cover)


def _write(practice: Practice, issue_id: str, name: str, held: object) -> None:
    folder = practice.outbox_folder / issue_id
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / name, json.dumps(held, indent=1).encode())


def _read(practice: Practice, issue_id: str, name: str) -> Any:
    try:
        text = (practice.outbox_folder / issue_id / name).read_text(encoding="utf-8")
    except FileNotFoundError:
        return None
    return json.loads(text)
