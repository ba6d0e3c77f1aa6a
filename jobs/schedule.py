"""What is due: a pure function of the timetable, the runs that were and the moment.

A job is due once for each local date, so the key of a run is job and local date: a day with two
02:30 runs what stands at 02:30 once, and where the clock leaps over 02:30 it runs at the next
moment there is. A date that does not exist in a time zone has no runs.

After downtime the newest date alone is caught up, or each missed one, as the job says. A failed run
is tried again after growing waits, a few times a local day. What a job needs is waited for, so long
as it may still come and no longer than a patience; then the job goes on without it. A job may be
due again after new data, and a job without a time when there is something for it to do.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import cache
from typing import Literal, cast

from forecast.records.runs import RUNNING, JobRun
from models.parameters import load_table

SUCCEEDED = ("done", "completed")
STOPPED = "stopped"  # by us: neither a success nor a failure
_DAY = timedelta(days=1)
_CLOCK = "clock"


@dataclass(frozen=True)
class Timetable:
    """When a job runs.

    Attributes
    ----------
    job
        Its name in the ledger.
    at
        Local time of day; None for a job that runs when there is something for it to do.
    weekday
        0 (Monday) to 6; None for every day.
    missed
        Whether after downtime each missed date is run, or the newest alone.
    needs
        Jobs that are waited for.
    feeds
        Jobs whose new rows make it due again on the same day; a name that ends in a space stands
        for all that begin with it.
    """

    job: str
    at: time | None
    weekday: int | None = None
    missed: Literal["newest", "each"] = "newest"
    needs: tuple[str, ...] = ()
    feeds: tuple[str, ...] = ()


@dataclass(frozen=True)
class Waits:
    """How long is waited: between tries, for what a job needs, between runs for new data."""

    after_failures: tuple[timedelta, ...]
    for_needs: timedelta
    between_feeds: timedelta


@dataclass(frozen=True)
class Due:
    """A job that is due: for which local date, why, and which needs it goes on without."""

    job: str
    local_date: date
    why: str
    without: tuple[str, ...] = ()


@cache
def waits() -> Waits:
    """Return the waits of the table."""
    table = load_table("jobs", "schedule.toml")
    minutes = cast("list[int]", table["waits.after_failures"].value)
    return Waits(
        tuple(timedelta(minutes=one) for one in minutes),
        timedelta(minutes=table.number("waits.for_needs")),
        timedelta(hours=table.number("waits.between_feeds")),
    )


def due(
    jobs: Sequence[Timetable],
    runs: Sequence[JobRun],
    *,
    now: datetime,
    zone: tzinfo,
    waits: Waits,
    called: Collection[str] = (),
) -> list[Due]:
    """Return what is due now, in the order in which it is to run.

    Parameters
    ----------
    jobs
        The timetable; jobs that others need stand before them.
    runs
        Of each job its newest success, and all runs of the last days.
    now
        The moment, with its offset.
    zone
        Time zone of the local times and dates.
    waits
        See `Waits`.
    called
        Jobs without a time of day for which there is something to do.
    """
    view = _View.at(jobs, runs, now=now, zone=zone, waits=waits)
    found: list[Due] = []
    for job in jobs:
        found += view.due(job, called)
    return found


def next_moment(job: Timetable, *, now: datetime, zone: tzinfo) -> tuple[date, datetime] | None:
    """Return the next local date of a job after now, and its moment; None if it has no time."""
    if job.at is None:
        return None
    day = now.astimezone(zone).date()
    while True:
        if _is_scheduled(job, day, zone) and (moment := moment_of(day, job.at, zone)) > now:
            return day, moment
        day += _DAY


def next_try(
    job: Timetable, runs: Sequence[JobRun], *, now: datetime, zone: tzinfo, waits: Waits
) -> datetime | None:
    """Return when a failed job is tried again today; None if nothing failed, or not today."""
    view = _View({job.job: job}, {job.job: list(runs)}, now, zone, waits)
    day = None
    if job.at is not None:
        open_dates = view.open_dates(job)
        if not open_dates:
            return None
        day = open_dates[-1]
    moment = view.waits_until(job, day)
    return moment if moment is not None and moment > now else None


def waits_for(
    name: str,
    jobs: Sequence[Timetable],
    runs: Sequence[JobRun],
    *,
    now: datetime,
    zone: tzinfo,
    waits: Waits,
) -> tuple[tuple[str, ...], datetime] | None:
    """Return what a job whose time has come waits for, and until when; None if for nothing."""
    view = _View.at(jobs, runs, now=now, zone=zone, waits=waits)
    job = view.jobs[name]
    open_dates = [] if job.at is None else view.open_dates(job)
    may_come = view.may_come(job) if open_dates else ()
    return (may_come, view.patient_until(job, open_dates[-1])) if may_come else None


def moment_of(day: date, at: time, zone: tzinfo) -> datetime:
    """Return the first moment at which the local clock shows that time, or would have shown it.

    Where the clock leaps over it, that is the moment of the leap.
    """
    wall = datetime.combine(day, at, zone)
    first = wall.astimezone(UTC)
    if first.astimezone(zone).replace(tzinfo=None) == wall.replace(tzinfo=None):
        return first
    # a leap: it lies between the two readings of a time that is not
    early, late = sorted((first, wall.replace(fold=1).astimezone(UTC)))
    offset = early.astimezone(zone).utcoffset()
    while late - early > timedelta(seconds=1):
        middle = early + (late - early) / 2
        if middle.astimezone(zone).utcoffset() == offset:
            early = middle
        else:
            late = middle
    return late.replace(microsecond=0)


def exists(day: date, zone: tzinfo) -> bool:
    """Say whether a time zone has that date: a few have leapt over one."""
    return moment_of(day, time.min, zone).astimezone(zone).date() == day


def _is_scheduled(job: Timetable, day: date, zone: tzinfo) -> bool:
    return job.weekday in (None, day.weekday()) and exists(day, zone)


@dataclass(frozen=True)
class _View:
    """All that is known at one moment."""

    jobs: Mapping[str, Timetable]
    runs: Mapping[str, list[JobRun]]
    now: datetime
    zone: tzinfo
    waits: Waits

    @classmethod
    def at(
        cls,
        jobs: Sequence[Timetable],
        runs: Sequence[JobRun],
        *,
        now: datetime,
        zone: tzinfo,
        waits: Waits,
    ) -> _View:
        by_job: dict[str, list[JobRun]] = {}
        for run in runs:
            by_job.setdefault(run.job, []).append(run)
        return cls({one.job: one for one in jobs}, by_job, now, zone, waits)

    @property
    def today(self) -> date:
        return self.now.astimezone(self.zone).date()

    def due(self, job: Timetable, called: Collection[str]) -> Iterator[Due]:
        if any(run.state == RUNNING for run in self._of(job)):
            return
        if job.at is None:
            if job.job in called and not self._must_wait(job, None):
                yield Due(job.job, self.today, "there is something to do")
            return
        open_dates = self.open_dates(job)
        for day in open_dates:
            why = self._why(job, day)
            is_patient = self.now < self.patient_until(job, day)
            if why is None or (is_patient and self.may_come(job)):
                continue
            yield Due(job.job, day, why, self._outstanding(job))
        if not open_dates and job.feeds and self._is_fed(job):
            # of the date that has come, so that the next date's own run is not taken for done
            yield Due(job.job, self._newest_date(job), "new data came")

    def _of(self, job: Timetable) -> list[JobRun]:
        return self.runs.get(job.job, [])

    def _past(self, job: Timetable) -> list[JobRun]:
        """Return the runs of a job but those of a time to come, left by a clock that went wrong."""
        return [run for run in self._of(job) if run.started_at <= self.now]

    def _newest_date(self, job: Timetable) -> date:
        """Return the newest date of a job whose moment has come."""
        assert job.at is not None
        day = self.today + _DAY  # of a zone that leaps over midnight, to be safe
        while not (
            _is_scheduled(job, day, self.zone) and moment_of(day, job.at, self.zone) <= self.now
        ):
            day -= _DAY
        return day

    def open_dates(self, job: Timetable) -> list[date]:
        """Return the dates that have come and have no success, oldest first."""
        newest = self._newest_date(job)
        if job.missed == "newest":
            return [] if self._has_run(job, newest) else [newest]
        done = {run.local_date for run in self._of(job) if run.state in SUCCEEDED}
        first = min((one for one in done if one <= newest), default=newest)
        days = (first + n * _DAY for n in range((newest - first).days + 1))
        return [day for day in days if day not in done and _is_scheduled(job, day, self.zone)]

    def _has_run(self, job: Timetable, day: date) -> bool:
        """Say whether a job ran for a date: by the clock for it, or by anyone since its moment."""
        assert job.at is not None
        moment = moment_of(day, job.at, self.zone)
        for run in self._of(job):
            if run.state not in SUCCEEDED:
                continue
            began_on = run.started_at.astimezone(self.zone).date()
            if run.started_by == _CLOCK and run.local_date == day:
                return True
            # neither of a past day nor of one that somebody makes up
            if moment <= run.started_at <= self.now and day <= run.local_date <= began_on + _DAY:
                return True
        return False

    def _failures(self, job: Timetable, day: date | None) -> list[JobRun]:
        """Return the clock's failures, for a date or any, since its last success; oldest first."""
        failed: list[JobRun] = []
        for run in sorted(self._past(job), key=lambda run: run.started_at):
            if run.started_by != _CLOCK or day not in (None, run.local_date):
                continue
            if run.state in SUCCEEDED:
                failed = []
            elif run.state not in (STOPPED, RUNNING):
                failed.append(run)
        return failed

    def _n_today(self, failed: Sequence[JobRun]) -> int:
        return sum(run.started_at.astimezone(self.zone).date() == self.today for run in failed)

    def waits_until(self, job: Timetable, day: date | None) -> datetime | None:
        """Return when a job that failed is tried again; None if it did not, or not today."""
        failed = self._failures(job, day)
        if not failed:
            return None
        n_today = self._n_today(failed)
        if day is None:  # it knows itself when there is something to do: the wait does not grow
            n_today = 1
        if n_today > len(self.waits.after_failures):
            return None
        return _ended(failed[-1]) + self.waits.after_failures[max(n_today, 1) - 1]

    def _must_wait(self, job: Timetable, day: date | None) -> bool:
        if not self._failures(job, day):
            return False
        until = self.waits_until(job, day)
        return until is None or self.now < until

    def _has_given_up(self, name: str) -> bool:
        """Say whether a job failed so often for its newest date that today it is left at that."""
        job = self.jobs[name]
        day = self.open_dates(job)[-1] if job.at is not None else None
        return bool(self._failures(job, day)) and self.waits_until(job, day) is None

    def _why(self, job: Timetable, day: date) -> str | None:
        """Say why a job is due for a date; None while it waits after a failure."""
        if self._must_wait(job, day):
            return None
        if self._failures(job, day):
            return "tried again after a failure"
        return "its time has come" if day == self.today else "missed, now made up for"

    def _outstanding(self, job: Timetable) -> tuple[str, ...]:
        """Return the needs that have not come for their newest date."""
        needed = [self.jobs[name] for name in job.needs if name in self.jobs]
        return tuple(one.job for one in needed if one.at is not None and self.open_dates(one))

    def may_come(self, job: Timetable) -> tuple[str, ...]:
        """Return the needs that have not come and are tried again today."""
        return tuple(name for name in self._outstanding(job) if not self._has_given_up(name))

    def patient_until(self, job: Timetable, day: date) -> datetime:
        """Return until when a job waits for what it needs for a date."""
        assert job.at is not None
        return moment_of(day, job.at, self.zone) + self.waits.for_needs

    def _is_fed(self, job: Timetable) -> bool:
        """Say whether new data came since the job last ran, and that is long enough ago."""
        runs = [run for run in self._past(job) if run.state != STOPPED]
        if not any(run.state in SUCCEEDED for run in runs):
            return False
        last = max(_ended(run) for run in runs)
        if self.now < last + self.waits.between_feeds:
            return False
        coming = next_moment(job, now=self.now, zone=self.zone)
        if coming is not None and coming[1] < self.now + self.waits.between_feeds:
            return False  # its own time is near, and takes it in
        succeeded = max(run.started_at for run in runs if run.state in SUCCEEDED)
        return any(
            _brought_rows(run) and _ended(run) > succeeded
            for name, some in self.runs.items()
            if _feeds(job, name)
            for run in some
        )


def _ended(run: JobRun) -> datetime:
    return run.started_at + timedelta(seconds=run.seconds or 0.0)


def _brought_rows(run: JobRun) -> bool:
    """Say whether a run brought rows, also one that failed in part; not told counts as brought."""
    return run.state in SUCCEEDED if run.n_rows is None else run.n_rows > 0


def _feeds(job: Timetable, name: str) -> bool:
    return any(name == one or (one.endswith(" ") and name.startswith(one)) for one in job.feeds)
