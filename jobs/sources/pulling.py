"""Pulling one source: what is lacking is asked for, read, checked and committed piece by piece.

A failure is one sentence; what came before it is kept, and the next pull asks for the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC
from functools import partial
from pathlib import Path

from forecast.climate import ClimateStore
from forecast.findings import Finding, findings_csv
from forecast.practice import Practice
from jobs.sources import services
from jobs.sources.access import settings_of
from jobs.sources.gathering import Gathered
from jobs.sources.limits import Clock, RateLimits
from jobs.sources.planning import SUBJECTS, Wish, asked_lately, wishes
from jobs.sources.raw_archive import RawArchive
from jobs.sources.session import Session
from jobs.sources.source import (
    FormatError,
    OutOfReachError,
    Place,
    RawReply,
    Request,
    Source,
    SourceSettings,
)
from models.errors import ForepawError
from models.parameters import load_table

_REPLIES, _CALLS = "replies", "calls"


@dataclass
class Pulled:
    """What came of pulling one source."""

    source: Source
    n_replies: int = 0
    n_values: int = 0
    findings: list[Finding] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)
    report: Path | None = None
    nothing_new: bool = False

    @property
    def sentence(self) -> str:
        """The outcome in one sentence, without the name of anybody."""
        if self.nothing_new:
            return (
                f"{self.source.id}: not asked; it was asked less than "
                f"{self.source.fresh_hours:g} h ago, and has nothing new yet"
            )
        what = "dates" if self.source.kind == "phenology" else "values"
        replies = "1 reply" if self.n_replies == 1 else f"{self.n_replies} replies"
        came = f"{self.source.id}: {self.n_values:,} {what} kept of {replies}"
        warned = sum(finding.severity != "note" for finding in self.findings)
        came += f", {warned} finding{'s' if warned > 1 else ''}" if warned else ""
        if not self.failures:
            return came
        more = f" (and {len(self.failures) - 1} more)" if len(self.failures) > 1 else ""
        return f"{came}; failed: {self.failures[0]}{more}"


def pull_source(
    practice: Practice,
    store: ClimateStore,
    source: Source,
    *,
    run_id: str,
    say: Callable[[str], None],
    in_any_case: bool = False,
    clock: Clock | None = None,
    verify: bool | str = True,
) -> Pulled:
    """Ask a source for what is lacking, and keep it.

    One that was asked so lately that nothing can be new is not asked, unless `in_any_case`.
    """
    pulled = Pulled(source)
    gathered = Gathered(source, run_id)
    try:
        settings = _settings(practice, source)
        used = services.set_up(source, settings)
        pulled.source = gathered.source = used
        with open_session(practice, used, settings, clock=clock, verify=verify) as session:
            lately = set() if in_any_case else _asked_lately(practice, store, used)
            wished = _wishes(practice, store, used, lately)
            pulled.nothing_new = bool(lately) and not wished
            _pull(practice, store, session, settings, gathered, pulled, wished, say)
    except ForepawError as refusal:
        pulled.failures.append(str(refusal))
    try:
        # a run that looks ahead replaces the one before, so part of one is none
        if not (pulled.failures and source.kind not in SUBJECTS):
            _keep(store, gathered, pulled)
    except ForepawError as refusal:
        pulled.failures.append(str(refusal))
    pulled.findings = list(dict.fromkeys(pulled.findings))  # each reply may tell the same
    pulled.report = _write_findings(practice, source, run_id, pulled.findings)
    return pulled


def open_session(
    practice: Practice,
    source: Source,
    settings: SourceSettings,
    *,
    clock: Clock | None = None,
    verify: bool | str = True,
) -> Session:
    """Open the way to a source, as `set_up` returned it, with the practice's archive and counts."""
    return Session(
        {source.id: source},
        archive=replies_of(practice),
        limits=RateLimits(practice.archive_folder / _CALLS, clock=clock),
        contact=practice.settings.sources.contact,
        keys={source.id: settings.key} if settings.key else {},
        clock=clock,
        verify=verify,
    )


def replies_of(practice: Practice) -> RawArchive:
    """Return the archive of a practice's raw replies."""
    return RawArchive(practice.archive_folder / _REPLIES)


def places_of(practice: Practice) -> list[Place]:
    """Return the practice's regions as places."""
    return [
        Place(region.id, region.latitude, region.longitude, region.elevation)
        for region in practice.settings.region
    ]


# ------------------------------------------------------------------------------ on the way
def _asked_lately(practice: Practice, store: ClimateStore, source: Source) -> set[str]:
    if not source.fresh_hours:
        return set()
    asked_at = store.asked_at(SUBJECTS.get(source.kind), source.id)
    return asked_lately(source, asked_at, now=practice.now)


