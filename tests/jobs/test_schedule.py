"""What is due: held against days counted by hand, and against any history of ticks and downtime."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.records.runs import JobRun
from jobs.schedule import (
    Due,
    Timetable,
    Waits,
    due,
    exists,
    moment_of,
    next_moment,
    next_try,
    waits,
    waits_for,
)

BERLIN = ZoneInfo("Europe/Berlin")
RULES = Waits(
    after_failures=(timedelta(minutes=15), timedelta(minutes=60), timedelta(minutes=180)),
    for_needs=timedelta(hours=3),
    between_feeds=timedelta(hours=4),
)
PULL = Timetable("pull", time(3, 30))
ISSUE = Timetable("issue", time(5, 0), needs=("pull",), feeds=("pull", "import "))
SUNDAY = 6
# Zones whose clocks change in both directions, at other hours and by other amounts: Lord Howe by
# half an hour, Santiago at midnight, Troll (Antarctica) by two hours, Kolkata never.
ZONES = (
    "Europe/Berlin",
    "America/New_York",
    "Australia/Lord_Howe",
    "America/Santiago",
    "Antarctica/Troll",
    "Asia/Kolkata",
)


def run(
    job: str,
    day: str,
    at: str,
    state: str = "done",
    *,
    seconds: float = 0.0,
    rows: int | None = None,
    by: str = "clock",
    zone: ZoneInfo = BERLIN,
) -> JobRun:
    """Write a run down, begun at a local time."""
    moment = datetime.fromisoformat(at).replace(tzinfo=zone)
    return JobRun(
        f"{job} {at}", job, date.fromisoformat(day), None, state, rows, seconds, "", moment, by
    )


def written(one: Due, now: datetime, state: str = "done") -> JobRun:
    """Write down that the clock ran what was due."""
    identity = f"{one.job} {now.isoformat()}"
    return JobRun(
        identity, one.job, one.local_date, None, state, None, 0.0, "", now, started_by="clock"
    )


def asked(jobs, runs, at: str, *, zone: ZoneInfo = BERLIN, called=()) -> list[tuple[str, str]]:
    """Return the jobs that are due at a local time, with their dates."""
    now = datetime.fromisoformat(at).replace(tzinfo=zone)
    found = due(jobs, runs, now=now, zone=zone, waits=RULES, called=called)
    return [(one.job, one.local_date.isoformat()) for one in found]


# ------------------------------------------------------------------------------ days and moments
def test_a_job_is_due_from_its_time_on_until_it_has_run():
    """Before 03:30 yesterday's date is the newest; once it ran, nothing is due before tomorrow."""
    ran = [run("pull", "2024-05-01", "2024-05-01T03:30")]
    assert asked([PULL], [], "2024-05-02T03:29") == [("pull", "2024-05-01")]
    assert asked([PULL], ran, "2024-05-02T03:29") == []
    assert asked([PULL], ran, "2024-05-02T03:30") == [("pull", "2024-05-02")]


def test_a_day_with_two_half_past_two_runs_what_stands_there_once():
    """27 October 2024 in Berlin: 02:30 comes at 00:30 and again at 01:30 UTC."""
    job = Timetable("job", time(2, 30))
    assert moment_of(date(2024, 10, 27), time(2, 30), BERLIN) == datetime(
        2024, 10, 27, 0, 30, tzinfo=UTC
    )
    first = JobRun("1", "job", date(2024, 10, 27), None, "done", None, 1.0, "",
                   datetime(2024, 10, 27, 0, 30, tzinfo=UTC), "clock")  # fmt: skip
    for minutes in range(0, 180, 15):
        now = datetime(2024, 10, 27, 0, 31, tzinfo=UTC) + timedelta(minutes=minutes)
        assert due([job], [first], now=now, zone=BERLIN, waits=RULES) == []


