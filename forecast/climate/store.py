"""The climate store: appended to, read as of any snapshot, with the origin of all it holds."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path

import icechunk
import pandas as pd
import xarray as xr
import zarr
from zarr.errors import GroupNotFoundError

from forecast.climate import flowering_table, weather_arrays
from forecast.climate.errors import ClimateError
from forecast.climate.provenance import (
    NOT_STATED,
    Commit,
    Provenance,
    SourceTerms,
    provenance_of,
    terms_of,
)
from forecast.climate.variables import variables
from forecast.climate.writer_lock import writer_lock

WAIT_SECONDS = 30.0
_BRANCH = "main"
_REPOSITORY = "repository"


class ClimateStore:
    """Daily weather and flowering dates under one folder; every commit is a snapshot for ever."""

    def __init__(self, folder: Path, repository: icechunk.Repository, wait_seconds: float) -> None:
        self.folder = folder
        self._repository = repository
        self._wait_seconds = wait_seconds

    @classmethod
    def open(cls, folder: Path | str, *, wait_seconds: float = WAIT_SECONDS) -> ClimateStore:
        """Open the store in a folder, made if it is not there yet."""
        folder = Path(folder)
        if not folder.is_dir():
            raise ClimateError(f"the climate folder {folder} does not exist; make it first")
        # It warns on standard output that local stores have one writer only; the lock sees to it.
        icechunk.set_logs_filter("error")
        storage = icechunk.local_filesystem_storage(str(folder / _REPOSITORY))
        if (folder / _REPOSITORY).is_dir() and icechunk.Repository.exists(storage):
            return cls(folder, icechunk.Repository.open(storage), wait_seconds)
        with writer_lock(folder, wait_seconds):
            repository = icechunk.Repository.open_or_create(storage)
        return cls(folder, repository, wait_seconds)

    # -------------------------------------------------------------------------- writing
    def append_weather(
        self,
        dataset: xr.Dataset,
        *,
        source: str,
        licence: str,
        credit: str,
        retrieved_at: datetime,
        run_id: str | None = None,
    ) -> str:
        """Add days, regions or corrected values of a source in one commit; return its snapshot.

        The newest value of a source wins; earlier snapshots stay readable as they were. The very
        same delivery again (values, terms, time of retrieval) changes nothing.
        """
        dataset = _daily(dataset)
        commit = Commit("weather", source, licence, credit, _aware(retrieved_at), run_id)
        times = dataset.indexes["time"]
        commit.days, commit.n_regions = (times[0], times[-1]), dataset.sizes["region"]
        with self._writing(commit) as root:
            weather_arrays.merge_weather(root, dataset, source)
            group = root.require_group(weather_arrays.GROUP)
            day = str(dataset.attrs.get("day_definition", NOT_STATED))
            commit.note_terms(group, day)
        return commit.snapshot

    def append_flowering(
        self,
        frame: pd.DataFrame,
        *,
        source: str,
        licence: str,
        credit: str,
        retrieved_at: datetime,
        run_id: str | None = None,
    ) -> str:
        """Add flowering dates (columns region, species, stage, date) in one commit."""
        wanted = ["region", "species", "stage", "date"]
        missing = [name for name in wanted if name not in frame]
        if missing or frame.empty:
            raise ClimateError(
                f"flowering dates need rows with the columns {', '.join(wanted)}; found "
                f"{len(frame)} rows with {', '.join(map(str, frame.columns)) or 'none'}"
            )
        new = frame[wanted].assign(source=source)
        commit = Commit("flowering", source, licence, credit, _aware(retrieved_at), run_id)
        commit.days = (new["date"].min(), new["date"].max())
        commit.n_regions = new["region"].nunique()
        with self._writing(commit) as root:
            group = root.require_group(flowering_table.GROUP)
            held = flowering_table.read_flowering(group)
            merged = flowering_table.merge_flowering(held, new)
            if not merged.equals(held):
                flowering_table.write_flowering(group, merged)
            commit.note_terms(group, NOT_STATED)
        return commit.snapshot

    @contextmanager
    def _writing(self, commit: Commit) -> Iterator[zarr.Group]:
        with writer_lock(self.folder, self._wait_seconds):
            session = self._repository.writable_session(_BRANCH)
            yield zarr.open_group(session.store, mode="a")
            # the very delivery that is held already makes no commit
            commit.snapshot = (
                session.commit(commit.message, metadata=commit.metadata)
                if session.has_uncommitted_changes
                else session.snapshot_id
            )

    def tag(self, name: str, snapshot: str) -> None:
        """Name a snapshot so that it is kept; the same name for the same snapshot is no fault."""
        with writer_lock(self.folder, self._wait_seconds):
            held = self.tags().get(name)
            if held == snapshot:
                return
            if held is not None:
                raise ClimateError(
                    f"the tag {name!r} was asked for snapshot {snapshot}; it already names {held}"
                )
            self._session(snapshot)
            self._repository.create_tag(name, snapshot)

    # -------------------------------------------------------------------------- reading
    def head(self) -> str:
        """Return the newest snapshot."""
        return self._repository.lookup_branch(_BRANCH)

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

        Values are as observed: NaN where missing. Where several sources gave a value the first of
        `sources` wins (in the order in which they came, unless given).
        """
        session = self._session(snapshot)
        group = _group(session, weather_arrays.GROUP)
        if group is None:
            raise ClimateError(
                "the climate store holds no weather yet; load it with `forepaw import weather FILE`"
            )
        held = weather_arrays.words(group, "source")
        used = held if sources is None else list(sources)
        _refuse_unknown("source", used, held)
        if regions is not None:
            _refuse_unknown("region", regions, weather_arrays.words(group, "region"))
        result = weather_arrays.read_weather(group, until=until, regions=regions, sources=used)
        terms = [t for t in terms_of(group) if t.source in used]
        result.attrs = {
            "climate_snapshot": session.snapshot_id,
            "source": "; ".join(used),
            "licence": "; ".join(dict.fromkeys(t.licence for t in terms)),
            "credit": "; ".join(dict.fromkeys(t.credit for t in terms)),
            "day_definition": "; ".join(dict.fromkeys(t.day_definition for t in terms)),
        }
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
        names = (weather_arrays.GROUP, flowering_table.GROUP)
        groups = [group for name in names if (group := _group(session, name)) is not None]
        found = [terms for group in groups for terms in terms_of(group)]
        newest = {terms.source: terms for terms in sorted(found, key=lambda t: t.retrieved_at)}
        return [newest[name] for name in sorted(newest)]

    def provenance(self, *, snapshot: str | None = None) -> list[Provenance]:
        """Return the commits that led to a snapshot, newest first."""
        start = self._session(snapshot).snapshot_id
        commits = self._repository.ancestry(snapshot_id=start)
        return [provenance_of(info) for info in commits if "subject" in info.metadata]

    def snapshot_of_run(self, run_id: str) -> str | None:
        """Return the snapshot that a run committed, None if it did not come that far."""
        found = (p.snapshot for p in self.provenance() if p.run_id == run_id)
        return next(found, None)

    def _session(self, snapshot: str | None) -> icechunk.Session:
        try:
            if snapshot is None:
                return self._repository.readonly_session(_BRANCH)
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


