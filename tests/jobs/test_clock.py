"""One look of the clock: what it runs, in which order, and what it does with what goes wrong."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from forecast.cut import CutError
from forecast.practice import PracticeError, create_practice, open_practice
from forecast.records import open_records
from forecast.records.notices import notices
from forecast.records.requests import ask, claim, requests
from forecast.records.runs import runs, start_run
from jobs.clock import tick
from jobs.job import Job, alone
from models.errors import ForepawError

# 05:10 on 29 June in Seoul, a Wednesday: what stands at 03:30 and 05:00 in the table is due
NOW = datetime(2022, 6, 28, 20, 10, tzinfo=UTC)
TODAY = "2022-06-29"


@pytest.fixture
def practice(tmp_path, small_settings):
    return create_practice(tmp_path / "practice", small_settings, now=NOW)


@pytest.fixture
def records(practice):
    opened = open_records(practice)
    yield opened
    opened.close()


class Desk:
    """Jobs that note that they ran, and do what a test tells them to."""

    def __init__(self) -> None:
        self.ran: list[tuple[str, str]] = []
        self.does: dict[str, object] = {}

    def job(self, name: str, **options: object) -> Job:
        """Make one."""

        def work(task) -> None:
            self.ran.append((name, task.as_of.isoformat()))
            task.result.rows, task.result.sentence = 1, f"{name} was done"
            if name in self.does:
                self.does[name](task)

        return Job(name, "is a test's", work, **options)

    def fails(self, name: str, error: Exception) -> None:
        """Let a job raise from now on."""

        def fail(task) -> None:
            raise error

        self.does[name] = fail


@pytest.fixture
def desk() -> Desk:
    return Desk()


def states(records) -> list[tuple[str, str, str]]:
    return [(run.job, f"{run.local_date}", run.state) for run in runs(records)]


# ------------------------------------------------------------------------------ what is due
def test_what_is_due_runs_once_in_the_order_of_the_list_and_is_written_down(
    practice, records, desk
):
    """A second look finds nothing to do; the next day's does."""
    jobs = [desk.job("pull weather"), desk.job("issue", needs=("pull weather",))]
    done = tick(practice.folder, NOW, jobs=jobs)
    assert [(one.job, f"{one.local_date}", one.state, one.rows) for one in done] == [
        ("pull weather", TODAY, "done", 1),
        ("issue", TODAY, "done", 1),
    ]
    assert desk.ran == [("pull weather", TODAY), ("issue", TODAY)]
    assert [run.started_by for run in runs(records)] == ["clock", "clock"]
    assert tick(practice.folder, NOW + timedelta(minutes=1), jobs=jobs) == []
    assert len(tick(practice.folder, NOW + timedelta(days=1), jobs=jobs)) == 2
    assert {run.local_date.isoformat() for run in runs(records)} == {TODAY, "2022-06-30"}


def test_the_ledger_moves_on_with_the_time_that_jobs_take(practice, records, desk):
    """A job that comes after another in the same look began after it had ended."""
    jobs = [desk.job("pull weather"), desk.job("issue")]
    tick(practice.folder, NOW, jobs=jobs)
    first, second = runs(records)
    assert first.started_at + timedelta(seconds=first.seconds) <= second.started_at
    assert second.started_at < NOW + timedelta(minutes=1)


def test_settings_are_read_at_every_look(practice, desk):
    """A time moved on in practice.toml counts at once; a slip is refused, and mended counts."""
    jobs = [desk.job("issue")]
    text = practice.settings_file.read_text()
    practice.settings_file.write_text(text + '\n[clock]\nissue = "05:20"\n')
    tick(practice.folder, NOW, jobs=jobs)  # yesterday's, made up for
    practice.settings_file.write_text(text + "\n[clock]\nissue = 5\n")
    with pytest.raises(PracticeError, match="issue"):
        tick(practice.folder, NOW + timedelta(minutes=11), jobs=jobs)
    practice.settings_file.write_text(text + '\n[clock]\nissue = "05:20"\n')
    (ran,) = tick(practice.folder, NOW + timedelta(minutes=12), jobs=jobs)
    assert ran.local_date.isoformat() == TODAY


def test_a_job_that_is_of_no_use_to_the_practice_is_left_out(practice, desk):
    """And one without a time runs when it has something to do, once a look."""
    work = [True]
    jobs = [
        desk.job("issue", applies=lambda practice: False),
        desk.job("send", has_work=lambda practice, records: work[0]),
    ]
    assert [one.job for one in tick(practice.folder, NOW, jobs=jobs)] == ["send"]
    work[0] = False
    assert tick(practice.folder, NOW + timedelta(minutes=1), jobs=jobs) == []


def test_where_it_cannot_be_seen_whether_there_is_work_the_job_runs_and_tells(practice, desk):
    """Its own refusal says what is wrong."""

    def refuse(practice, records) -> bool:
        raise ForepawError("the folder is gone")

    (ran,) = tick(practice.folder, NOW, jobs=[desk.job("take visits", has_work=refuse)])
    assert (ran.job, ran.state) == ("take visits", "done")


