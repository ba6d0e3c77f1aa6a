"""Making an issue again from what it pinned, to show that it was what it says.

The climate snapshots, the vintages of counts, the text of the settings and the seed are those of
the issue and of the model it rests on; the code, its parameter tables and the packages are those of
today. With the same versions on the same kind of processor the arrays come out bit for bit; what
differs between then and now is named.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace

import xarray as xr
from threadpoolctl import threadpool_limits

from forecast.array_files import ArrayFileError, content_hash
from forecast.climate import ClimateStore
from forecast.climate.thinning import ages
from forecast.cut import known_at
from forecast.issue_files import DRAWS_HASH, parted
from forecast.issuing import Issue, draw_forecast, read_issue
from forecast.model_files import model_file
from forecast.practice import Practice, parse_settings
from forecast.records.engine import Records
from forecast.records.issues import issue as issue_row
from forecast.regions import regions
from forecast.training import TrainedModel, read_model, review_from, train
from forecast.versions import changed, versions
from models.errors import ForepawError


class RemakeError(ForepawError):
    """An issue cannot be made again."""


@dataclass(frozen=True)
class Remade:
    """What came of making an issue again; `changed` names versions as ``name: then -> now``.

    `same_model` is None where its model could not be learnt again.
    """

    issue: Issue
    same_model: bool | None
    same_arrays: bool
    changed: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The outcome in one sentence."""
        told = "; changed since: " + ", ".join(self.changed) if self.changed else ""
        if self.same_model is None:
            told += "; its model was read, not learnt again: that weather is no longer held"
        if self.same_arrays and self.same_model is not False:
            return f"issue {self.issue.id} was made again with the same arrays, bit for bit{told}"
        if self.same_arrays:
            told = f"; its model, learnt again, came out different{told}"
            return f"issue {self.issue.id} was made again from the model that was kept{told}"
        why = told or "; no version changed, so data or code must have: this is a fault"
        return f"issue {self.issue.id} was made again and came out different{why}"


def remake(practice: Practice, records: Records, climate: ClimateStore, *, issue_id: str) -> Remade:
    """Learn and draw anew from what an issue pinned, and compare; nothing is written.

    Drawn is with the model as it was kept; it is learnt anew as well, to show that it was what it
    says. Where its file has gone, the one that is learnt anew is drawn with; where the weather it
    was learnt from has gone, the kept one is not put to the test.
    """
    stored = read_issue(practice.issued_folder / issue_row(records, issue_id).file)
    if not climate.holds(stored.cut.climate_snapshot):
        raise _not_held(stored, "the weather it was made from is no longer held")
    text = str(stored.forecast.attrs["settings_text"])
    then = replace(
        practice, settings=parse_settings(text), settings_text=text, now=stored.issued_at
    )
    learnt = _learnt_anew(then, records, climate, stored)
    model = _kept_model(practice, stored) or learnt
    if model is None:
        raise _not_held(
            stored, "neither its model nor the weather it was learnt from is still held"
        )
    known = known_at(then, records, climate, cut=stored.cut)
    # what was listed then, whatever was listed or taken back since
    known = replace(known, open_ahead=stored.forecast.get("open_share"))
    again = draw_forecast(then, model, known, cut=stored.cut)
    return Remade(
        stored,
        None if learnt is None else learnt.hash == stored.model_hash,
        _arrays(again) == _arrays(stored.forecast) and _same_draws(stored.forecast, again),
        _changed(stored.forecast),
    )


def _learnt_anew(
    then: Practice, records: Records, climate: ClimateStore, stored: Issue
) -> TrainedModel | None:
    cut = stored.model_cut
    if not climate.holds(cut.climate_snapshot):
        return None
    known = known_at(then, records, climate, cut=cut)
    with threadpool_limits(1):
        # a review taken over from an earlier model is what this one rested on; its own is made anew
        standing = review_from(str(stored.forecast.attrs.get("review", "")))
        return train(known, regions(then), cut=cut, standing=standing)


def _kept_model(practice: Practice, stored: Issue) -> TrainedModel | None:
    try:
        return read_model(model_file(practice, stored.model_hash))
    except ArrayFileError:  # thinned, or damaged: it is learnt anew
        return None


def _not_held(stored: Issue, what: str) -> RemakeError:
    return RemakeError(
        f"issue {stored.id} of {stored.cut.origin} was to be made again; {what}: "
        f"{ages().weekly} days after an issue it is kept for one issue a week, {ages().monthly} "
        "days after for one a month, and for those a plan was made from; the forecast itself is "
        "kept"
    )


def _arrays(forecast: xr.Dataset) -> str:
    kept, _ = parted(forecast)
    return content_hash(xr.DataTree(kept), attributes=False)


def _same_draws(then: xr.Dataset, now: xr.Dataset) -> bool:
    """Say whether draws are those of then, which are told by their hash when they are gone."""
    _, draws = parted(now)
    return content_hash(xr.DataTree(draws)) == then.attrs.get(DRAWS_HASH)


def _changed(then: xr.Dataset) -> tuple[str, ...]:
    return changed(
        {kind: json.loads(then.attrs[kind]) for kind in ("packages", "tables")}, versions()
    )
