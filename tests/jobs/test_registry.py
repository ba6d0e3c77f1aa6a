"""The list of jobs and the timetable of a practice; a day of the clock on a small practice."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta

import pytest

from forecast.practice import create_practice, open_practice
from forecast.records import open_records
from forecast.records.issues import issues
from forecast.records.runs import runs
from forecast.settings_sections import ClockSection
from jobs.clock import tick, whats_due
from jobs.job import UnknownJobError
from jobs.registry import JOBS, find_job, jobs_of, timetable
from models.parameters import load_table

NOW = datetime(2022, 6, 28, 20, 10, tzinfo=UTC)  # 05:10 on Wednesday the 29th in Seoul


def at_home(tmp_path, text: str):
    return create_practice(tmp_path / "practice", text, now=NOW)


def test_practice_toml_and_the_table_name_the_jobs_that_have_a_time():
    """Each of them, and nothing else; a job of another name could not be set."""
    with_a_time = {job.key for job in JOBS if job.has_work is None}
    others = {"time_zone", "drop_folder", "learn_on"}
    assert set(ClockSection.model_fields) - others == with_a_time
    assert set(load_table("jobs", "schedule.toml").group("times")) == with_a_time


def test_jobs_stand_before_those_that_need_them():
    """So that one look runs them in that order; and names are no one else's."""
    names = [job.name for job in JOBS]
    assert len(set(names)) == len(names)
    for number, job in enumerate(JOBS):
        assert set(job.needs) <= set(names[:number]), job.name


def test_the_settings_go_before_the_table(tmp_path, small_settings):
    """Times, the day to learn on, the zone; what is not set is the table's."""
    clock = '[clock]\nissue = "06:15"\nlearn_on = "wed"\ntime_zone = "Europe/Berlin"\n'
    practice = at_home(tmp_path, small_settings + clock)
    times = {one.job: one for one in timetable(practice, JOBS)}
    assert times["issue"].at == time(6, 15)
    assert times["plan"].at == time(5, 30)
    assert (times["learn"].weekday, times["issue"].weekday) == (2, None)
    assert times["send"].at is None
    assert practice.time_zone.key == "Europe/Berlin"
    assert at_home(tmp_path / "other", small_settings).time_zone.key == "Asia/Seoul"


def test_a_practice_has_the_pulls_that_its_sources_are_for(tmp_path, small_settings):
    """Weather alone; and where a source is not known, a pull to tell so."""
    pulls = [job.name for job in jobs_of(at_home(tmp_path / "a", small_settings))]
    assert not [name for name in pulls if name.startswith("pull")]
    text = small_settings + '[[pull]]\nsource = "nasa_power"\n'
    pulls = [job.name for job in jobs_of(at_home(tmp_path / "b", text))]
    assert [name for name in pulls if name.startswith("pull")] == ["pull weather"]
    text = small_settings + '[[pull]]\nsource = "nasa_pwr"\n'
    practice = at_home(tmp_path / "c", text)
    assert "pull weather" in [job.name for job in jobs_of(practice)]
    (ran,) = tick(practice.folder, NOW, jobs=[find_job("pull weather")])
    assert ran.state == "failed"
    assert "did you mean 'nasa_power'" in ran.noted


@pytest.mark.parametrize("name", ["back-up", "back_up", "Back up"])
def test_a_job_is_found_however_its_name_is_joined(name):
    """Blanks, hyphens, underscores and case are no matter."""
    assert find_job(name).name == "back-up"


def test_a_job_that_there_is_not_is_refused_with_the_nearest():
    """And with all."""
    with pytest.raises(UnknownJobError, match=r"did you mean 'learn'\? \(jobs: pull weather, "):
        find_job("lern")


CALLED = ("watch", "send")  # they come when there is something to see or to say


@pytest.mark.long
def test_a_day_of_the_clock_leaves_a_forecast_plans_and_a_back_up(practice_folder):
    """Every job but the pulls, on what was imported until the 25th; on the next, no learning."""
    text = practice_folder / "practice.toml"
    text.write_text(text.read_text() + '[clock]\nback_up = "05:05"\nhousekeeping = "05:05"\n')
    done = tick(practice_folder, NOW + timedelta(hours=1))  # 06:10
    assert [(one.job, one.state) for one in done if one.job not in CALLED] == [
        ("learn", "done"),
        ("issue", "done"),
        ("plan", "done"),
        ("draft alerts", "done"),
        ("verify", "done"),
        ("housekeeping", "done"),
        ("back-up", "done"),
    ]
    practice = open_practice(practice_folder, now=NOW)
    records = open_records(practice)
    newest = issues(records)[-1]
    assert (newest.kind, f"{newest.origin}") == ("issued", "2022-06-29")
    written = {path.name for path in (practice.outbox_folder / newest.id).iterdir()}
    assert {"forecast.txt", "forecast.csv", "plans.csv", "credits.txt"} <= written
    by_clock = [run for run in runs(records) if run.started_by == "clock"]
    # each job is one row, with the cut that it learnt on the way
    assert sorted(run.job for run in by_clock if run.job != "tidy") == sorted(
        one.job for one in done
    )
    issued = next(run for run in by_clock if run.job == "issue")
    assert issued.cut["origin"] == "2022-06-29"
    assert issued.id in {one.run_id for one in done}
    # plan waits for the issue, back-up for housekeeping; nothing is to be learnt before Sunday
    for hours, expected in ((2, []), (25, ["issue", "verify", "housekeeping"])):
        later = open_practice(practice_folder, now=NOW + timedelta(hours=hours))
        due = [one.job for one in whats_due(later, records) if one.job not in CALLED]
        assert due == expected