def _wishes(
    practice: Practice, store: ClimateStore, source: Source, lately: set[str]
) -> list[Wish]:
    subject = SUBJECTS.get(source.kind)
    return wishes(
        source,
        places_of(practice),
        store.asked(subject, source.id) if subject else {},
        today=practice.now.astimezone(UTC).date(),
        newest=store.newest_days(subject, source.id) if subject == "weather" else {},
        lately=lately,
    )


def _pull(
    practice: Practice,
    store: ClimateStore,
    session: Session,
    settings: SourceSettings,
    gathered: Gathered,
    pulled: Pulled,
    wished: Sequence[Wish],
    say: Callable[[str], None],
) -> None:
    source, client = pulled.source, services.service(pulled.source)
    most = load_table("jobs.sources", "pull.toml").number("commit.values")
    own_get = getattr(client, "get", None)
    get: Callable[[Request], RawReply] = session.get
    if own_get is not None:
        archive = replies_of(practice)
        get = partial(own_get, archive=archive, clock=Clock())
    places = places_of(practice)
    for wish in wished:
        say(f"{source.id}: {_of(wish.places)}, {wish.first} to {wish.last}")
        options = _options_of(settings, wish.places, places)
        asking = partial(_ask, get, gathered)
        found = services.replies(asking, source, wish.places, wish.first, wish.last, options)
        for reply in _in_reach(found, practice, store, pulled, wish):
            pulled.n_replies += 1
            try:
                parsed = client.parse(reply)
            except FormatError as drifted:
                pulled.failures.append(str(drifted))
                gathered.miss([place.id for place in reply.request.places], reply.request.first)
                continue
            pulled.findings += parsed.findings
            gathered.add(reply, parsed)
            if source.kind in SUBJECTS and gathered.n_values >= most:
                _keep(store, gathered, pulled)
                say(f"{source.id}: {pulled.n_values:,} values kept of {pulled.n_replies} replies")


def _in_reach(
    found: Iterable[RawReply], practice: Practice, store: ClimateStore, pulled: Pulled, wish: Wish
) -> Iterator[RawReply]:
    """Yield replies; places that the source is too far from are noted where it serves others."""
    try:
        yield from found
    except OutOfReachError as refusal:
        subject = SUBJECTS.get(pulled.source.kind)
        served = store.asked(subject, pulled.source.id) if subject else {}
        others = {place.id for place in places_of(practice)} - {one.id for one in wish.places}
        if others.isdisjoint(served):
            raise
        file, check = pulled.source.name, "no station near enough"
        pulled.findings.append(Finding(check, "note", file, None, None, str(refusal), "", ""))


def _ask(get: Callable[[Request], RawReply], gathered: Gathered, request: Request) -> RawReply:
    """Ask; where that fails note for whom, so that it is asked again."""
    try:
        return get(request)
    except ForepawError:
        gathered.miss([place.id for place in request.places], request.first)
        raise


def _keep(store: ClimateStore, gathered: Gathered, pulled: Pulled) -> None:
    n_values, findings = gathered.keep(store)
    pulled.n_values += n_values
    pulled.findings += findings


def _settings(practice: Practice, source: Source) -> SourceSettings:
    """Return the settings of a source; a folder in them is meant within the practice's."""
    settings = settings_of(practice, source)
    folder = settings.options.get("folder")
    if folder is None:
        return settings
    full = str((practice.folder / str(folder)).absolute())
    return replace(settings, options={**settings.options, "folder": full})


def _options_of(
    settings: SourceSettings, some: Sequence[Place], everyone: Sequence[Place]
) -> SourceSettings:
    """Return the settings without what is set for regions that are not asked for now."""
    others = {place.id for place in everyone} - {place.id for place in some}
    options: dict[str, object] = {}
    for name, value in settings.options.items():
        if isinstance(value, Mapping):
            value = {key: one for key, one in value.items() if key not in others}
        options[name] = value
    return replace(settings, options=options)


def _of(places: Sequence[Place]) -> str:
    return places[0].id if len(places) == 1 else f"{len(places)} regions"


def _write_findings(
    practice: Practice, source: Source, run_id: str, findings: list[Finding]
) -> Path | None:
    if all(finding.severity == "note" for finding in findings):
        return None
    day = practice.now.astimezone(UTC).date()
    folder = practice.archive_folder / _REPLIES / source.id / day.isoformat()
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    file = folder / f"findings-{run_id}.csv"
    file.write_text(findings_csv(findings), encoding="utf-8")
    return file
