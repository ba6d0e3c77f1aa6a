"""Where the values of the climate store come from, noted in each commit and beside the values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, cast

import icechunk
import xarray as xr
import zarr

NOT_STATED = "not stated"
# By region the first and the last day that a service was asked for without fail.
Asked = Mapping[str, tuple[date, date]]
_A_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Provenance:
    """One commit: what came in, from whom, under which licence, when, in which run."""

    snapshot: str
    committed_at: datetime
    subject: str
    source: str
    licence: str
    credit: str
    retrieved_at: datetime
    run_id: str | None
    first_day: date
    last_day: date
    n_regions: int


@dataclass(frozen=True)
class SourceTerms:
    """A source as of a snapshot: its terms, and when it was last asked."""

    source: str
    licence: str
    credit: str
    day_definition: str
    retrieved_at: datetime


class Commit:
    """What is written down with a commit while it is being prepared."""

    def __init__(
        self,
        subject: str,
        source: str,
        licence: str,
        credit: str,
        retrieved_at: datetime,
        run_id: str | None,
    ) -> None:
        self.terms = {
            "source": source,
            "licence": licence,
            "credit": credit,
            "retrieved_at": retrieved_at.isoformat(),
        }
        self.subject, self.run_id = subject, run_id
        self.days: tuple[Any, Any] = (None, None)
        self.n_regions = 0
        self.snapshot = ""

    @property
    def message(self) -> str:
        """The commit in a few words."""
        return f"{self.subject} from {self.terms['source']}"

    @property
    def metadata(self) -> dict[str, Any]:
        """The commit in full, as read back by `provenance_of`."""
        return self.terms | {
            "subject": self.subject,
            "run_id": self.run_id,
            "first_day": f"{self.days[0]:%Y-%m-%d}",
            "last_day": f"{self.days[1]:%Y-%m-%d}",
            "n_regions": self.n_regions,
        }

    def note(self, group: zarr.Group, dataset: xr.Dataset | None, asked: Asked | None) -> None:
        """Keep terms, days and what was asked for, of arrays or of none."""
        day = NOT_STATED
        if dataset is not None:
            times = dataset.indexes["time"]
            self.days, self.n_regions = (times[0], times[-1]), dataset.sizes["region"]
            day = str(dataset.attrs.get("day_definition", NOT_STATED))
            self.note_terms(group, day)
        self.note_asked(group, asked)

    def note_asked(self, group: zarr.Group, asked: Asked | None) -> None:
        """Lengthen, by region, the span of days that the source was asked for without fail.

        A span that does not adjoin what is noted is left out: it would hide the days between. When
        a region was asked for is noted of a span that reaches the last day noted.
        """
        if not asked:
            return
        source = self.terms["source"]
        spans, moments = dict(asked_of(group, source)), dict(asked_at_of(group, source))
        for region, (first, last) in asked.items():
            before = spans.get(region, (first, last))
            if first <= before[1] + _A_DAY and last >= before[0] - _A_DAY:
                spans[region] = (min(first, before[0]), max(last, before[1]))
            if last >= before[1]:
                moments[region] = datetime.fromisoformat(self.terms["retrieved_at"])
        if self.days[0] is None:
            days = [day for span in asked.values() for day in span]
            self.days, self.n_regions = (min(days), max(days)), len(asked)
        days_noted = {region: [day.isoformat() for day in span] for region, span in spans.items()}
        moments_noted = {region: moment.isoformat() for region, moment in moments.items()}
        for name, new in (("asked", days_noted), ("asked_at", moments_noted)):
            written = dict(cast("dict[str, Any]", group.attrs.get(name, {})))
            if written.get(source) != new:
                group.attrs[name] = cast("Any", written | {source: new})

    def note_terms(self, group: zarr.Group, day_definition: str) -> None:
        """Keep the source's terms beside its values too: commits expire, credit does not."""
        before = _held(group)
        held = dict(before)
        held[self.terms["source"]] = self.terms | {"day_definition": day_definition}
        if held == before:
            return
        group.attrs["sources"] = cast("Any", held)
        days = dict.fromkeys(terms["day_definition"] for terms in held.values())
        group.attrs["day_definition"] = "; ".join(days)


def asked_of(group: zarr.Group, source: str) -> Asked:
    """Return the days that a source was asked for without fail, by region."""
    noted = cast("dict[str, Any]", group.attrs.get("asked", {})).get(source, {})
    return {
        region: (date.fromisoformat(first), date.fromisoformat(last))
        for region, (first, last) in noted.items()
    }


def asked_at_of(group: zarr.Group, source: str) -> Mapping[str, datetime]:
    """Return when a source was last asked without fail for the newest days, by region."""
    noted = cast("dict[str, Any]", group.attrs.get("asked_at", {})).get(source, {})
    return {region: datetime.fromisoformat(moment) for region, moment in noted.items()}


def _held(group: zarr.Group) -> dict[str, dict[str, str]]:
    return dict(cast("dict[str, dict[str, str]]", group.attrs.get("sources", {})))


def terms_of(group: zarr.Group) -> list[SourceTerms]:
    """Return the terms of every source that a group of arrays drew on."""
    return [
        SourceTerms(
            terms["source"],
            terms["licence"],
            terms["credit"],
            terms["day_definition"],
            datetime.fromisoformat(terms["retrieved_at"]),
        )
        for terms in _held(group).values()
    ]


def provenance_of(info: icechunk.SnapshotInfo) -> Provenance:
    """Read what a commit was noted with."""
    noted = info.metadata
    return Provenance(
        snapshot=info.id,
        committed_at=info.written_at,
        subject=noted["subject"],
        source=noted["source"],
        licence=noted["licence"],
        credit=noted["credit"],
        retrieved_at=datetime.fromisoformat(noted["retrieved_at"]),
        run_id=noted["run_id"],
        first_day=date.fromisoformat(noted["first_day"]),
        last_day=date.fromisoformat(noted["last_day"]),
        n_regions=int(noted["n_regions"]),
    )