def _daily(dataset: xr.Dataset) -> xr.Dataset:
    """Return the dataset over every day of its span; refuse one that is not in house form."""
    wanted = {"region", "time", "latitude", "longitude", "elevation"}
    missing = wanted - set(dataset.coords)
    given = [name for name in variables() if name in dataset]
    if missing or not given or dataset.sizes.get("time", 0) == 0:
        raise ClimateError(
            "weather needs dims (region, time), latitude, longitude and elevation of each region "
            f"and at least one of {', '.join(variables())}; missing: "
            f"{', '.join(sorted(missing)) or 'values'}"
        )
    for name in given:
        unit = dataset[name].attrs.get("units")
        if unit != variables()[name].unit:
            raise ClimateError(
                f"weather to be kept has {name} in {unit!r}; the store keeps it in "
                f"{variables()[name].unit!r}; convert it first"
            )
    days = pd.DatetimeIndex(dataset.indexes["time"])
    if not (days.is_monotonic_increasing and days.is_unique and (days == days.floor("D")).all()):
        raise ClimateError("weather to be kept must have one row a day, in order, at midnight")
    full = pd.date_range(days[0], days[-1], freq="D")
    return dataset if len(full) == len(days) else dataset.reindex(time=full)


def _aware(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ClimateError(f"the time of retrieval {moment} has no offset from UTC; give one")
    return moment


def _refuse_unknown(what: str, asked: Sequence[str], held: Sequence[str]) -> None:
    wrong = [name for name in asked if name not in held]
    if wrong:
        near = difflib.get_close_matches(wrong[0], held, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise ClimateError(
            f"weather of {what} {wrong[0]!r} was asked for; the store holds {', '.join(held)}{hint}"
        )
