"""Gathering what was read of many replies until it is worth a commit, and keeping it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from forecast.climate import ClimateStore, check_weather
from forecast.climate.layered import POSITIONS
from forecast.findings import Finding
from jobs.sources.planning import SUBJECTS
from jobs.sources.source import Parsed, RawReply, Source

_DIMS = {"pollen": ("region", "allergen", "time"), "weather": ("region", "time")}
_AHEAD = ("region", "member", "time")


@dataclass
class Gathered:
    """What was read of a source's replies and is not kept yet."""

    source: Source
    run_id: str
    parts: list[Parsed] = field(default_factory=list)
    asked: dict[str, tuple[date, date]] = field(default_factory=dict)
    failed: dict[str, date] = field(default_factory=dict)
    retrieved_at: datetime | None = None
    n_values: int = 0

    def add(self, reply: RawReply, parsed: Parsed) -> None:
        """Take what was read of a reply."""
        self.parts.append(parsed)
        self.n_values += sum(int(v.size) for v in parsed.dataset.data_vars.values())
        self.retrieved_at = reply.retrieved_at
        first, last = reply.request.first, reply.request.last
        if first is None or last is None:
            return
        for place in reply.request.places:
            before = self.asked.get(place.id, (first, last))
            self.asked[place.id] = (min(first, before[0]), max(last, before[1]))

    def miss(self, places: Sequence[str], first: date | None) -> None:
        """Note that places were asked for in vain, from a day on: they are asked again."""
        for place in places:
            day = first or date.min
            self.failed[place] = min(day, self.failed.get(place, day))

    def keep(self, store: ClimateStore) -> tuple[int, list[Finding]]:
        """Commit what was gathered; return how many values or dates it was, and what checks say."""
        if not self.parts or self.retrieved_at is None:
            return 0, []
        terms: dict[str, Any] = {
            "source": self.source.id,
            "licence": self.source.licence,
            "credit": self._credit(),
            "retrieved_at": self.retrieved_at,
            "run_id": self.run_id,
        }
        kept = self._keep_frames if self.source.kind == "phenology" else self._keep_arrays
        found = kept(store, terms)
        self.parts, self.asked, self.n_values = [], {}, 0
        return found

    def _credit(self) -> str:
        lines = [str(part.dataset.attrs.get("credit", self.source.credit)) for part in self.parts]
        return max(lines, key=len)  # the one that names the model's maker, too

    def _asked_in_full(self) -> dict[str, tuple[date, date]]:
        """Return the days asked for of each place, up to the first that failed."""
        spans = {}
        for place, (first, last) in self.asked.items():
            failed = self.failed.get(place)
            if failed is not None:
                last = min(last, date.fromordinal(max(1, failed.toordinal() - 1)))
            if first <= last:
                spans[place] = (first, last)
        return spans

    def _keep_frames(self, store: ClimateStore, terms: dict[str, Any]) -> tuple[int, list[Finding]]:
        frames = [p.frame for p in self.parts if p.frame is not None and not p.frame.empty]
        asked = self._asked_in_full()
        if not frames:
            if asked:
                store.note_asked("flowering", asked, **terms)
            return 0, []
        frame = pd.concat(frames, ignore_index=True)
        store.append_flowering(frame, **terms, asked=asked)
        return len(frame), []

    def _keep_arrays(self, store: ClimateStore, terms: dict[str, Any]) -> tuple[int, list[Finding]]:
        kind = self.source.kind
        findings: list[Finding] = []
        asked = self._asked_in_full()
        dims = _DIMS.get(kind, _AHEAD)
        whole = combined([part.dataset for part in self.parts], dims)
        if whole is None:
            if kind in SUBJECTS and asked:
                store.note_asked(SUBJECTS[kind], asked, **terms)
            return 0, []
        if kind != "pollen":
            whole, findings = check_weather(whole, source=self.source.id)
        if kind == "weather":
            store.append_weather(whole, **terms, asked=asked)
        elif kind == "pollen":
            store.append_pollen(whole, **terms, asked=asked)
        else:
            store.replace_weather_ahead(whole, **terms)
        return sum(int(v.notnull().sum()) for v in whole.data_vars.values()), findings


def combined(parts: Sequence[xr.Dataset], dims: tuple[str, ...]) -> xr.Dataset | None:
    """Lay datasets of one source into one over all their labels and days; None if all is missing.

    Where two have a value the later one stands. Days at the end without any value are left off.
    """
    if "member" in dims:  # a single forecast is a run of one member
        parts = [p if "member" in p.dims else p.expand_dims(member=[0]) for p in parts]
    parts = [part for part in parts if part.data_vars and all(part.sizes[d] for d in dims)]
    if not parts:
        return None
    labels: dict[str, Any] = {}
    for d in dims[:-1]:
        labels[d] = pd.Index(list(dict.fromkeys(w for p in parts for w in p[d].values.tolist())))
    starts, ends = ([p["time"].values[at] for p in parts] for at in (0, -1))
    labels["time"] = pd.date_range(min(starts), max(ends), freq="D")
    shape = tuple(len(labels[d]) for d in dims)
    arrays: dict[str, np.ndarray] = {}
    attributes: dict[str, dict[str, Any]] = {}
    places = {name: np.full(shape[0], np.nan) for name in POSITIONS}
    for part in parts:
        at = [_place(labels[d].get_indexer(pd.Index(part[d].values.tolist()))) for d in dims[:-1]]
        at.append(_place(labels["time"].get_indexer(pd.DatetimeIndex(part["time"].values))))
        for name in POSITIONS:
            places[name][at[0]] = part[name].values
        main = next(v for v in part.data_vars.values() if set(v.dims) == set(dims))
        for key, values in part.data_vars.items():
            given = values.broadcast_like(main).transpose(*dims).values.astype(np.float32)
            if key not in arrays:
                arrays[str(key)] = np.full(shape, np.nan, dtype=np.float32)
                attributes[str(key)] = dict(values.attrs)
            kept = arrays[str(key)]
            _lay(kept, tuple(at), given)
    quantities = [name for name in arrays if name != "counting"]
    others = tuple(range(len(dims) - 1))
    known = np.zeros(shape[-1], dtype=bool)
    for name in quantities:
        known |= ~np.isnan(arrays[name]).all(axis=others)
    if not known.any():
        return None
    n_days = int(np.flatnonzero(known)[-1]) + 1
    return xr.Dataset(
        {name: (dims, values[..., :n_days], attributes[name]) for name, values in arrays.items()},
        coords={
            **{d: np.array(labels[d].tolist(), dtype=_type(d)) for d in dims[:-1]},
            "time": labels["time"][:n_days],
            **{
                name: ("region", values, {"units": POSITIONS[name]})
                for name, values in places.items()
            },
        },
        attrs=dict(parts[-1].attrs),
    )


def _type(dim: str) -> Any:
    return np.int64 if dim == "member" else object


def _place(rows: Any) -> Any:
    """Return rows as a slice where they stand side by side."""
    rows = np.asarray(rows)
    if len(rows) and (np.diff(rows) == 1).all():
        return slice(int(rows[0]), int(rows[-1]) + 1)
    return rows


def _lay(kept: np.ndarray, at: tuple[Any, ...], given: np.ndarray) -> None:
    if not all(isinstance(one, slice) for one in at):
        at = np.ix_(
            *(np.arange(one.start, one.stop) if isinstance(one, slice) else one for one in at)
        )
    kept[at] = np.where(np.isnan(given), kept[at], given)