def test_a_time_that_the_clock_leaps_over_runs_at_the_next_moment_there_is():
    """31 March 2024 in Berlin: 01:59:59 is followed by 03:00, at 01:00 UTC."""
    leap = datetime(2024, 3, 31, 1, 0, tzinfo=UTC)
    assert moment_of(date(2024, 3, 31), time(2, 30), BERLIN) == leap
    job, before = Timetable("job", time(2, 30)), leap - timedelta(seconds=1)
    ran = [run("job", "2024-03-30", "2024-03-30T02:30")]
    assert due([job], ran, now=before, zone=BERLIN, waits=RULES) == []
    (found,) = due([job], ran, now=leap, zone=BERLIN, waits=RULES)
    assert found.local_date == date(2024, 3, 31)


def test_a_date_that_a_zone_leapt_over_has_no_run():
    """Apia had no 30 December 2011: it went over the date line at midnight."""
    apia = ZoneInfo("Pacific/Apia")
    assert not exists(date(2011, 12, 30), apia)
    assert exists(date(2011, 12, 29), apia)
    ran = [run("pull", "2011-12-29", "2011-12-29T03:30", zone=apia)]
    assert asked([PULL], ran, "2011-12-31T01:00", zone=apia) == []
    assert asked([PULL], ran, "2011-12-31T03:30", zone=apia) == [("pull", "2011-12-31")]


def test_a_weekly_job_is_due_from_its_weekday_on():
    """5 May 2024 is a Sunday; missed then, it is made up for on Wednesday, and once."""
    learn = Timetable("learn", time(4, 30), weekday=SUNDAY)
    before = [run("learn", "2024-04-28", "2024-04-28T04:30")]
    assert asked([learn], before, "2024-05-05T04:29") == []
    assert asked([learn], before, "2024-05-08T12:00") == [("learn", "2024-05-05")]
    after = [*before, run("learn", "2024-05-05", "2024-05-08T12:00")]
    assert asked([learn], after, "2024-05-11T23:59") == []
    assert next_moment(learn, now=datetime(2024, 5, 5, 4, 30, tzinfo=BERLIN), zone=BERLIN) == (
        date(2024, 5, 12),
        datetime(2024, 5, 12, 2, 30, tzinfo=UTC),
    )


def test_after_downtime_the_newest_date_alone_or_each_is_made_up_for():
    """Friday ran; the clock is back on Tuesday."""
    ran = [run("job", "2024-05-03", "2024-05-03T03:30")]
    newest, each = (Timetable("job", time(3, 30), missed=kind) for kind in ("newest", "each"))
    assert asked([newest], ran, "2024-05-07T10:00") == [("job", "2024-05-07")]
    days = ["2024-05-04", "2024-05-05", "2024-05-06", "2024-05-07"]
    assert asked([each], ran, "2024-05-07T10:00") == [("job", day) for day in days]
    # a day in the middle that failed is still open once the later ones ran
    later = [run("job", day, f"2024-05-07T10:0{n}") for n, day in enumerate(days) if n != 1]
    assert asked([each], [*ran, *later], "2024-05-07T10:10") == [("job", "2024-05-05")]


# ------------------------------------------------------------------------------ whose run counts
@pytest.mark.parametrize(
    ("by", "day", "at", "counts"),
    [
        ("clock", "2024-05-02", "2024-05-02T03:30", True),
        ("hand", "2024-05-02", "2024-05-02T04:00", True),
        ("hand", "2024-05-02", "2024-05-02T02:00", False),  # before its time: newer data may come
        ("hand", "2020-01-01", "2024-05-02T04:00", False),  # a past day was asked for
        ("hand", "2099-01-01", "2024-05-02T04:00", False),  # so was one that is far ahead
        ("hand", "2024-05-03", "2024-05-02T04:00", True),  # it is the 3rd already farther east
        ("clock", "2024-05-01", "2024-05-02T01:00", False),  # yesterday's, made up for at night
    ],
)
def test_a_run_counts_for_a_date_if_it_was_for_it_or_came_since(by, day, at, counts):
    """A hand's run spares the clock's; one of another day, or of before the time, does not."""
    assert asked([PULL], [run("pull", day, at, by=by)], "2024-05-02T09:00") == (
        [] if counts else [("pull", "2024-05-02")]
    )