def test_each_missed_day_is_made_up_for_as_of_that_day(practice, desk):
    """Where the job says that each matters; the others run once, as of today."""
    jobs = [desk.job("verify", missed="each"), desk.job("issue")]
    later = NOW + timedelta(days=3, hours=2)  # 07:10, past the 06:00 of verify
    tick(practice.folder, NOW + timedelta(hours=2), jobs=jobs)
    desk.ran.clear()
    tick(practice.folder, later, jobs=jobs)
    assert desk.ran == [
        ("verify", "2022-06-30"),
        ("verify", "2022-07-01"),
        ("verify", "2022-07-02"),
        ("issue", "2022-07-02"),
    ]


# ------------------------------------------------------------------------------ what goes wrong
def test_a_job_that_raises_is_written_down_and_told_once_and_the_rest_goes_on(
    practice, records, desk
):
    """Its text, which may hold a name, stays in the practice folder; it is over when it works."""
    jobs = [desk.job("learn"), desk.job("issue")]
    desk.fails("learn", KeyError("Ada Quillfeather"))
    done = tick(practice.folder, NOW, jobs=jobs)
    assert [(one.job, one.state) for one in done] == [("learn", "failed"), ("issue", "done")]
    failed = next(run for run in runs(records) if run.job == "learn")
    assert failed.result == (
        "stopped by KeyError; failures/learn.txt in the practice folder says why"
    )
    story = practice.folder / "failures" / "learn.txt"
    assert "Quillfeather" in story.read_text()
    assert story.stat().st_mode & 0o777 == 0o600
    assert "Quillfeather" not in done[0].sentence + done[0].noted
    assert [(one.about, one.over_at) for one in notices(records)] == [("learn", None)]
    again = NOW + timedelta(minutes=16)
    tick(practice.folder, again, jobs=jobs)
    assert len(notices(records)) == 1
    desk.does.clear()
    tick(practice.folder, again + timedelta(minutes=61), jobs=jobs)
    (told,) = notices(records)
    assert told.over_at is not None
    assert not story.exists()


def test_a_refusal_that_names_nobody_is_told_in_full(practice, records, desk):
    """Others say only of which kind they are."""
    desk.fails("learn", CutError("no weather is held for region north"))
    desk.fails("issue", ForepawError("Ada Quillfeather has no dog"))
    done = tick(practice.folder, NOW, jobs=[desk.job("learn"), desk.job("issue")])
    assert [one.noted for one in done] == [
        "no weather is held for region north",
        "stopped by ForepawError; failures/issue.txt in the practice folder says why",
    ]
    assert done[1].sentence == "Ada Quillfeather has no dog"
    assert [run.result for run in runs(records)] == [one.noted for one in done]


def test_a_job_that_goes_on_without_what_it_needs_says_so(practice, records, desk):
    """05:10 is within the patience; 08:10 is past it."""
    jobs = [desk.job("pull weather"), desk.job("issue", needs=("pull weather",))]
    desk.fails("pull weather", ForepawError("the service is down"))
    assert [one.job for one in tick(practice.folder, NOW, jobs=jobs)] == ["pull weather"]
    done = tick(practice.folder, NOW + timedelta(hours=3), jobs=jobs)
    assert [one.job for one in done] == ["pull weather", "issue"]
    assert done[1].without == ("pull weather",)
    assert done[1].noted == "issue was done; went on without today's pull weather"


def test_what_a_killed_process_left_is_settled_before_anything_runs(practice, records, desk):
    """The killed run counts as a failure: it is tried again after the first wait."""
    start_run(records, "issue", local_date=practice.today, started_at=NOW, started_by="clock")
    jobs, said = [desk.job("issue")], []
    assert tick(practice.folder, NOW + timedelta(minutes=1), jobs=jobs, say=said.append) == []
    assert states(records) == [("issue", TODAY, "swept")]
    assert said == ["swept issue of 2022-06-28 20:10"]
    (ran,) = tick(practice.folder, NOW + timedelta(minutes=15), jobs=jobs)
    assert (ran.job, ran.why) == ("issue", "tried again after a failure")


def test_a_job_that_another_process_runs_is_left_to_it(practice, records, desk):
    """Nothing is written down, and it is due at the next look."""
    jobs = [desk.job("issue")]
    with alone(practice, "issue") as is_alone:
        assert is_alone
        assert tick(practice.folder, NOW, jobs=jobs) == []
    assert runs(records) == []
    assert len(tick(practice.folder, NOW, jobs=jobs)) == 1


