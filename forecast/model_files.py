"""The trained models that are kept, and which of them a forecast may rest on.

Learning takes long and changes little from one day to the next, so it is done once a week; the
issues of the days between rest on the newest model and on weather and counts of their own. A model
is learnt anew before its time where what it was learnt from, or under, is no longer so.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import xarray as xr

from forecast.array_files import ArrayFileError, read_attributes
from forecast.cut import DataCut, Known
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.vintages import vintage, vintages
from forecast.training import FORMAT, TrainedModel, read_model, review_from, write_model
from forecast.versions import Versions, changed, versions
from forecast.visits.counting.counts import counts_as_known
from models.flare.forecaster import TooFewVisitsError, check_length
from models.flare.yearly_review import YearlyReview
from models.parameters import ParameterTable, load_table


@dataclass(frozen=True)
class KeptModel:
    """A trained model that is kept: its file, its cut, and when and under what it was learnt.

    `reviewed` is the yearly review it rests on; None without visits.
    """

    file: Path
    cut: DataCut
    learnt_at: datetime
    settings_hash: str
    versions: Versions
    has_visits: bool
    reviewed: YearlyReview | None


def keep_model(practice: Practice, model: TrainedModel) -> Path:
    """Write a model down with the moment, the settings and the versions of its learning."""
    learnt = {
        "at": practice.now.isoformat(),
        "settings": practice.settings_sha256,
        "versions": versions(),
    }
    return write_model(model, practice.trained_folder, learnt=json.dumps(learnt, sort_keys=True))


def model_file(practice: Practice, model_hash: str) -> Path:
    """Return where the model of a hash stands, or stood."""
    return practice.trained_folder / f"{model_hash[:16]}.nc"


def kept_models(practice: Practice) -> list[KeptModel]:
    """Return the models that are kept, the oldest origin first.

    Damaged files, and those of another version of the format, are passed over.
    """
    found = []
    for path in practice.trained_folder.glob("*.nc"):
        try:
            attributes = read_attributes(path)
        except ArrayFileError:
            continue  # none to rest on: learning the same again mends it
        if attributes.get("format") != FORMAT or not attributes.get("learnt"):
            continue  # written by another version
        learnt = json.loads(attributes["learnt"])
        found.append(
            KeptModel(
                path,
                DataCut.from_attributes(json.loads(attributes["cut"])),
                datetime.fromisoformat(learnt["at"]),
                learnt["settings"],
                learnt["versions"],
                bool(attributes["visits"]),
                review_from(str(attributes.get("review", ""))),
            )
        )
    return sorted(found, key=lambda one: (one.cut.origin, one.learnt_at, one.file.name))


def standing_review(practice: Practice, *, cut: DataCut) -> YearlyReview | None:
    """Return the review of the newest model before a cut's day, which may stand for its year.

    None for a hindcast, which must not hang on what else was tried.
    """
    if cut.kind != "issued":
        return None
    earlier = [
        one
        for one in kept_models(practice)
        if one.cut.kind == cut.kind and one.reviewed is not None
    ]
    before = [one.reviewed for one in earlier if one.cut.origin < cut.origin]
    return before[-1] if before else None


def newest_fit(
    practice: Practice, records: Records, known: Known, *, cut: DataCut
) -> tuple[TrainedModel | None, str]:
    """Return the newest model that a forecast of a cut may rest on; None, and why, without one.

    A model never knows more than the forecast: one of a later origin is not looked at. A hindcast
    rests on a model of its very own cut, so that it does not depend on what else was tried.
    """
    held = [
        one
        for one in kept_models(practice)
        if one.cut == cut or (one.cut.kind == cut.kind == "issued" and one.cut.origin <= cut.origin)
    ]
    if not held:
        return None, "no model of that day, or before it, is kept"
    newest = held[-1]
    why = why_not_fit(practice, records, known, cut=cut, kept=newest)
    if why:
        return None, f"since the model of {newest.cut.origin} was learnt, {why}"
    return read_model(newest.file), ""


def why_not_fit(
    practice: Practice, records: Records, known: Known, *, cut: DataCut, kept: KeptModel
) -> str:
    """Say why a forecast of a cut must not rest on a model; empty where it may."""
    if kept.settings_hash != practice.settings_sha256:
        return "practice.toml was changed"
    newer = changed(kept.versions, versions())
    if newer:
        return f"versions have changed ({', '.join(newer)})"
    longest = int(_table().number("model.longest_days"))
    age = (cut.origin - kept.cut.origin).days
    if age > longest:
        return f"{age} days have gone by, of at most {longest}"
    return _why_counts_differ(records, known, cut=cut, kept=kept)


def _why_counts_differ(records: Records, known: Known, *, cut: DataCut, kept: KeptModel) -> str:
    if known.counts is None:
        return "its visits have gone" if kept.has_visits else ""
    if not kept.has_visits:
        try:
            check_length(known.counts)
        except TooFewVisitsError:
            return ""
        return "enough visits have come in"
    if kept.cut.case_definition != cut.case_definition:
        return "the case definition was changed"
    held = {one.id for one in vintages(records)}
    if kept.cut.visit_vintage not in held:
        return "the counts it was learnt from have gone"
    then = counts_as_known(records, kept.cut.origin, vintage(records, str(kept.cut.visit_vintage)))
    share = _changed_share(then, known.counts)
    if share > _table().number("model.changed_counts"):
        return f"{share:.0%} of the counts it was learnt from have changed"
    return ""


def _changed_share(then: xr.Dataset, now: xr.Dataset) -> float:
    """Return how much of the counts of then is another count now, a count not known being none."""
    names = ["flare_visits", "consultations"]
    # also weeks before those of then: years that were brought since are a change
    weeks = now["week"].values[now["week"].values <= then["week"].values[-1]]
    old, new = (
        one[names].reindex(week=weeks, region=now["region"]).fillna(0.0) for one in (then, now)
    )
    shares = [
        float(abs(new[name] - old[name]).sum()) / max(float(old[name].sum()), 1.0) for name in names
    ]
    return float(np.max(shares))


def _table() -> ParameterTable:
    return load_table("forecast", "model_files.toml")