def test_a_run_of_tomorrow_by_hand_does_not_take_the_place_of_tomorrows():
    """A practice with a region farther east issues of the 3rd on the evening of the 2nd."""
    early = [run("pull", "2024-05-03", "2024-05-02T23:00", by="hand")]
    assert asked([PULL], early, "2024-05-03T03:30") == [("pull", "2024-05-03")]


@pytest.mark.parametrize("state", ["running"])
def test_nothing_is_due_of_a_job_that_runs(state):
    """Whoever started it."""
    assert asked([PULL], [run("pull", "2024-05-02", "2024-05-02T02:00", state, by="hand")],
                 "2024-05-02T09:00") == []  # fmt: skip


# ------------------------------------------------------------------------------ after a failure
def test_a_failure_is_tried_again_after_growing_waits_a_few_times_a_day():
    """Tries at 03:30, 03:45, 04:45 and 07:45 by the waits of 15, 60 and 180 min; then tomorrow."""
    tries, seen = [], []
    now = datetime(2024, 5, 2, 3, 30, tzinfo=BERLIN)
    while now < datetime(2024, 5, 3, 12, 0, tzinfo=BERLIN):
        for one in due([PULL], tries, now=now, zone=BERLIN, waits=RULES):
            local = f"{now.astimezone(BERLIN):%Y-%m-%dT%H:%M}"
            seen.append(local[5:])
            tries.append(run("pull", one.local_date.isoformat(), local, "failed"))
        now += timedelta(minutes=1)
    day = ["03:30", "03:45", "04:45", "07:45"]
    # past midnight the newest date is still the 2nd's, and a new day gives it new tries
    night = ["05-03T00:00", "05-03T00:15", "05-03T01:15"]
    assert seen == [f"05-02T{at}" for at in day] + night + [f"05-03T{at}" for at in day]


def test_a_run_that_was_stopped_by_us_is_no_failure():
    """It is due at once."""
    left_off = [run("pull", "2024-05-02", "2024-05-02T03:30", "stopped")]
    assert asked([PULL], left_off, "2024-05-02T03:31") == [("pull", "2024-05-02")]


@pytest.mark.parametrize("state", ["failed", "swept", "cut short"])
def test_a_killed_run_waits_like_a_failed_one(state):
    """What kills its process each time must not do so all day."""
    killed = [run("pull", "2024-05-02", "2024-05-02T03:30", state)]
    assert asked([PULL], killed, "2024-05-02T03:44") == []
    assert asked([PULL], killed, "2024-05-02T03:45") == [("pull", "2024-05-02")]


def test_the_wait_counts_from_the_end_of_the_failure():
    """A failure that took ten minutes, at 03:30, is tried again at 03:55."""
    failed = [run("pull", "2024-05-02", "2024-05-02T03:30", "failed", seconds=600)]
    assert asked([PULL], failed, "2024-05-02T03:54") == []
    assert asked([PULL], failed, "2024-05-02T03:55") == [("pull", "2024-05-02")]
    told = next_try(PULL, failed, now=datetime(2024, 5, 2, 3, 50, tzinfo=BERLIN), zone=BERLIN,
                    waits=RULES)  # fmt: skip
    assert told == datetime(2024, 5, 2, 1, 55, tzinfo=UTC)


# ------------------------------------------------------------------------------ needs and feeds
def test_what_a_job_needs_is_waited_for_up_to_a_patience():
    """The pull fails: the issue of 05:00 goes on without it at 08:00, and says so."""
    failed = [run("pull", "2024-05-02", f"2024-05-02T{at}", "failed") for at in ("03:30", "03:45")]
    before = [run("issue", "2024-05-01", "2024-05-01T05:00")]
    assert asked([PULL, ISSUE], [*before, *failed], "2024-05-02T07:59") == [("pull", "2024-05-02")]
    again = [*before, *failed, run("pull", "2024-05-02", "2024-05-02T07:59", "failed")]
    now = datetime(2024, 5, 2, 8, 0, tzinfo=BERLIN)
    (found,) = due([PULL, ISSUE], again, now=now, zone=BERLIN, waits=RULES)
    assert (found.job, found.without) == ("issue", ("pull",))
    came = [*before, run("pull", "2024-05-02", "2024-05-02T03:30")]
    (found,) = due([PULL, ISSUE], came, now=now, zone=BERLIN, waits=RULES)
    assert (found.job, found.without) == ("issue", ())


