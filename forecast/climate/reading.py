"""Reading the climate store: as of any snapshot, with the origin of all it holds."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Literal, cast

import icechunk
import pandas as pd
import xarray as xr
import zarr
from zarr.errors import GroupNotFoundError

from forecast.climate import flowering_table, layered, pollen_arrays, weather_arrays
from forecast.climate.errors import ClimateError
from forecast.climate.joining import join_sources
from forecast.climate.provenance import (
    Asked,
    Provenance,
    SourceTerms,
    asked_at_of,
    asked_of,
    provenance_of,
    terms_of,
)

BRANCH = "main"
Subject = Literal["weather", "pollen", "flowering"]
GROUP_OF: dict[Subject, str] = {
    "weather": weather_arrays.GROUP,
    "pollen": pollen_arrays.GROUP,
    "flowering": flowering_table.GROUP,
}
_LOOKED_BACK = 800  # days in which the newest value of a source is looked for


class ClimateReader:
    """Everything that can be read of a climate store; `ClimateStore` opens it and writes."""

    def __init__(self, folder: Path, repository: icechunk.Repository) -> None:
        self.folder = folder
        self._repository = repository

    def head(self) -> str:
        """Return the newest snapshot."""
        return self._repository.lookup_branch(BRANCH)

    def tags(self) -> dict[str, str]:
        """Return the named snapshots."""
        names = sorted(self._repository.list_tags())
        return {name: self._repository.lookup_tag(name) for name in names}

    def weather(
        self,
        *,
        snapshot: str | None = None,
        until: date | None = None,
        regions: Sequence[str] | None = None,
        sources: Sequence[str] | None = None,
    ) -> xr.Dataset:
        """Return weather (region, time) as of a snapshot, up to and with the day `until`.

        NaN where missing. Where the first of `sources` (in the order in which they came, unless
        given) has no value the next one fills, fitted to those before it on the days up to
        `until` that both have (`forecast.climate.joining`).
        """
        layers = self.weather_layers(
            snapshot=snapshot, until=until, regions=regions, sources=sources
        )
        return join_sources(layers).weather

    def weather_layers(
        self,
        *,
        snapshot: str | None = None,
        until: date | None = None,
        regions: Sequence[str] | None = None,
        sources: Sequence[str] | None = None,
        names: Collection[str] | None = None,
    ) -> xr.Dataset:
        """Return each source's own weather, dims (source, region, time), as it was kept.

        `names` are the variables wanted, all of them unless given.
        """
        session = self._session(snapshot)
        group = _weather_group(session)
        held = _words(group, "source")
        used = held if sources is None else list(sources)
        _refuse_unknown("weather", "source", used, held)
        if regions is not None:
            _refuse_unknown("weather", "region", regions, _words(group, "region"))
        result = weather_arrays.read_layers(
            group, until=until, regions=regions, sources=used, names=names
        )
        result.attrs = _attributes(session, group, used)
        return result

    def weather_parts(
        self,
        *,
        snapshot: str | None = None,
        until: date | None = None,
        regions: Sequence[str] | None = None,
        sources: Sequence[str] | None = None,
        names: Collection[str] | None = None,
    ) -> Iterator[xr.Dataset]:
        """Give `weather_layers` for some regions at a time, in the order asked for."""
        if regions is None:
            regions = self.weather_regions(snapshot=snapshot)
        size = weather_arrays.CHUNKS[0]
        for start in range(0, len(regions), size):
            yield self.weather_layers(
                snapshot=snapshot,
                until=until,
                regions=regions[start : start + size],
                sources=sources,
                names=names,
            )

    def weather_regions(self, *, snapshot: str | None = None) -> list[str]:
        """Return the regions of observed weather, in the order in which they came."""
        return _words(_weather_group(self._session(snapshot)), "region")

    def weather_sources(self, *, snapshot: str | None = None) -> list[str]:
        """Return the sources of observed weather, in the order in which they came."""
        group = _group(self._session(snapshot), weather_arrays.GROUP)
        return [] if group is None else _words(group, "source")

    def weather_ahead(self, source: str, *, snapshot: str | None = None) -> xr.Dataset:
        """Return the newest run of a forecast as of a snapshot, dims (region, member, time)."""
        session = self._session(snapshot)
        parent = _group(session, weather_arrays.AHEAD)
        held = [] if parent is None else sorted(parent.group_keys())
        if parent is None or not held:
            raise ClimateError(
                "the climate store holds no weather ahead yet; name a forecast under [[pull]] in "
                "practice.toml and fetch it with `forepaw pull`"
            )
        _refuse_unknown("weather ahead", "source", [source], held)
        result = weather_arrays.read_ahead(cast("zarr.Group", parent[source]))
        result.attrs = _attributes(session, parent, [source])
        return result

    def pollen_sources(self, *, snapshot: str | None = None) -> list[str]:
        """Return the sources of pollen, in the order in which they came."""
        group = _group(self._session(snapshot), pollen_arrays.GROUP)
        return [] if group is None else _words(group, "source")

    def pollen(
        self,
        *,
        quantity: str = "pollen",
        snapshot: str | None = None,
        until: date | None = None,
        regions: Sequence[str] | None = None,
        sources: Sequence[str] | None = None,
    ) -> xr.Dataset:
        """Return pollen as of a snapshot, dims (source, region, allergen, time).

        `quantity` is ``pollen`` (grains m-3) or ``pollen_index`` (0 to 3, an order of classes).
        The coordinate ``value_kind`` says of each source whether it is measured or modelled.
        """
        _refuse_unknown("pollen", "quantity", [quantity], list(pollen_arrays.QUANTITIES))
        session = self._session(snapshot)
        group = _group(session, pollen_arrays.GROUP)
        held = [] if group is None else _words(group, "source")
        if group is None or not held:
            raise ClimateError(
                "the climate store holds no pollen yet; name a source under [[pull]] in "
                "practice.toml and fetch it with `forepaw pull`"
            )
        used = held if sources is None else list(sources)
        _refuse_unknown("pollen", "source", used, held)
        if regions is not None:
            _refuse_unknown("pollen", "region", regions, _words(group, "region"))
        result = pollen_arrays.read_pollen(
            group, quantity, until=until, regions=regions, sources=used
        )
        result.attrs = _attributes(session, group, used)
        return result

    def flowering(self, *, snapshot: str | None = None, until: date | None = None) -> pd.DataFrame:
        """Return flowering dates as of a snapshot: region, species, stage, date, source."""
        group = _group(self._session(snapshot), flowering_table.GROUP)
        frame = flowering_table.read_flowering(group)
        if until is not None:
            frame = frame.loc[frame["date"] <= pd.Timestamp(until)]
        return frame[["region", "species", "stage", "date", "source"]].reset_index(drop=True)

    def sources(self, *, snapshot: str | None = None) -> list[SourceTerms]:
        """Return every source the store drew on, with its terms and when it was last asked."""
        session = self._session(snapshot)
        names = (*GROUP_OF.values(), weather_arrays.AHEAD)
        groups = [group for name in names if (group := _group(session, name)) is not None]
        found = [terms for group in groups for terms in terms_of(group)]
        newest = {terms.source: terms for terms in sorted(found, key=lambda t: t.retrieved_at)}
        return [newest[name] for name in sorted(newest)]

    def asked(self, subject: Subject, source: str, *, snapshot: str | None = None) -> Asked:
        """Return the days for which a source was asked without fail, by region: first and last."""
        group = _group(self._session(snapshot), GROUP_OF[subject])
        return {} if group is None else asked_of(group, source)

    def asked_at(self, subject: Subject | None, source: str) -> Mapping[str, datetime]:
        """Return when a source was last asked without fail for the newest days, by region.

        None is weather ahead, whose runs are kept whole: all its regions, when the run was asked.
        """
        session = self._session(None)
        if subject is not None:
            group = _group(session, GROUP_OF[subject])
            return {} if group is None else asked_at_of(group, source)
        parent = _group(session, weather_arrays.AHEAD)
        if parent is None or source not in parent:
            return {}
        moments = (terms.retrieved_at for terms in terms_of(parent) if terms.source == source)
        run = cast("zarr.Group", parent[source])
        return dict.fromkeys(_words(run, "region"), max(moments))

    def newest_days(self, subject: Subject, source: str) -> dict[str, date]:
        """Return the newest day of which a source gave a value, by region; none where it has none.

        Of weather and pollen at most about two years are looked back.
        """
        if subject == "flowering":
            frame = self.flowering()
            days = frame.loc[frame["source"] == source].groupby("region")["date"].max()
            return {str(region): day.date() for region, day in days.items()}
        group = _group(self._session(None), GROUP_OF[subject])
        if group is None or source not in _words(group, "source"):
            return {}
        return layered.newest_days(group, source, n_days=_LOOKED_BACK)

    def provenance(self, *, snapshot: str | None = None) -> list[Provenance]:
        """Return the commits that led to a snapshot, newest first."""
        start = self._session(snapshot).snapshot_id
        commits = self._repository.ancestry(snapshot_id=start)
        return [provenance_of(info) for info in commits if "subject" in info.metadata]

    def snapshot_of_run(self, run_id: str) -> str | None:
        """Return the snapshot that a run committed, None if it did not come that far."""
        found = (p.snapshot for p in self.provenance() if p.run_id == run_id)
        return next(found, None)

    def replaced(self, before: datetime) -> list[str]:
        """Return the snapshots of the history that a newer one had replaced before a moment."""
        needed = self._newest_at(before)
        if needed is None:
            return []
        history = list(self._repository.ancestry(snapshot_id=needed.id))
        # the first of all is empty, and every history ends there
        return [info.id for info in history[1:] if info.parent_id is not None]

    def holds(self, snapshot: str) -> bool:
        """Whether a snapshot can still be read."""
        try:
            self._session(snapshot)
        except ClimateError:
            return False
        return True

    def _newest_at(self, moment: datetime) -> icechunk.SnapshotInfo | None:
        history = self._repository.ancestry(branch=BRANCH)
        return next((info for info in history if info.written_at <= moment), None)

    def _session(self, snapshot: str | None) -> icechunk.Session:
        try:
            if snapshot is None:
                return self._repository.readonly_session(BRANCH)
            return self._repository.readonly_session(snapshot_id=snapshot)
        except icechunk.IcechunkError as error:
            raise ClimateError(
                f"snapshot {snapshot!r} was asked for; the climate store {self.folder} holds no "
                "such snapshot, or it has expired"
            ) from error


def _group(session: icechunk.Session, name: str) -> zarr.Group | None:
    """Return a group of arrays, None where nothing was put into it yet."""
    try:
        return zarr.open_group(session.store, path=name, mode="r")
    except GroupNotFoundError:
        return None


def _weather_group(session: icechunk.Session) -> zarr.Group:
    group = _group(session, weather_arrays.GROUP)
    if group is None or not _words(group, "source"):
        raise ClimateError(
            "the climate store holds no weather yet; fetch it with `forepaw pull`, or load it "
            "with `forepaw import weather FILE`"
        )
    return group


def _words(group: zarr.Group, name: str) -> list[str]:
    return layered.words(group, name) if name in group else []


def _attributes(
    session: icechunk.Session, group: zarr.Group, sources: Sequence[str]
) -> dict[str, str]:
    """Return what a dataset says of the sources that it was read from."""
    of = {terms.source: terms for terms in terms_of(group)}
    terms = [of[source] for source in sources if source in of]
    return {
        "climate_snapshot": session.snapshot_id,
        "source": "; ".join(sources),
        "licence": "; ".join(dict.fromkeys(t.licence for t in terms)),
        "credit": "; ".join(dict.fromkeys(t.credit for t in terms)),
        "day_definition": "; ".join(dict.fromkeys(t.day_definition for t in terms)),
    }


def _refuse_unknown(thing: str, what: str, asked: Sequence[str], held: Sequence[str]) -> None:
    wrong = [name for name in asked if name not in held]
    if wrong:
        near = difflib.get_close_matches(wrong[0], held, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise ClimateError(
            f"{thing} of {what} {wrong[0]!r} was asked for; the store holds {', '.join(held)}{hint}"
        )
