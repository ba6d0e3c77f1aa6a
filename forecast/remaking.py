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
from forecast.cut import known_at
from forecast.issuing import Issue, draw_forecast, read_issue
from forecast.practice import Practice, parse_settings
from forecast.records.engine import Records
from forecast.records.issues import issue as issue_row
from forecast.regions import regions
from forecast.training import train


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
        _arrays(again) == _arrays(stored.forecast),
        _changed(stored.forecast, again),
    )


def _arrays(forecast: xr.Dataset) -> str:
    return content_hash(xr.DataTree(forecast), attributes=False)


def _changed(then: xr.Dataset, now: xr.Dataset) -> tuple[str, ...]:
    found = []
    for kind in ("packages", "tables"):
        old, new = json.loads(then.attrs[kind]), json.loads(now.attrs[kind])
        for name in sorted(set(old) | set(new)):
            if old.get(name) != new.get(name):
                was, is_now = (str(v.get(name, "not used"))[:12] for v in (old, new))
                found.append(f"{name} {was} -> {is_now}")
    return tuple(found)
