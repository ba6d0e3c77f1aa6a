"""Pull: ask every source in use for what is lacking; one that fails stops no other."""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import get_args

from forecast.climate import ClimateStore, joining_report
from forecast.cut import weather_order
from forecast.practice import Practice
from forecast.records.engine import Records
from jobs.ledger import recorded_run
from jobs.opening import PULL_PREFIX, open_all, pulling_alone
from jobs.sources.access import sources_in_use
from jobs.sources.limits import Clock
from jobs.sources.pulling import Pulled, pull_source
from jobs.sources.source import Kind, Source, SourceError


def pull(
    practice: Practice,
    *,
    only: str | None = None,
    kinds: Collection[Kind] | None = None,
    say: Callable[[str], None],
    clock: Clock | None = None,
) -> list[Pulled]:
    """Pull the sources that practice.toml names; each is a run of its own.

    `only` is the id of a source, or a family, to be asked alone, and then asked in any case;
    without it a source that was asked so lately that nothing can be new is left in peace. `kinds`
    leaves out sources of other kinds; where practice.toml names none of those, nothing is done.

    Raises
    ------
    SourceError
        If practice.toml names no such source, or a kind is none.
    OpeningError
        If another pull of the practice is running.
    """
    wanted = _wanted(practice, only, kinds)
    if not wanted:
        return []
    with pulling_alone(practice):
        records, climate = open_all(practice)
        done = [
            _pull_one(
                practice, records, climate, one, in_any_case=only is not None, say=say, clock=clock
            )
            for one in wanted
        ]
    if any(one.source.kind == "weather" and one.n_values for one in done):
        order = weather_order(practice, climate)
        if len(order) > 1:
            for sentence in joining_report(climate.weather_parts(sources=order)):
                say(sentence)
    return done


def _pull_one(
    practice: Practice,
    records: Records,
    climate: ClimateStore,
    source: Source,
    *,
    in_any_case: bool,
    say: Callable[[str], None],
    clock: Clock | None,
) -> Pulled:
    with recorded_run(
        practice, records, job_name(source), local_date=practice.today, cut=None
    ) as result:
        run_id = result.run_id
        pulled = pull_source(
            practice, climate, source, run_id=run_id, in_any_case=in_any_case, say=say, clock=clock
        )
        result.rows, result.sentence = pulled.n_values, pulled.sentence
        result.failed = bool(pulled.failures)
    return pulled


def job_name(source: Source) -> str:
    """Return the job under which the ledger has the pulls of a source."""
    return f"{PULL_PREFIX}{source.id}"


def _wanted(practice: Practice, only: str | None, kinds: Collection[Kind] | None) -> list[Source]:
    used = sources_in_use(practice)
    if wrong := [kind for kind in kinds or () if kind not in get_args(Kind)]:
        raise SourceError(
            f"a pull of the kind {wrong[0]!r} was asked; allowed are {', '.join(get_args(Kind))}"
        )
    chosen = [source for source in used if only in (None, source.id, source.family)]
    if not chosen:
        named = ", ".join(source.id for source in used) or "none"
        raise SourceError(
            f"a pull of {only or 'the sources in use'} was asked; practice.toml names {named} "
            "under [[pull]]: name a source there (`forepaw sources --all` lists them)"
        )
    return [source for source in chosen if kinds is None or source.kind in kinds]
