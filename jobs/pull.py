"""Pull: ask every source in use for what is lacking; one that fails stops no other."""

from __future__ import annotations

from collections.abc import Callable

from forecast.climate import ClimateStore, joining_report
from forecast.cut import weather_order
from forecast.practice import Practice
from forecast.records.engine import Records
from jobs.ledger import recorded_run
from jobs.opening import open_all, pulling_alone
from jobs.sources.access import sources_in_use
from jobs.sources.limits import Clock
from jobs.sources.pulling import Pulled, pull_source
from jobs.sources.source import Source, SourceError


def pull(
    practice: Practice,
    *,
    only: str | None = None,
    say: Callable[[str], None],
    clock: Clock | None = None,
) -> list[Pulled]:
    """Pull the sources that practice.toml names, or one of them; each is a run of its own."""
    wanted = _wanted(practice, only)
    with pulling_alone(practice):
        records, climate = open_all(practice)
        done = [_pull_one(practice, records, climate, one, say=say, clock=clock) for one in wanted]
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
    say: Callable[[str], None],
    clock: Clock | None,
) -> Pulled:
    with recorded_run(
        practice, records, job_name(source), local_date=practice.today, cut=None
    ) as result:
        run_id = result.run_id
        pulled = pull_source(practice, climate, source, run_id=run_id, say=say, clock=clock)
        result.rows, result.sentence = pulled.n_values, pulled.sentence
        result.failed = bool(pulled.failures)
    return pulled


def job_name(source: Source) -> str:
    """Return the job under which the ledger has the pulls of a source."""
    return f"pull {source.id}"


def _wanted(practice: Practice, only: str | None) -> list[Source]:
    used = sources_in_use(practice)
    if chosen := [source for source in used if only in (None, source.id, source.family)]:
        return chosen
    named = ", ".join(source.id for source in used) or "none"
    raise SourceError(
        f"a pull of {only or 'the sources in use'} was asked; practice.toml names {named} under "
        "[[pull]]: name a source there (`forepaw sources --all` lists them)"
    )