def test_what_is_waited_for_is_told_with_the_latest_moment():
    """Until 08:00, three hours after its time; not before 05:00, and a pull waits for nothing."""
    failed = [run("issue", "2024-05-01", "2024-05-01T05:00"),
              run("pull", "2024-05-02", "2024-05-02T03:30", "failed")]  # fmt: skip

    def told(name: str, runs, at: str):
        now = datetime.fromisoformat(f"2024-05-02T{at}").replace(tzinfo=BERLIN)
        return waits_for(name, [PULL, ISSUE], runs, now=now, zone=BERLIN, waits=RULES)

    assert told("issue", failed, "07:00") == (("pull",), datetime(2024, 5, 2, 6, 0, tzinfo=UTC))
    assert told("issue", failed, "04:59") is None
    assert told("pull", failed, "07:00") is None
    came = [*failed, run("pull", "2024-05-02", "2024-05-02T03:45")]
    assert told("issue", came, "07:00") is None


def test_what_is_not_tried_again_today_is_not_waited_for():
    """With four failures behind it the pull has given up, so the issue goes on at once."""
    hurried = Waits((timedelta(minutes=1),), RULES.for_needs, RULES.between_feeds)
    failed = [run("pull", "2024-05-02", f"2024-05-02T03:3{n}", "failed") for n in (0, 2)]
    now = datetime(2024, 5, 2, 5, 0, tzinfo=BERLIN)
    (found,) = due([PULL, ISSUE], failed, now=now, zone=BERLIN, waits=hurried)
    assert (found.job, found.without) == ("issue", ("pull",))


def test_what_failed_for_the_day_before_too_is_still_waited_for():
    """A service that is down since yesterday: today's pull was tried twice, and will be again."""
    tries = ["2024-05-02T00:00", "2024-05-02T00:15", "2024-05-02T01:15"]
    failed = [run("pull", "2024-05-01", at, "failed") for at in tries]
    failed += [run("pull", "2024-05-02", f"2024-05-02T03:{n}", "failed") for n in (30, 45)]
    before = [run("issue", "2024-05-01", "2024-05-01T05:00"), *failed]
    assert ("pull", "2024-05-02") in asked([PULL, ISSUE], before, "2024-05-02T05:00")
    assert ("issue", "2024-05-02") not in asked([PULL, ISSUE], before, "2024-05-02T07:59")
    assert ("issue", "2024-05-02") in asked([PULL, ISSUE], before, "2024-05-02T08:00")


@pytest.mark.parametrize(
    ("came", "at", "is_due"),
    [
        (run("import visits", "2024-05-02", "2024-05-02T10:00", by="hand"), "10:01", True),
        (run("import visits", "2024-05-02", "2024-05-02T06:00", by="hand"), "08:59", False),
        (run("import visits", "2024-05-02", "2024-05-02T06:00", by="hand"), "09:00", True),
        (run("import visits", "2024-05-02", "2024-05-02T04:00", by="hand"), "23:00", False),
        (run("import visits", "2024-05-02", "2024-05-02T10:00", "failed"), "10:01", False),
        (run("pull", "2024-05-02", "2024-05-02T10:00", rows=0), "10:01", False),
        (run("pull", "2024-05-02", "2024-05-02T10:00", rows=7), "10:01", True),
        (run("pull", "2024-05-02", "2024-05-02T10:00", "failed", rows=7), "10:01", True),
        (run("plan", "2024-05-02", "2024-05-02T10:00", rows=7), "10:01", False),
    ],
)
def test_new_data_make_the_issue_due_again_hours_after_the_last(came, at, is_due):
    """Issued at 05:00: again from 09:00 on, if rows came since; what brought none does nothing."""
    runs = [run("pull", "2024-05-02", "2024-05-02T03:30", rows=5),
            run("issue", "2024-05-02", "2024-05-02T05:00"), came]  # fmt: skip
    found = asked([PULL, ISSUE], runs, f"2024-05-02T{at}")
    assert found == ([("issue", "2024-05-02")] if is_due else [])


