"""The jobs there are, in the order in which they run, and the timetable that a practice sets."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from datetime import time
from functools import partial

from forecast.practice import Practice
from forecast.records.engine import Records
from jobs.job import Job, Task, UnknownJobError, setting_key
from jobs.schedule import Timetable
from jobs.sources.source import Kind
from models.parameters import load_table

_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
PULL_WEATHER, PULL_FORECAST, PULL_POLLEN = "pull weather", "pull forecast", "pull pollen"
_KINDS: dict[str, tuple[Kind, ...]] = {
    PULL_WEATHER: ("weather",),
    PULL_FORECAST: ("forecast", "ensemble", "seasonal"),
    PULL_POLLEN: ("pollen", "phenology"),
}


# ------------------------------------------------------------------------------ what each one does
def _pull(task: Task, *, name: str) -> None:
    from jobs.pull import pull

    done = pull(task.practice, kinds=_KINDS[name], say=task.say, clock=task.source_clock)
    failed = [one.source.id for one in done if one.failures]
    task.result.rows = sum(one.n_values for one in done)
    task.result.failed = bool(failed)
    words = [f"sources asked {len(done)}, values {task.result.rows}"]
    task.result.sentence = "; ".join(words + [f"failed: {', '.join(failed)}"] * bool(failed))


def _uses(practice: Practice, *, name: str) -> bool:
    from jobs.sources.access import sources_in_use
    from jobs.sources.source import SourceError

    try:
        return any(source.kind in _KINDS[name] for source in sources_in_use(practice))
    except SourceError:
        return name == PULL_WEATHER  # so that a run tells what is wrong


def _take_visits(task: Task) -> None:
    from jobs.drop import take

    take(task)


def _has_files(practice: Practice, records: Records) -> bool:
    from jobs.drop import has_files_at_rest

    return has_files_at_rest(practice)


def _learn(task: Task) -> None:
    from jobs.learn import learn

    learn(task.practice, task.records, task.climate, origin=task.as_of, say=task.say)


def _issue(task: Task) -> None:
    from forecast.training import what_drives
    from jobs.draw import draw, told_beside
    from jobs.issue import issue_today

    done = issue_today(task.practice, task.records, task.climate, origin=task.as_of, say=task.say)
    task.say("drawing charts")
    evidence = what_drives(done.model, done.known)
    beside = told_beside(task.practice, done.issue, done.model, done.known)
    draw(task.practice, done.issue, evidence=evidence, beside=beside)


def _draw(task: Task) -> None:
    from jobs.draw import draw_newest

    made = draw_newest(task.practice, task.records, task.climate)
    task.result.sentence = f"issue {made.id}, whose process was killed before its files were there"


def _is_undrawn(practice: Practice, records: Records) -> bool:
    from jobs.draw import is_undrawn

    return is_undrawn(practice, records)


def _plan(task: Task) -> None:
    from forecast.dosing.therapies import therapies
    from forecast.issuing import latest_issue
    from jobs.outputs import write_plans
    from jobs.plan import plan

    made = latest_issue(task.practice, task.records, as_of=task.as_of)
    plans = [
        one
        for therapy in therapies().values()
        if therapy.planned_ahead
        for one in plan(
            task.practice,
            task.records,
            made,
            dogs=None,
            therapy_id=therapy.id,
            today=task.as_of,
            say=task.say,
        )
    ]
    if made.has_visits:
        write_plans(task.practice, task.records, made, plans)


def _staff(task: Task) -> None:
    from jobs.staff_jobs import staff_job

    staff_job(task)


def _staff_is_behind(practice: Practice, records: Records) -> bool:
    """Say whether a newer issue has come than the plan of staff rests on; once a day at most.

    Where nobody ever asked for a plan, none is made unasked.
    """
    from forecast.records.issues import newest_issue
    from forecast.records.staff import staff_on_record
    from forecast.records.staff_plans import newest_staff_plan

    plan, made = newest_staff_plan(records), newest_issue(records)
    if plan is None or made is None or made.id == plan.issue_id:
        return False
    is_due = practice.day_of(plan.made_at) < practice.today
    return is_due and bool(staff_on_record(records, day=practice.today))


def _draft_alerts(task: Task) -> None:
    from forecast.issuing import latest_issue
    from jobs.alerts import draft_alerts

    made = latest_issue(task.practice, task.records, as_of=task.as_of)
    drafted = draft_alerts(task.practice, task.records, made, say=task.say)
    task.result.rows = len(drafted.alerts)


def _verify(task: Task) -> None:
    from jobs.verify import verify

    verify(task.practice, task.records, say=task.say)


def _send(task: Task) -> None:
    from jobs.send import send

    send(task.practice, task.records, say=task.say)


def _send_alerts(task: Task) -> None:
    from jobs.alert_delivery import deliver

    deliver(task.practice, task.records, say=task.say)


def _has_alerts(practice: Practice, records: Records) -> bool:
    from forecast.alerts.sending import has_messages

    return has_messages(practice, records)


def _watch(task: Task) -> None:
    from jobs.watch import sentence_of, watch

    troubled = watch(task.practice, task.records, now=task.practice.now)
    task.result.rows, task.result.sentence = len(troubled), sentence_of(troubled)


def _watch_is_due(practice: Practice, records: Records) -> bool:
    from jobs.watch import watch_is_due

    return watch_is_due(practice, records)


def _culprits(task: Task) -> None:
    from forecast.issuing import latest_issue
    from jobs.culprits import culprits_of

    made = latest_issue(task.practice, task.records, as_of=task.as_of)
    culprits_of(task.practice, task.records, task.climate, made, say=task.say)


def _culprits_are_due(practice: Practice, records: Records) -> bool:
    from jobs.culprits import culprits_are_due

    return culprits_are_due(practice, records)


def _has_news(practice: Practice, records: Records) -> bool:
    from jobs.send import has_news

    return has_news(practice, records)


def _keep_house(task: Task) -> None:
    from forecast.outcomes import forget_outcomes
    from forecast.privacy import forget_expired
    from forecast.uploads import forget_uploads
    from jobs.drop import forget_taken
    from jobs.tidy import tidy

    said: list[str] = []
    tidy(task.practice, task.records, task.climate, say=said.append)
    said += forget_expired(task.practice, task.records).sentence.splitlines()
    said += forget_taken(task.practice)
    said += forget_uploads(task.practice) + forget_outcomes(task.practice)
    for line in said:
        task.say(line)
    task.result.sentence = "; ".join(said) or "nothing was kept too long"


def _back_up(task: Task) -> None:
    from jobs.backup import back_up

    back_up(task.practice, task.records, task.climate, say=task.say)


# ------------------------------------------------------------------------------ the list
_PULL_JOBS = tuple(
    Job(name, what, partial(_pull, name=name), applies=partial(_uses, name=name))
    for name, what in (
        (PULL_WEATHER, "asks services for the days of weather that are lacking"),
        (PULL_FORECAST, "asks services for the newest weather forecast"),
        (PULL_POLLEN, "asks services for pollen and flowering dates"),
    )
)
_NEW_DATA = (PULL_WEATHER, PULL_POLLEN, "import ", "accept import", "undo import")
JOBS: tuple[Job, ...] = (
    *_PULL_JOBS,
    Job("take visits", "takes in the files in the drop folder", _take_visits, has_work=_has_files),
    Job(
        "learn",
        "counts visits anew and trains the model",
        _learn,
        needs=(PULL_WEATHER, PULL_POLLEN),
        takes_day=True,
    ),
    Job(
        "issue",
        "issues the forecast, again after new data",
        _issue,
        needs=(PULL_WEATHER, PULL_FORECAST, PULL_POLLEN, "learn"),
        feeds=_NEW_DATA,
        takes_day=True,
    ),
    Job("draw", "draws the figures of a forecast that was cut off", _draw, has_work=_is_undrawn),
    Job(
        "plan",
        "proposes doses from the newest issue",
        _plan,
        needs=("issue",),
        takes_day=True,
    ),
    Job(
        "staff",
        "plans staff and stock anew, where a plan is older than the newest issue",
        _staff,
        has_work=_staff_is_behind,
        takes=("weeks", "service", "keep_agreed"),
    ),
    Job(
        "draft alerts",
        "drafts alerts that are due, for people to approve",
        _draft_alerts,
        needs=("issue",),
        takes_day=True,
    ),
    Job("verify", "holds issued forecasts against what came", _verify),
    Job(
        "culprits",
        "tells once a month what flare visits follow",
        _culprits,
        has_work=_culprits_are_due,
    ),
    Job("housekeeping", "takes away what was kept long enough", _keep_house),
    Job("back-up", "makes a back-up and thins older ones", _back_up, needs=("housekeeping",)),
    Job("send alerts", "hands alerts over to owners", _send_alerts, has_work=_has_alerts),
    Job("watch", "looks for what is not in order", _watch, has_work=_watch_is_due),
    Job("send", "sends notices of what is not in order", _send, has_work=_has_news),
)


def jobs_of(practice: Practice, jobs: Sequence[Job] = JOBS) -> list[Job]:
    """Return the jobs that a practice has use for, in the order in which they run."""
    return [job for job in jobs if job.applies(practice)]


def find_job(name: str, jobs: Sequence[Job] = JOBS) -> Job:
    """Return a job by its name; blanks, hyphens and underscores are no matter."""
    by_key = {job.key: job for job in jobs}
    key = setting_key(name)
    if key in by_key:
        return by_key[key]
    near = difflib.get_close_matches(key, by_key, n=1)
    hint = f"; did you mean {by_key[near[0]].name!r}?" if near else ""
    known = ", ".join(job.name for job in jobs)
    raise UnknownJobError(f"the job {name!r} was asked; there is none{hint} (jobs: {known})")


def timetable(practice: Practice, jobs: Sequence[Job]) -> list[Timetable]:
    """Return when each job runs in a practice: as its settings say, else as the table does."""
    return [_timetable(practice, job) for job in jobs]


def _timetable(practice: Practice, job: Job) -> Timetable:
    table, section = load_table("jobs", "schedule.toml"), practice.settings.clock
    at = weekday = None
    if job.has_work is None:
        given = getattr(section, job.key, None) or str(table[f"times.{job.key}"].value)
        at = time.fromisoformat(given)
    if job.name == "learn":
        weekday = _WEEKDAYS.index(section.learn_on or str(table["learn.weekday"].value))
    return Timetable(
        job.name, at, weekday=weekday, missed=job.missed, needs=job.needs, feeds=job.feeds
    )
