"""From a failing job to a person's mail: once, and once more when it is over."""

from __future__ import annotations

import json
import os
from datetime import UTC, date, datetime, timedelta

import pytest
from faults import status
from local_server import Answer, LocalServer
from mail_server import mail_server

from forecast.practice import Practice, create_practice, open_practice
from forecast.records import open_records
from forecast.records.notices import deliveries, notices
from forecast.records.runs import finish_run, runs, start_run
from jobs.notices import follow_runs, raise_for
from jobs.send import has_news, send, troubled_deliveries

NIGHT = datetime(2024, 5, 31, 18, 30, tzinfo=UTC)  # 03:30 in Seoul, where the small practice is
HOUR = timedelta(hours=1)
MAIL = """
[notices.mail]
to = ["office@practice.example"]
from = "forepaw@practice.example"
host = "127.0.0.1"
port = {port}
security = "none"
"""
WEBHOOK = "\n[notices.webhook]\n"


@pytest.fixture
def make(tmp_path, small_settings):
    """Give a function that makes the practice with some settings more."""

    def make_it(more: str = "") -> Practice:
        return create_practice(tmp_path / "practice", small_settings + more, now=NIGHT)

    return make_it


def secret(practice: Practice, name: str, text: str, mode: int = 0o600) -> None:
    file = practice.secrets_folder / name
    file.write_text(text + "\n")
    file.chmod(mode)


def job_ran(records, job, state, at, result="", started_by="clock"):
    run = start_run(records, job, local_date=date(2024, 6, 1), started_at=at, started_by=started_by)
    if state != "running":
        finish_run(records, run.id, state=state, n_rows=None, seconds=1.0, result=result)
    return run


def at(practice: Practice, now: datetime) -> Practice:
    return open_practice(practice.folder, now=now)


def sent(practice: Practice, records, now: datetime, environment=None):
    said: list[str] = []
    done = send(at(practice, now), records, say=said.append, environment=environment or {})
    return [(one.channel, one.n_news, one.state) for one in done]


# ------------------------------------------------------------------------------ what the runs tell
def test_a_failed_run_begins_a_notice_and_the_next_success_ends_it(make):
    """Failing again is no news."""
    records = open_records(make())
    job_ran(records, "pull nasa_power", "failed", NIGHT, "status 500")
    assert follow_runs(records, now=NIGHT) == ["pull nasa_power"]
    job_ran(records, "pull nasa_power", "failed", NIGHT + HOUR, "refused")
    assert follow_runs(records, now=NIGHT + HOUR) == []
    (going_on,) = notices(records, open_only=True)
    assert (going_on.sentence, going_on.since) == ("refused", NIGHT)
    job_ran(records, "pull nasa_power", "done", NIGHT + 2 * HOUR)
    assert follow_runs(records, now=NIGHT + 2 * HOUR) == ["pull nasa_power"]
    assert notices(records, open_only=True) == []
    assert follow_runs(records, now=NIGHT + 3 * HOUR) == []


def test_whoever_runs_a_job_by_hand_sees_how_it_fails(make):
    """No notice of it; but a success by hand ends one."""
    records = open_records(make())
    job_ran(records, "learn", "failed", NIGHT, "x", started_by="hand")
    assert follow_runs(records, now=NIGHT) == []
    job_ran(records, "learn", "failed", NIGHT + HOUR, "x")
    assert follow_runs(records, now=NIGHT + HOUR) == ["learn"]
    job_ran(records, "learn", "done", NIGHT + 2 * HOUR, started_by="hand")
    assert follow_runs(records, now=NIGHT + 2 * HOUR) == ["learn"]


@pytest.mark.parametrize(
    ("state", "n_notices"),
    [("running", 0), ("stopped", 0), ("swept", 1), ("completed", 0), ("done", 0), ("failed", 1)],
)
def test_which_ends_of_a_run_are_trouble(make, state, n_notices):
    """A run that was told to stop is none; one that was killed is, until it runs through."""
    records = open_records(make())
    job_ran(records, "issue", state, NIGHT)
    follow_runs(records, now=NIGHT)
    assert len(notices(records)) == n_notices


def test_a_job_of_several_sources_is_told_by_the_source_that_fails(make):
    """Not twice; but where no source failed, the job itself is told."""
    records = open_records(make())
    job_ran(records, "pull weather", "failed", NIGHT, "failed: nasa_power")
    job_ran(records, "pull nasa_power", "failed", NIGHT, "status 500")
    assert follow_runs(records, now=NIGHT) == ["pull nasa_power"]
    job_ran(records, "pull weather", "failed", NIGHT + HOUR, "stopped by SourceError")
    assert follow_runs(records, now=NIGHT + HOUR) == ["pull weather"]


