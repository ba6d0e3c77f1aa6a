"""How the sources in use stand: what each last gave, how old that is, and what went wrong."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

from forecast.climate import ClimateStore
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.runs import JobRun, runs
from jobs.opening import PULL_PREFIX
from jobs.sources.access import sources_in_use
from jobs.sources.planning import SUBJECTS
from jobs.sources.source import Source


@dataclass(frozen=True)
class SourceState:
    """One source in use.

    Attributes
    ----------
    newest
        The newest day that each region has of it; of a forecast, the UTC day it was pulled.
    without
        Regions that have nothing of it.
    last_run
        The last pull of it, None if there was none.
    """

    source: Source
    newest: dict[str, date]
    without: tuple[str, ...]
    retrieved_at: datetime | None
    last_run: JobRun | None
    today: date

    @property
    def age(self) -> int | None:
        """Days since the newest value of the region that is most behind; None where none has."""
        return (self.today - min(self.newest.values())).days if self.newest else None

    @property
    def is_stale(self) -> bool | None:
        """Whether that is more than the source's allowance; None where nothing is known."""
        return None if self.age is None else self.age > self.source.allowance_days

    @property
    def last_error(self) -> str:
        """What went wrong with the last pull, "" if nothing did or it is under way."""
        run = self.last_run
        if run is None or run.state in ("done", "completed", "running"):
            return ""
        return str(run.result or "it was stopped")


def source_states(practice: Practice, records: Records, climate: ClimateStore) -> list[SourceState]:
    """Return how each source in use stands."""
    given = {terms.source: terms for terms in climate.sources()}
    today = practice.now.astimezone(UTC).date()
    regions = [region.id for region in practice.settings.region]
    states = []
    for source in sources_in_use(practice):
        terms = given.get(source.id)
        if source.kind in SUBJECTS:
            newest = climate.newest_days(SUBJECTS[source.kind], source.id)
        else:
            day = terms.retrieved_at.astimezone(UTC).date() if terms else None
            newest = dict.fromkeys(regions, day) if day else {}
        own = {region: newest[region] for region in regions if region in newest}
        earlier = runs(records, job=f"{PULL_PREFIX}{source.id}")
        states.append(
            SourceState(
                source,
                own,
                tuple(region for region in regions if region not in own),
                terms.retrieved_at if terms else None,
                earlier[-1] if earlier else None,
                today,
            )
        )
    return states
