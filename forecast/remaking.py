"""Making an issue again from what it pinned, to show that it was what it says.

The climate snapshot, the vintage of counts, the text of the settings and the seed are those of the
issue; the code, its parameter tables and the packages are those of today. With the same versions on
the same kind of processor the arrays come out bit for bit; what differs between then and now is
named.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import xarray as xr
from threadpoolctl import threadpool_limits

from forecast.array_files import content_hash
from forecast.climate import ClimateStore
from forecast.climate.thinning import ages
from forecast.cut import known_at
from forecast.issue_files import DRAWS_HASH, parted
from forecast.issuing import Issue, draw_forecast, read_issue
from forecast.practice import Practice, parse_settings
from forecast.records.engine import Records
from forecast.records.issues import issue as issue_row
from forecast.regions import regions
from forecast.training import train
from models.errors import ForepawError


class RemakeError(ForepawError):
    """An issue cannot be made again."""


@dataclass(frozen=True)
class Remade:
    """What came of making an issue again; `changed` names versions as ``name: then -> now``."""

    issue: Issue
    same_model: bool
    same_arrays: bool
    changed: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The outcome in one sentence."""
        told = "; changed since: " + ", ".join(self.changed) if self.changed else ""
        if self.same_arrays:
            return f"issue {self.issue.id} was made again with the same arrays, bit for bit{told}"
        why = told or "; no version changed, so data or code must have: this is a fault"
        return f"issue {self.issue.id} was made again and came out different{why}"


def remake(practice: Practice, records: Records, climate: ClimateStore, *, issue_id: str) -> Remade:
    """Train and draw anew from what an issue pinned, and compare; nothing is written."""
    stored = read_issue(practice.issued_folder / issue_row(records, issue_id).file)
    if not climate.holds(stored.cut.climate_snapshot):
        raise RemakeError(
            f"issue {issue_id} of {stored.cut.origin} was to be made again; the weather it was "
            f"made from is no longer held: {ages().weekly} days after an issue it is kept for one "
            f"issue a week, {ages().monthly} days after for one a month, and for those a plan was "
            "made from; the forecast itself is kept"
        )
    text = str(stored.forecast.attrs["settings_text"])
    then = replace(
        practice, settings=parse_settings(text), settings_text=text, now=stored.issued_at
    )
    known = known_at(then, records, climate, cut=stored.cut)
    with threadpool_limits(1):
        model = train(known, regions(then), cut=stored.cut)
    again = draw_forecast(then, model, known)
    return Remade(
        stored,
        model.hash == stored.model_hash,
        _arrays(again) == _arrays(stored.forecast) and _same_draws(stored.forecast, again),
        _changed(stored.forecast, again),
    )


def _arrays(forecast: xr.Dataset) -> str:
    kept, _ = parted(forecast)
    return content_hash(xr.DataTree(kept), attributes=False)


def _same_draws(then: xr.Dataset, now: xr.Dataset) -> bool:
    """Say whether draws are those of then, which are told by their hash when they are gone."""
    _, draws = parted(now)
    return content_hash(xr.DataTree(draws)) == then.attrs.get(DRAWS_HASH)


def _changed(then: xr.Dataset, now: xr.Dataset) -> tuple[str, ...]:
    found = []
    for kind in ("packages", "tables"):
        old, new = json.loads(then.attrs[kind]), json.loads(now.attrs[kind])
        for name in sorted(set(old) | set(new)):
            if old.get(name) != new.get(name):
                was, is_now = (str(v.get(name, "not used"))[:12] for v in (old, new))
                found.append(f"{name} {was} -> {is_now}")
    return tuple(found)