def test_where_nothing_can_be_written_down_nothing_is_run_and_every_job_is_told(
    practice, desk, monkeypatch
):
    """As on a full disk: each is tried once a look, and the next look tries again."""
    from forecast.records import RecordsError

    def full(*_: object, **__: object) -> None:
        raise RecordsError("the records could not be used: database or disk is full")

    jobs = [desk.job("learn"), desk.job("issue")]
    monkeypatch.setattr("jobs.ledger.start_run", full)
    done = tick(practice.folder, NOW, jobs=jobs)
    assert [(one.job, one.state, one.run_id) for one in done] == [
        ("learn", "failed", ""),
        ("issue", "failed", ""),
    ]
    assert "disk is full" in done[0].sentence
    assert desk.ran == []
    monkeypatch.undo()
    assert [one.state for one in tick(practice.folder, NOW, jobs=jobs)] == ["done", "done"]


# ------------------------------------------------------------------------------ leaving off
@pytest.mark.parametrize("at", ["telling the share done", "saying what it does"])
def test_told_to_end_the_job_leaves_off_and_no_other_begins(practice, records, desk, at):
    """It is due again at once; what ran before stays as it is."""
    stop: list[bool] = []
    jobs = [desk.job("pull weather"), desk.job("learn"), desk.job("issue")]

    def end(task) -> None:
        stop.append(True)
        if at == "telling the share done":
            task.result.tell(0.5)
        else:
            task.say("reading")
        raise AssertionError("it went on")

    desk.does["learn"] = end
    done = tick(practice.folder, NOW, jobs=jobs, must_stop=lambda: bool(stop))
    assert [one.job for one in done] == ["pull weather"]
    assert [state for _, _, state in states(records)] == ["done", "stopped"]
    desk.does.clear()
    done = tick(practice.folder, NOW + timedelta(minutes=1), jobs=jobs)
    assert [one.job for one in done] == ["learn", "issue"]


# ------------------------------------------------------------------------------ requests
def test_what_people_asked_for_goes_first_and_is_reported(practice, records, desk):
    """As of the day that they named."""
    jobs = [desk.job("pull weather"), desk.job("issue", takes_day=True)]
    ask(records, "issue", {"as_of": "2022-06-01"}, asked_by="command line", asked_at=NOW)
    tick(practice.folder, NOW, jobs=jobs)
    assert desk.ran == [("issue", "2022-06-01"), ("pull weather", TODAY), ("issue", TODAY)]
    (asked,) = requests(records)
    by_id = {run.id: run for run in runs(records)}
    assert (asked.state, asked.result) == ("done", "issue was done")
    assert by_id[asked.run_id].started_by == "request"
    assert by_id[asked.run_id].local_date.isoformat() == "2022-06-01"


@pytest.mark.parametrize(
    ("kind", "arguments", "words"),
    [
        ("isue", {}, "did you mean 'issue'"),
        ("issue", {"as_of": "1 June"}, "write a day as YYYY-MM-DD"),
        ("issue", {"dog": "D1"}, "all it can be told is as_of"),
        ("learn", {"as_of": "2022-06-01"}, "runs as of the present day alone"),
    ],
)
def test_a_request_that_cannot_be_meant_is_refused_with_a_sentence(
    practice, records, desk, kind, arguments, words
):
    """Nothing is run for it."""
    jobs = [
        desk.job(name, takes_day=name == "issue", applies=lambda practice: False)
        for name in ("issue", "learn")
    ]
    ask(records, kind, arguments, asked_by="command line", asked_at=NOW)
    assert tick(practice.folder, NOW, jobs=jobs) == []
    (asked,) = requests(records)
    assert asked.state == "refused"
    assert words in asked.result


def test_a_request_whose_job_fails_has_failed(practice, records, desk):
    """Its sentence is what the ledger says; and the request of a killed clock is taken up."""
    jobs = [desk.job("issue", applies=lambda practice: False)]
    desk.fails("issue", CutError("no weather is held"))
    ask(records, "issue", {}, asked_by="command line", asked_at=NOW)
    claim(records, now=NOW)  # by a clock that is killed before the run begins
    tick(practice.folder, NOW, jobs=jobs)
    (asked,) = requests(records)
    assert (asked.state, asked.result) == ("failed", "no weather is held")


def test_a_request_that_is_left_off_waits_for_the_next_clock(practice, records, desk):
    """The end of the clock is nobody's answer."""
    stop: list[bool] = []
    jobs = [desk.job("issue", applies=lambda practice: False)]

    def end(task) -> None:
        stop.append(True)
        task.result.tell(0.5)

    desk.does["issue"] = end
    ask(records, "issue", {}, asked_by="command line", asked_at=NOW)
    tick(practice.folder, NOW, jobs=jobs, must_stop=lambda: bool(stop))
    assert requests(records)[0].state == "claimed"
    desk.does.clear()
    tick(practice.folder, NOW + timedelta(minutes=1), jobs=jobs)
    assert requests(records)[0].state == "done"


def test_the_practice_can_be_opened_again_after_a_look(practice, desk):
    """Nothing of a look is left open or locked."""
    tick(practice.folder, NOW, jobs=[desk.job("issue")])
    records = open_records(open_practice(practice.folder, now=NOW))
    with records.writing():
        pass
    records.close()
