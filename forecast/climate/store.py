"""The climate store: appended to, read as of any snapshot, with the origin of all it holds."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import icechunk
import pandas as pd
import xarray as xr
import zarr

from forecast.climate import flowering_table, layered, pollen_arrays, weather_arrays
from forecast.climate.errors import ClimateError
from forecast.climate.provenance import NOT_STATED, Asked, Commit
from forecast.climate.reading import BRANCH, GROUP_OF, ClimateReader, Subject
from forecast.climate.writer_lock import clean_up_lock, kept_whole_lock, writer_lock

WAIT_SECONDS = 30.0
_REPOSITORY, _NAMES = "repository", "refs"
_HALF_WRITTEN = "#"  # in the name of a file that is being written


@dataclass(frozen=True)
class CleanUp:
    """What a clean-up took away."""

    n_names: int
    n_snapshots: int
    n_bytes: int


class ClimateStore(ClimateReader):
    """Daily weather and flowering dates under one folder; every commit is a snapshot."""

    def __init__(self, folder: Path, repository: icechunk.Repository, wait_seconds: float) -> None:
        super().__init__(folder, repository)
        self._wait_seconds = wait_seconds

    @classmethod
    def is_there(cls, folder: Path) -> bool:
        """Whether a folder holds a store; nothing is made."""
        return (folder / _REPOSITORY).is_dir()

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
        asked: Asked | None = None,
    ) -> str:
        """Add days, regions or corrected values of a source in one commit; return its snapshot.

        The newest value of a source wins; earlier snapshots stay readable as they were. The very
        same delivery again (values, terms, time of retrieval) changes nothing. `asked` notes which
        days a service was asked for, by region.
        """
        dataset = weather_arrays.daily(dataset)
        commit = Commit("weather", source, licence, credit, _aware(retrieved_at), run_id)
        with self._writing(commit) as root:
            weather_arrays.merge_weather(root, dataset, source)
            commit.note(root.require_group(weather_arrays.GROUP), dataset, asked)
        return commit.snapshot

    def append_pollen(
        self,
        dataset: xr.Dataset,
        *,
        source: str,
        licence: str,
        credit: str,
        retrieved_at: datetime,
        run_id: str | None = None,
        asked: Asked | None = None,
    ) -> str:
        """Add pollen: ``pollen`` in grains m-3 or ``pollen_index``, (region, allergen, time).

        The attribute ``value_kind`` of the array says measured or modelled; a source is one of
        them for good. Days ahead that a later pull changes stay in earlier snapshots.
        """
        pollen_arrays.check_pollen(dataset)
        dataset = layered.every_day(dataset, "pollen")
        commit = Commit("pollen", source, licence, credit, _aware(retrieved_at), run_id)
        with self._writing(commit) as root:
            pollen_arrays.merge_pollen(root, dataset, source)
            commit.note(root.require_group(pollen_arrays.GROUP), dataset, asked)
        return commit.snapshot

    def replace_weather_ahead(
        self,
        dataset: xr.Dataset,
        *,
        source: str,
        licence: str,
        credit: str,
        retrieved_at: datetime,
        run_id: str | None = None,
    ) -> str:
        """Keep a run of a forecast, dims (region, member, time), in place of the source's last one.

        Earlier runs are read by their snapshot.
        """
        dataset = weather_arrays.daily(dataset)
        commit = Commit("weather ahead", source, licence, credit, _aware(retrieved_at), run_id)
        with self._writing(commit) as root:
            weather_arrays.replace_ahead(root, dataset, source)
            commit.note(root.require_group(weather_arrays.AHEAD), dataset, None)
        return commit.snapshot

    def note_asked(
        self,
        subject: Subject,
        asked: Asked,
        *,
        source: str,
        licence: str,
        credit: str,
        retrieved_at: datetime,
        run_id: str | None = None,
    ) -> str:
        """Note days that a service was asked for, and that it had nothing for."""
        commit = Commit(subject, source, licence, credit, _aware(retrieved_at), run_id)
        with self._writing(commit) as root:
            commit.note(root.require_group(GROUP_OF[subject]), None, asked)
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
        asked: Asked | None = None,
    ) -> str:
        """Add flowering dates (columns region, species, stage, date) in one commit.

        A date of a season that is held, from whatever source, replaces it in the newest state;
        earlier snapshots stay as they were. Dates that are all held already change nothing.
        """
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
            if not merged.frame.equals(held):
                flowering_table.write_flowering(group, merged.frame)
                commit.note_terms(group, NOT_STATED)
            commit.note_asked(group, asked)
        return commit.snapshot

    @contextmanager
    def _writing(self, commit: Commit) -> Iterator[zarr.Group]:
        with writer_lock(self.folder, self._wait_seconds):
            session = self._repository.writable_session(BRANCH)
            yield zarr.open_group(session.store, mode="a")
            # the very delivery that is held already makes no commit
            commit.snapshot = (
                session.commit(commit.message, metadata=commit.metadata)
                if session.has_uncommitted_changes
                else session.snapshot_id
            )

    def tag(self, name: str, snapshot: str) -> None:
        """Name a snapshot so that it is kept; the same name for the same snapshot is no fault.

        A name that was taken away is not given again, so that thinning is for good.
        """
        with writer_lock(self.folder, self._wait_seconds):
            held = self.tags().get(name)
            if held == snapshot:
                return
            if held is not None:
                raise ClimateError(
                    f"the tag {name!r} was asked for snapshot {snapshot}; it already names {held}"
                )
            self._session(snapshot)
            try:
                self._repository.create_tag(name, snapshot)
            except icechunk.IcechunkError as error:
                # Icechunk remembers the names that were deleted, and lists them no longer
                if "already exists" not in str(error):
                    raise

    def clean_up(self, *, names: Collection[str], replaced_before: datetime) -> CleanUp:
        """Take names away, then delete every snapshot that nothing needs any more.

        What is named stays, and what was the newest at `replaced_before` or since: a run under way
        reads one of those. Killed midway it leaves a store that can be read; the next clean-up
        finishes. Doing it again changes nothing.
        """
        wait = self._wait_seconds
        try:
            # first what a long copy may hold, so that no writer waits for that
            with clean_up_lock(self.folder, wait), writer_lock(self.folder, wait):
                return self._clean_up(set(names), replaced_before)
        except icechunk.IcechunkError as error:
            cause = str(error).strip().splitlines()[0]
            raise ClimateError(
                f"the climate store {self.folder} could not be cleaned up: {cause}; what is named "
                "in it can be read as before"
            ) from error

    @contextmanager
    def kept_whole(self) -> Iterator[None]:
        """Hold every clean-up off while files of the store are copied; those who write go on."""
        with kept_whole_lock(self.folder, self._wait_seconds):
            yield

    def files_of_names(self) -> list[Path]:
        """Return the files that say which snapshot a name means: to be copied first.

        Whatever they name is in `files_of_data` of a later moment, if nothing was cleaned up since.
        """
        return _whole_files(self.folder / _REPOSITORY / _NAMES)

    def files_of_data(self) -> list[Path]:
        """Return the files of snapshots and of what stands in them; none is ever changed."""
        names = self.folder / _REPOSITORY / _NAMES
        return [
            path for path in _whole_files(self.folder / _REPOSITORY) if names not in path.parents
        ]

    def data_needed(self, snapshots: Collection[str]) -> set[Path]:
        """Return the files that some snapshots and their histories cannot be opened without.

        Raises
        ------
        ClimateError
            If one of these files is not there.
        """
        repository, needed = self.folder / _REPOSITORY, set[Path]()
        try:
            for snapshot in snapshots:
                for info in self._repository.ancestry(snapshot_id=snapshot):
                    file = repository / "snapshots" / info.id
                    if file in needed:
                        break  # and with it all that led to it
                    needed.add(file)
                    inside = json.loads(self._repository.inspect_snapshot(info.id))
                    needed |= {repository / "manifests" / one["id"] for one in inside["manifests"]}
        except icechunk.IcechunkError as error:
            cause = str(error).strip().splitlines()[0].removeprefix("x ")
            raise ClimateError(
                f"the climate store {self.folder} does not hold all that it names: {cause}; "
                "restore the last back-up into another folder"
            ) from error
        return needed

    def _clean_up(self, names: set[str], replaced_before: datetime) -> CleanUp:
        names &= self._repository.list_tags()
        for name in sorted(names):
            self._repository.delete_tag(name)
        needed = self._newest_at(replaced_before)
        if needed is not None:
            # out of the history with those before it; names, and what they name, are not touched
            self._repository.expire_snapshots(
                needed.written_at, delete_expired_branches=False, delete_expired_tags=False
            )
        freed = self._repository.garbage_collect(replaced_before)
        return CleanUp(len(names), freed.snapshots_deleted, freed.bytes_deleted)


def _whole_files(folder: Path) -> list[Path]:
    return sorted(
        path for path in folder.rglob("*") if path.is_file() and _HALF_WRITTEN not in path.name
    )


def _aware(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ClimateError(f"the time of retrieval {moment} has no offset from UTC; give one")
    return moment