# ------------------------------------------------------------------------------ how they go out
def test_by_mail_and_web_address_once_each(make):
    """Nothing within the hour; then one mail and one post; nothing more; then that it is over."""
    with mail_server() as (taken, port), LocalServer({"/": lambda _: Answer(204)}) as web:
        practice = make(MAIL.format(port=port) + WEBHOOK + f'url = "{web.url}/hook"\n')
        secret(practice, "webhook.secret", "kept-safe")
        records = open_records(practice)
        raise_for(records, "pull nasa_power", "It answered with status 500.", now=NIGHT)
        assert sent(practice, records, NIGHT + HOUR / 2) == []
        assert sent(practice, records, NIGHT + HOUR) == [
            ("mail", 1, "told"),
            ("webhook", 1, "told"),
        ]
        assert sent(practice, records, NIGHT + 30 * HOUR) == []
        job_ran(records, "pull nasa_power", "done", NIGHT + 31 * HOUR)
        follow_runs(records, now=NIGHT + 31 * HOUR)
        assert sent(practice, records, NIGHT + 32 * HOUR) == [
            ("mail", 1, "told"),
            ("webhook", 1, "told"),
        ]
        assert sent(practice, records, NIGHT + 33 * HOUR) == []
    began, over = taken.mails
    assert began["Subject"] == "Made up: pull nasa_power wants attention"
    assert began.get_content().splitlines()[:2] == [
        "pull nasa_power wants attention (since 2024-06-01 03:30 KST).",
        "It answered with status 500.",
    ]
    assert over["Subject"] == "Made up: pull nasa_power is in order again"
    assert "since 2024-06-01 03:30 KST, over since 2024-06-02 10:30 KST" in over.get_content()
    posted = [json.loads(asked.body)["data"]["notices"][0] for asked in web.asked]
    assert [(one["about"], one["news"]) for one in posted] == [
        ("pull nasa_power", "began"),
        ("pull nasa_power", "over"),
    ]
    assert posted[0]["id"] == posted[1]["id"] == notices(records)[0].id
    assert began["Message-ID"] != over["Message-ID"]
    assert [run.job for run in runs(records) if run.job == "send"] == ["send", "send"]


def test_all_that_waits_goes_out_in_one_mail(make):
    """Twenty troubles are one mail that names each."""
    with mail_server() as (taken, port):
        practice = make(MAIL.format(port=port))
        records = open_records(practice)
        for n in range(20):
            raise_for(records, f"job {n:02d}", "x", now=NIGHT)
        assert sent(practice, records, NIGHT + HOUR) == [("mail", 20, "told")]
    (mail,) = taken.mails
    assert mail["Subject"] == "Made up: 20 troubles that go on, 0 that are over"
    assert all(f"job {n:02d} wants attention" in mail.get_content() for n in range(20))


def test_a_way_out_that_fails_stops_no_other_and_is_tried_again(make):
    """Mail goes out; the web address gets it a quarter of an hour later, once it works."""
    with mail_server() as (taken, port), LocalServer({"/": lambda _: Answer(204)}) as web:
        practice = make(MAIL.format(port=port) + WEBHOOK + f'url = "{web.url}/hook"\n')
        secret(practice, "webhook.secret", "kept-safe")
        records = open_records(practice)
        raise_for(records, "issue", "x", now=NIGHT)
        web.fail(status(503))
        now = NIGHT + HOUR
        assert sent(practice, records, now) == [("mail", 1, "told"), ("webhook", 1, "failed")]
        assert [one.channel for one in troubled_deliveries(practice, records)] == ["webhook"]
        assert runs(records, job="send")[-1].state == "failed"
        assert not has_news(at(practice, now + timedelta(minutes=14)), records)
        web.heal()
        assert sent(practice, records, now + timedelta(minutes=15)) == [("webhook", 1, "told")]
        assert troubled_deliveries(practice, records) == []
        assert len(taken.mails) == 1
    assert {asked.headers["webhook-id"] for asked in web.asked} == {
        web.asked[0].headers["webhook-id"]
    }


def test_without_a_way_out_nothing_is_tried_and_nothing_lost(make):
    """They are there for whoever looks; no run is written down."""
    practice = make()
    records = open_records(practice)
    raise_for(records, "issue", "x", now=NIGHT)
    assert sent(practice, records, NIGHT + HOUR) == []
    assert [one.about for one in notices(records, open_only=True)] == ["issue"]
    assert runs(records) == []


@pytest.mark.parametrize(
    ("more", "file", "text", "mode", "words"),
    [
        (MAIL.format(port=9) + 'user = "forepaw"\n', "", "", 0o600, "secrets/mail.password"),
        (WEBHOOK, "webhook.secret", "s", 0o600, "there is no address for it"),
        (WEBHOOK, "webhook.url", "https://h.example/x", 0o600, "there is no secret for it"),
        (WEBHOOK, "webhook.url", "https://h.example/x", 0o644, "can be read by others"),
    ],
    ids=["no password", "no address", "no secret", "open file"],
)
def test_a_secret_that_is_lacking_or_open_is_told(make, more, file, text, mode, words):
    """Failed, with what to do; nothing goes out."""
    practice = make(more)
    if file:
        secret(practice, file, text, mode)
    records = open_records(practice)
    raise_for(records, "issue", "x", now=NIGHT)
    ((_, _, state),) = sent(practice, records, NIGHT + HOUR)
    assert state == "failed"
    (held,) = deliveries(records)
    assert words in held.error


def test_an_address_from_the_secrets_is_held_to_the_same_rule(make):
    """No plain http beyond this machine, and it is not repeated."""
    practice = make(WEBHOOK)
    secret(practice, "webhook.secret", "s")
    secret(practice, "webhook.url", "http://h.example/token")
    records = open_records(practice)
    raise_for(records, "issue", "x", now=NIGHT)
    sent(practice, records, NIGHT + HOUR)
    assert "https://" in deliveries(records)[0].error
    assert "token" not in deliveries(records)[0].error


def test_the_environment_goes_before_files(make):
    """Address and secret from there; an empty variable is none."""
    with LocalServer({"/": lambda _: Answer(204)}) as web:
        practice = make(WEBHOOK)
        secret(practice, "webhook.url", "https://nobody.example/")
        records = open_records(practice)
        raise_for(records, "issue", "x", now=NIGHT)
        environment = {"FOREPAW_WEBHOOK_URL": f"{web.url}/hook", "FOREPAW_WEBHOOK_SECRET": "s"}
        assert sent(practice, records, NIGHT + HOUR, environment) == [("webhook", 1, "told")]
        assert len(web.asked) == 1
    assert "FOREPAW_WEBHOOK_URL" not in os.environ