@pytest.mark.parametrize(
    ("came", "at", "expected"),
    [
        ("2024-05-03T00:40", "00:40", [("issue", "2024-05-02")]),  # 4 h 20 min before 05:00
        ("2024-05-03T00:40", "05:00", [("issue", "2024-05-03")]),  # and the day has its own
        ("2024-05-03T01:01", "01:01", []),  # within four hours of it
        ("2024-05-03T03:31", "04:59", []),
        ("2024-05-03T03:31", "05:00", [("issue", "2024-05-03")]),
    ],
)
def test_what_comes_at_night_does_not_take_the_place_of_the_morning_s_issue(came, at, expected):
    """It is taken in at 05:00 after all of the night's pulls, not with the first of them."""
    runs = [run("pull", "2024-05-02", "2024-05-02T03:30"),
            run("pull", "2024-05-03", "2024-05-03T03:30", rows=5),
            run("issue", "2024-05-02", "2024-05-02T05:00"),
            run("import visits", "2024-05-03", came)]  # fmt: skip
    if at == "05:00" and came.endswith("00:40"):
        runs.append(run("issue", "2024-05-02", "2024-05-03T00:40"))
    else:
        runs = [one for one in runs if one.started_at.isoformat()[:16] <= f"2024-05-03T{at}"]
    now = datetime.fromisoformat(f"2024-05-03T{at}").replace(tzinfo=BERLIN)
    found = due([PULL, ISSUE], runs, now=now, zone=BERLIN, waits=RULES)
    assert [(one.job, f"{one.local_date}") for one in found if one.job == "issue"] == expected


def test_a_job_without_a_time_is_due_when_it_is_called():
    """After a failure it waits a while, however often it failed; it is nobody's hurdle."""
    send = Timetable("send", None)
    assert asked([send], [], "2024-05-02T10:00") == []
    assert asked([send], [], "2024-05-02T10:00", called={"send"}) == [("send", "2024-05-02")]
    failed = [run("send", "2024-05-02", f"2024-05-02T0{n}:00", "failed") for n in range(1, 9)]
    assert asked([send], failed, "2024-05-02T08:14", called={"send"}) == []
    assert asked([send], failed, "2024-05-02T08:15", called={"send"}) == [("send", "2024-05-02")]
    waiting = Timetable("issue", time(5, 0), needs=("send",))
    assert asked([send, waiting], [], "2024-05-02T05:00") == [("issue", "2024-05-02")]


def test_the_table_of_waits_grows():
    """As the clock's manners towards services demand."""
    assert all(a < b for a, b in pairwise(waits().after_failures))


def test_a_machine_whose_clock_was_a_year_ahead_is_not_held_up_by_what_it_did_then():
    """Its failures of 2025 keep nobody waiting in 2024; a date that ran is not run again."""
    send = Timetable("send", None)
    ahead = [run("send", "2025-05-02", "2025-05-02T08:00", "failed")]
    assert asked([send], ahead, "2024-05-02T10:00", called={"send"}) == [("send", "2024-05-02")]
    runs = [run("pull", "2024-05-02", "2024-05-02T03:30"),
            run("issue", "2024-05-02", "2024-05-02T05:00"),
            run("issue", "2025-05-02", "2025-05-02T05:00"),
            run("import visits", "2024-05-02", "2024-05-02T09:30")]  # fmt: skip
    assert asked([PULL, ISSUE], runs, "2024-05-02T09:31") == [("issue", "2024-05-02")]
    # put back by an hour after the run of 03:30: it has its date
    runs = [run("pull", "2024-05-01", "2024-05-01T03:30"), runs[0]]
    for at in ("03:00", "03:29", "03:30"):
        assert asked([PULL], runs, f"2024-05-02T{at}") == []


