"""The demo's pages: on this machine alone, with people who are in no other practice, on its day."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
from datetime import UTC, date, datetime, timedelta

import httpx2
import pytest

from forecast.accounts.people import accounts
from forecast.accounts.roles import Role
from forecast.accounts.signing_in import SignInError, sign_in
from forecast.pages.all_pages import all_pages
from forecast.pages.page import Asked
from forecast.pages.sitting import Sitting
from forecast.practice import create_practice, open_practice
from forecast.records import open_records, requests
from forecast.records.issues import issues
from jobs.demo import entering, moment, people
from jobs.demo.entering import entering_pages
from jobs.demo.errors import DemoError
from jobs.demo.moment import Day, day_of_demo, day_of_words
from jobs.demo.run import TO_COME
from jobs.demo.serving import is_served_as_it_is, serve_demo

START, END = datetime(2023, 3, 1, 1, tzinfo=UTC), datetime(2023, 3, 1, 14, 59, 59, tzinfo=UTC)


@pytest.fixture
def served_demo(demo, tmp_path):
    """Give a copy of a demo, to be changed at will."""
    return shutil.copytree(demo.practice.folder, tmp_path / "demo")


# ------------------------------------------------------------------------------------- its day
def test_hours_pass_and_the_day_does_not_end(monkeypatch):
    """An hour later it is an hour later; a week later it is the last second of the day."""
    day = Day(START, END, begun=1000.0)
    for passed, expected in ((0, START), (3600, START + timedelta(hours=1)), (604_800, END)):
        monkeypatch.setattr(moment.time, "time", lambda passed=passed: 1000.0 + passed)
        assert day.now() == expected
        assert day_of_words(*day.words()).now() == expected


@pytest.mark.long
def test_a_demo_goes_on_after_all_that_was_done(demo, served_demo):
    """At ten in the morning of its day at first; later than the last request afterwards."""
    practice = open_practice(served_demo)
    records = open_records(practice)
    day = day_of_demo(practice, records)
    assert day is not None
    # Seoul is nine hours ahead of UTC, the whole year
    assert day.start == datetime(2023, 3, 1, 1, 0, tzinfo=UTC)
    assert day.end == datetime(2023, 3, 1, 14, 59, 59, tzinfo=UTC)
    later = datetime(2023, 3, 1, 6, 30, tzinfo=UTC)
    requests.ask(records, "issue", {}, asked_by="command line", asked_at=later)
    again = day_of_demo(practice, records)
    records.close()
    assert again is not None
    assert again.start > later


@pytest.mark.long
def test_all_of_a_demo_was_done_on_its_day_and_none_of_it_knows_more(demo):
    """The forecast was issued then, no hindcast; weather and flowering end the day before."""
    records = open_records(open_practice(demo.practice.folder))
    made = issues(records)
    records.close()
    assert [(one.kind, one.issued_at.date()) for one in made] == [("issued", date(2023, 3, 1))]
    for folder, known in (("exports", True), (TO_COME, False)):
        text = (demo.practice.folder / folder / "flowering.csv").read_text()
        days = re.findall(r"\d{4}-\d\d-\d\d", text)
        assert days
        assert all((day < "2023-03-01") == known for day in days)


# --------------------------------------------------------------------------------------- its people
@pytest.mark.long
def test_there_is_one_of_each_role_and_nobody_can_sign_in_as_one(served_demo):
    """Their passwords were thrown away; made once, however often it is served."""
    practice = open_practice(served_demo, now=START)
    records = open_records(practice)
    made = people.people_of_demo(practice, records)
    assert set(made) == set(Role)
    assert people.people_of_demo(practice, records) == made
    assert len(accounts(records)) == len(Role)
    for role in Role:
        for guess in ("", role.value, "password", people.email_of(role)):
            with pytest.raises(SignInError):
                sign_in(
                    records,
                    people.email_of(role),
                    guess,
                    address=f"127.0.0.{len(guess)}",
                    today=date(2023, 3, 1),
                    now=START + timedelta(hours=len(guess)),
                )
    records.close()


def test_they_are_never_made_in_a_practice_that_is_not_invented(tmp_path, small_settings):
    """Nothing is changed there."""
    text = small_settings.replace("invented = true", "invented = false")
    practice = create_practice(tmp_path / "practice", text)
    records = open_records(practice)
    with pytest.raises(DemoError, match="not invented; nothing was changed"):
        people.people_of_demo(practice, records)
    assert accounts(records) == []
    records.close()


def test_no_other_practice_has_the_page_to_enter():
    """It is in none of the pages that `forepaw serve` serves."""
    assert entering.ENTER not in {page.path for page in all_pages()}


@pytest.mark.parametrize("address", ["203.0.113.7", "10.0.0.2", "::2", ""])
def test_who_comes_over_a_network_is_refused(address):
    """Should a way lead there in spite of the binding, neither page nor form is given."""
    pages = {page.path: page for page in entering_pages({})(None, all_pages())}  # type: ignore[arg-type]
    asked = Asked(*[None] * 6, {"role": "vet"}, Sitting(None, address=address))  # type: ignore[arg-type]
    for path in ("/sign-in", entering.ENTER):
        with pytest.raises(entering.NotFromHereError):
            pages[path].handler(asked)


# -------------------------------------------------------------------------------------- where it is
@pytest.mark.long
@pytest.mark.parametrize(
    ("section", "words"),
    [
        ('address = "0.0.0.0"\npublic_address = "https://demo.example"', "beyond this machine"),
        ('public_address = "https://demo.example"', "beyond this machine"),
        ('trusted_proxies = ["127.0.0.1"]', "behind a proxy"),
    ],
)
def test_it_is_served_on_this_machine_alone(served_demo, section, words):
    """Whatever practice.toml says, it is refused in a sentence that says what to do."""
    settings = served_demo / "practice.toml"
    settings.write_text(f"{settings.read_text()}\n[pages]\n{section}\n")
    with pytest.raises(DemoError, match=rf"{words}.*take that section out"):
        serve_demo(served_demo, port=0, ready=lambda _: None)


@pytest.mark.long
def test_a_demo_that_is_there_is_kept_and_a_half_made_one_is_not(demo, tmp_path, small_settings):
    """Kept: invented, with what is to come and a forecast. Else it is made anew."""
    assert is_served_as_it_is(demo.practice.folder)
    assert not is_served_as_it_is(tmp_path / "nothing")
    half = create_practice(tmp_path / "half", small_settings).folder
    assert not is_served_as_it_is(half)
    (half / TO_COME).mkdir()
    assert not is_served_as_it_is(half)


# ------------------------------------------------------------------------------- the command
@pytest.mark.long
def test_the_command_serves_what_is_asked_for_is_done_and_it_ends_well(served_demo):
    """As whoever tries it: enter as manager, ask for a forecast, see it; Ctrl-C ends all with 0."""
    run = "from jobs.cli import program; program()"
    words = ["demo", "--serve", "--dir", str(served_demo), "--port", "0"]
    one = subprocess.Popen([sys.executable, "-c", run, *words], stderr=subprocess.PIPE, text=True)
    try:
        assert one.stderr is not None
        said = ""
        while (found := re.search(r"http://127\.0\.0\.1:\d+", said)) is None:
            line = one.stderr.readline()
            assert line, said
            said += line
        base = found[0]
        origin = {"origin": base}
        with httpx2.Client(base_url=base, follow_redirects=True, timeout=30) as client:
            assert "Enter as manager" in client.get("/").text
            entered = client.post("/enter", data={"role": "manager"}, headers=origin)
            assert entered.url.path == "/"
            assert "1 Mar 2023" in entered.text
            assert client.get("/people").status_code == 403
            client.post("/requests", data={"kind": "issue"}, headers=origin)
            give_up = time.monotonic() + 120
            while client.get("/requests.json").json()["is_going"]:
                assert time.monotonic() < give_up
                time.sleep(1)
            rows = client.get("/requests.json").json()["rows"]
            assert [row["state"] for row in rows] == ["done"]
            newest = rows[0]["sentence"].split()[-1]
            assert newest in client.get("/").text
        one.send_signal(signal.SIGINT)
        assert one.wait(30) == 0
    finally:
        one.kill()
        one.communicate()