# ------------------------------------------------------------------------------ any history
def _ticked(jobs, zone, moments, fails) -> list[JobRun]:
    """Let the clock look at each moment, run what is due, and write it down."""
    runs: list[JobRun] = []
    for n, now in enumerate(moments):
        for one in due(jobs, runs, now=now, zone=zone, waits=RULES):
            state = "failed" if fails(n) else "done"
            runs.append(written(one, now, state))
    return runs


@settings(max_examples=60, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    start=st.datetimes(datetime(2023, 1, 1), datetime(2024, 12, 1)),
    gaps=st.lists(st.integers(1, 60 * 40), min_size=5, max_size=60),
    hour=st.integers(0, 23),
    minute=st.integers(0, 59),
    missed=st.sampled_from(["newest", "each"]),
    failing=st.sets(st.integers(0, 59)),
)
def test_no_job_runs_twice_for_a_date_whatever_happens(
    zone, start, gaps, hour, minute, missed, failing
):
    """Looks at any distance, any of them failing: one success a date, and none before its time."""
    tz = ZoneInfo(zone)
    job = Timetable("job", time(hour, minute), missed=missed)
    moments = [start.replace(tzinfo=UTC)]
    for gap in gaps:
        moments.append(moments[-1] + timedelta(minutes=gap))
    runs = _ticked([job], tz, moments, lambda n: n in failing)
    done = [one for one in runs if one.state == "done"]
    days = [one.local_date for one in done]
    assert len(days) == len(set(days))
    for one in runs:
        assert one.started_at >= moment_of(one.local_date, job.at, tz)
        local = one.started_at.astimezone(tz)
        assert local.date() >= one.local_date


@settings(max_examples=40, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    day=st.dates(date(2023, 1, 1), date(2024, 12, 1)),
    down=st.integers(0, 60 * 24 * 20),
    hour=st.integers(0, 23),
    minute=st.sampled_from([0, 15, 30, 45]),
)
def test_downtime_of_any_length_is_made_up_for_at_the_first_look(zone, day, down, hour, minute):
    """Each date that matters has its run after one look."""
    tz = ZoneInfo(zone)
    job = Timetable("job", time(hour, minute), missed="each")
    begin = moment_of(day, job.at, tz)
    moments = [begin, begin + timedelta(minutes=down)]
    runs = _ticked([job], tz, moments, lambda n: False)
    expected = {day}
    one = day
    while (one := one + timedelta(days=1)) <= moments[-1].astimezone(tz).date():
        if exists(one, tz) and moment_of(one, job.at, tz) <= moments[-1]:
            expected.add(one)
    assert [run.local_date for run in runs] == sorted(expected)


@pytest.mark.parametrize("zone", ZONES)
def test_a_year_of_looks_runs_every_day_once_within_the_look(zone):
    """Looks every hour through both changes of the clock: 366 dates in 2024, none late."""
    tz = ZoneInfo(zone)
    jobs = [Timetable("night", time(2, 30)), Timetable("midnight", time(0, 0))]
    now, end = moment_of(date(2024, 1, 1), time.min, tz), moment_of(date(2025, 1, 1), time.min, tz)
    runs: list[JobRun] = []
    while now < end:
        for one in due(jobs, runs[-4:], now=now, zone=tz, waits=RULES):
            runs.append(written(one, now))
        now += timedelta(hours=1)
    for name, job in (("night", jobs[0]), ("midnight", jobs[1])):
        own = [one for one in runs if one.job == name]
        dates = [one.local_date for one in own if one.local_date.year == 2024]
        assert dates == [date(2024, 1, 1) + timedelta(days=n) for n in range(366)]
        late = max(one.started_at - moment_of(one.local_date, job.at, tz) for one in own[1:])
        assert late < timedelta(hours=1)
