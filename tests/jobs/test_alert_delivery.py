"""Alerts over real sockets: to a mail server and a web address that fail in every way they may.

What the other side took is counted there, and held against what the records say of each owner.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy

import pytest
from alert_runs import PEOPLE, by_state, got, quick_rules, run, sent_off
from alert_world import (
    NOW,
    PUBLIC,
    Person,
    add_approved,
    at,
    make_practice,
    opened,
    settings,
    states,
)
from local_server import Answer, LocalServer
from mail_server import mail_server, polite_until, rough_server
from sqlalchemy import select, update

from forecast.alerts.cap_rules import broken_rules
from forecast.alerts.doubts import decide_doubt, doubts
from forecast.alerts.messages import INVENTED
from forecast.alerts.sending import (
    draw_lists,
    has_messages,
    send_off,
    withdraw_alert,
)
from forecast.alerts.unsubscribing import check_token, record_consent, unsubscribe
from forecast.records import tables
from forecast.records.alerts import alert
from forecast.records.notices import notices
from forecast.records.runs import runs
from jobs.channels.webhook import signed_headers
from models.errors import ForepawError


# ------------------------------------------------------------------------------ all is well
def test_each_household_gets_the_approved_text_once(tmp_path):
    """Both parts, the way out by one click, no second mail from a second run; then it is sent."""
    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        assert has_messages(p, r)
        run(p, r)
        run(p, r)
        assert not has_messages(p, r)
        assert got(taken) == Counter({f"o{n}@x.example": 1 for n in range(5)})
        assert alert(r, "a1").state == "sent"
        mail = taken.mails[0]
        assert mail["From"].addresses[0].display_name == "Praxis am See"
        assert mail["To"].addresses[0].display_name == "Ada Example"
        assert mail["List-Unsubscribe-Post"] == "List-Unsubscribe=One-Click"
        link = mail["List-Unsubscribe"].strip("<>")
        assert link.startswith(f"{PUBLIC}/unsubscribe/")
        plain = mail.get_body(("plain",)).get_content().replace("\r\n", "\n")
        assert plain.startswith("Dear dog owner,\n\nWeeks with more flares are near.\n\nYou can:\n")
        assert "- A swollen face is an emergency." in plain
        html = mail.get_body(("html",)).get_content()
        assert link in plain
        assert link in html
        assert "<li>bathe it</li>" in html
        assert "http://" not in html  # nothing is fetched, nothing is told
        assert html.count("https://") == html.count(link)
        assert "<img" not in html


def test_a_name_writes_no_header_and_no_html_and_rubbish_is_listed(tmp_path):
    """Line breaks and tags in a name, a name of a megabyte, 5 % rubbish: the rest is sent."""
    people = [Person(f"o{n}", f"o{n}@x.example") for n in range(57)]
    people[0] = replace(people[0], name="Ada\r\nBcc: all@x.example\r\n\r\n<b>hi</b>")
    people[1] = replace(people[1], name="<script>alert(1)</script>")
    people[2] = replace(people[2], name="Ä" * 1_000_000)
    people += [
        Person("r1", "r1@x.example\nBcc: all@x.example"),
        Person("r2", "r2@p\u0430ypractice.example"),
        Person("r3", "nobody at home"),
    ]
    with (
        mail_server() as (taken, port),
        sent_off(tmp_path, settings(mail_port=port), people) as (p, r),
    ):
        run(p, r)
        assert got(taken) == Counter({f"o{n}@x.example": 1 for n in range(57)})
        by_to = {mail["To"].addresses[0].addr_spec: mail for mail in taken.mails}
        assert by_to["o0@x.example"]["Bcc"] is None
        assert by_to["o1@x.example"]["To"].addresses[0].display_name == "<script>alert(1)</script>"
        assert all("<script>" not in one.get_body(("html",)).get_content() for one in taken.mails)
        # encoded words that are joined again; the reader of the test keeps blanks between them
        shown = by_to["o2@x.example"]["To"].addresses[0].display_name
        assert shown.replace(" ", "") == "Ä" * 70
        found = states(r)
    assert found["r1"] == ("left out", "mail address refused: control signs")
    assert found["r2"] == ("left out", "mail address refused: look-alike")
    assert found["r3"] == ("left out", "no mail address")


def test_an_invented_practice_writes_to_nobody(tmp_path):
    """Its mails lie in the folder, whatever server the settings name."""
    text = settings(mail_port=1).replace('country = "DE"', 'country = "DE"\ninvented = true')
    with sent_off(tmp_path, text) as (p, r):
        assert run(p, r).trouble == {}
        assert len(list((p.outbox_folder / "alerts" / "a1").glob("*.eml"))) == 5


def test_without_a_mail_server_the_folder_takes_the_mails(tmp_path):
    """A file a message, for its owner's eyes alone."""
    with sent_off(tmp_path, settings()) as (p, r):
        run(p, r)
        files = sorted((p.outbox_folder / "alerts" / "a1").glob("*.eml"))
        assert len(files) == 5
        assert all(file.stat().st_mode & 0o77 == 0 for file in files)
        assert b"\r\nList-Unsubscribe:" in files[0].read_bytes()
        assert by_state(r) == {"sent": 5}


# ------------------------------------------------------------------------------ at hand-over
def test_status_and_consent_are_looked_at_again_at_hand_over(tmp_path):
    """A dog died, an owner said no, one moved, one was erased, since the list was drawn."""
    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        draw_lists(p, r)
        day = NOW.date()
        with r.writing() as connection:
            dead = {"dog_id": "o0-0", "status": "dead", "date": day, "day_given": True}
            connection.execute(tables.dog_status.insert(), dead)
            no = {"owner_id": "o1", "what": "messages", "answer": "no", "date": day}
            connection.execute(tables.consent.insert(), no)
            moved = {"dog_id": "o2-0", "place": "distant", "region_id": None, "from_date": day}
            connection.execute(tables.home.insert(), moved)
            connection.execute(tables.owner.delete().where(tables.owner.c.id == "o3"))
        run(p, r)
        assert got(taken) == {"o4@x.example": 1}
        assert {owner: why for owner, (state, why) in states(r).items() if state == "left out"} == {
            "o0": "no living dog in the region",
            "o1": "said no to messages",
            "o2": "no living dog in the region",
            "o3": "owner erased",
        }


def test_two_who_come_to_share_an_address_after_the_list_get_one_message(tmp_path):
    """The register was mended in between: the second is told by the first's."""
    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        draw_lists(p, r)
        with r.writing() as connection:
            both = tables.owner.c.id.in_(["o0", "o1"])
            change = update(tables.owner).where(both).values(contact="new@x.example")
            connection.execute(change)
        run(p, r)
        assert got(taken)["new@x.example"] == 1
        assert Counter(why for _, why in states(r).values()) == {
            None: 4,
            "told by another message to the same address": 1,
        }


def test_a_click_stops_the_next_alert_and_a_yes_lifts_it(tmp_path):
    """The link of the mail itself, twice; then the owner says yes at the desk."""
    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        run(p, r)
        token = taken.mails[0]["List-Unsubscribe"].strip("<>").rpartition("/")[2]
        to = taken.mails[0]["To"].addresses[0].addr_spec
        for _ in range(2):
            unsubscribe(r, token, now=NOW)
        with pytest.raises(ForepawError, match="not made here"):
            check_token(r, f"{token[:-1]}{'0' if token[-1] != '0' else '1'}", now=NOW)
        for alert_id, n in (("a2", 4), ("a3", 5)):
            taken.recipients.clear()
            add_approved(r, alert_id, kind="peak near" if alert_id == "a2" else "season over")
            send_off(p, r, alert_id, by=None)
            run(p, r)
            assert sum(got(taken).values()) == n, alert_id
            number = f"K-{to.partition('@')[0]}"
            record_consent(r, number, "yes", by=None, now=NOW, today=NOW.date())
        assert got(taken)[to] == 1


def test_a_withdrawal_goes_to_those_who_got_it_alone(tmp_path):
    """Two got it, one was refused, two still wait: two are told that it is withdrawn."""
    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        answers = iter(["250 OK", "250 OK", "550 5.1.1 no such user", *["451 later"] * 2])
        taken.answer_to_recipient = lambda address: next(answers)
        run(p, r)
        first = set(got(taken))
        assert by_state(r) == {"sent": 2, "refused": 1, "waiting": 2}
        withdraw_alert(p, r, "a1", why="wrong week", by=None)
        taken.answer_to_recipient = lambda address: "250 OK"
        taken.mails.clear()
        taken.recipients.clear()
        later = at(p, NOW + timedelta(hours=3))
        run(later, r)
        assert set(got(taken)) == first
        assert by_state(r) == {"sent": 2, "refused": 1, "left out": 2}
        mail = taken.mails[0]
        assert mail["Subject"] == "Withdrawn: Weeks with flares are near (en)"
        told = " ".join(mail.get_body(("plain",)).get_content().split())
        assert "Please disregard that message" in told
        assert "- A swollen face is an emergency." in told  # the fixed blocks always stand there
        assert not has_messages(later, r)


def test_a_withdrawal_of_an_invented_practice_says_that_it_is_one(tmp_path):
    """As the alert itself did: no owner of a trial is told that something real is off."""
    text = settings().replace('country = "DE"', 'country = "DE"\ninvented = true')
    with sent_off(tmp_path, text, PEOPLE[:1]) as (p, r):
        run(p, r)
        withdraw_alert(p, r, "a1", why="wrong", by=None)
        run(p, r)
        (mail,) = (p.outbox_folder / "alerts" / "a1").glob("*.eml")
        read = message_from_bytes(mail.read_bytes(), policy=policy.default)
    assert INVENTED in " ".join(read.get_body(("plain",)).get_content().split())


def test_mails_of_a_withdrawn_alert_are_taken_out_of_the_folder_by_the_job_too(tmp_path):
    """One was laid down while somebody withdrew: the job's next look takes it, and then rests."""
    with sent_off(tmp_path, settings()) as (p, r):
        run(p, r)
        folder = p.outbox_folder / "alerts" / "a1"
        late = sorted(folder.glob("*.eml"))[0]
        withdraw_alert(p, r, "a1", why="wrong week", by=None)
        assert list(folder.glob("*.eml")) == []
        run(p, r)
        withdrawals = set(folder.glob("*.eml"))
        assert len(withdrawals) == 5
        assert not has_messages(p, r)
        late.write_bytes(b"To: o0@x.example\r\n\r\nDear dog owner\r\n")
        assert has_messages(p, r)
        assert "1 mails of a withdrawn alert taken out of the folder" in run(p, r).sentence
        assert set(folder.glob("*.eml")) == withdrawals


def test_mails_that_cannot_be_taken_out_of_the_folder_are_told_of(tmp_path, monkeypatch):
    """The withdrawal holds, the job fails with a sentence, and its next look tries again."""

    def refused(*_: object) -> int:
        raise PermissionError(13, "Permission denied")

    with sent_off(tmp_path, settings()) as (p, r):
        run(p, r)
        monkeypatch.setattr("forecast.alerts.sending.take_back", refused)
        withdraw_alert(p, r, "a1", why="wrong week", by=None)
        assert alert(r, "a1").state == "withdrawn"
        with monkeypatch.context() as still:
            still.setattr("jobs.alert_delivery.take_back", refused)
            said = run(p, r).sentence
        assert "could not be taken out of outbox/alerts (permission denied)" in said
        assert "failed" in {one.state for one in runs(r)}
        assert has_messages(p, r)
        run(p, r)
        assert not has_messages(p, r)


# ------------------------------------------------------------------------------ faults of a server
def test_refused_recipients_are_told_apart(tmp_path):
    """No such mailbox: refused, and not tried by the next alert. Full: later. Policy: refused."""
    answers = {
        "o0": "550 5.1.1 no such user",
        "o1": "452 4.2.2 mailbox full",
        "o2": "550 5.7.1 we do not like you",
        "o3": "553 no",
    }
    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        taken.answer_to_recipient = lambda address: answers.get(address.split("@")[0], "250 OK")
        run(p, r)
        assert got(taken) == {"o4@x.example": 1}
        assert states(r)["o1"] == ("waiting", "the recipient was refused with code 452")
        assert states(r)["o2"] == ("refused", "the recipient was refused with code 550")
        with r.reading() as connection:
            stop = tables.alert_stop
            bounced = connection.execute(select(stop.c.owner_id, stop.c.reason)).all()
        assert bounced == [("o0", "bounced")]
        assert states(r)["o3"] == ("refused", "the recipient was refused with code 553")
        # a quarter of an hour later the mailbox has room
        answers.clear()
        run(at(p, NOW + timedelta(minutes=14)), r)
        assert states(r)["o1"][0] == "waiting"
        run(at(p, NOW + timedelta(minutes=16)), r)
        assert got(taken) == {"o1@x.example": 1, "o4@x.example": 1}


def test_one_that_is_never_taken_is_given_up(tmp_path):
    """Five attempts over the table's waits, then it stands among the dead letters."""
    never_quiet = 'quiet_from = "03:00"\nquiet_until = "03:00"'
    with (
        mail_server() as (taken, port),
        sent_off(tmp_path, settings(mail_port=port, more=never_quiet), PEOPLE[:1]) as (p, r),
    ):
        taken.answer_to_recipient = lambda address: "451 later"
        moment = NOW
        for wait in (0, 16, 61, 241, 481):
            moment += timedelta(minutes=wait)
            assert states(r).get("o0", ("waiting",))[0] == "waiting"
            run(at(p, moment), r)
        assert states(r)["o0"] == ("given up", "the recipient was refused with code 451")


def hang_up(caller) -> None:
    """End a connection without a word."""


def test_a_server_that_hangs_up_before_a_message_gets_it_later(tmp_path):
    """At the recipient: it surely took nothing. Three in a row, and the run stops."""
    with (
        rough_server(polite_until(b"RCPT", hang_up)) as port,
        sent_off(tmp_path, settings(mail_port=port)) as (p, r),
    ):
        done = run(p, r)
        assert done.ended == {"to be tried again": 3}
        assert "took nothing" in done.sentence
        assert by_state(r) == {"waiting": 5}
        assert alert(r, "a1").state == "sending"


def test_a_server_that_hangs_up_after_a_message_leaves_it_in_doubt(tmp_path):
    """After the dot it may have taken it: never again by itself, listed until somebody decides."""
    with (
        rough_server(polite_until(b".", hang_up)) as port,
        sent_off(tmp_path, settings(mail_port=port)) as (p, r),
    ):
        run(p, r)
        assert by_state(r) == {"in doubt": 3, "waiting": 2}
        open_doubts = doubts(r)
        assert [one.about for one in notices(r, open_only=True)] == ["alert messages in doubt"]
        assert [one.owner_number for one in open_doubts]
    with mail_server() as (taken, port):
        text = p.settings_file.read_text(encoding="utf-8")
        old = next(line for line in text.splitlines() if line.startswith("port = "))
        p.settings_file.write_text(text.replace(old, f"port = {port}"), encoding="utf-8")
        p = at(p, NOW + timedelta(hours=1))
        records = opened(p)
        run(p, records)
        assert sum(got(taken).values()) == 2  # not those in doubt
        decide_doubt(records, open_doubts[0].message_id, arrived=True, by=None, now=p.now)
        decide_doubt(records, open_doubts[1].message_id, arrived=False, by=None, now=p.now)
        with pytest.raises(ForepawError, match="only one that is in doubt"):
            decide_doubt(records, open_doubts[1].message_id, arrived=True, by=None, now=p.now)
        run(p, records)
        assert sum(got(taken).values()) == 3
        assert by_state(records) == {"sent": 4, "in doubt": 1}
        last = doubts(records)[0].message_id
        decide_doubt(records, last, arrived=True, by=None, now=p.now)
        assert notices(records, open_only=True) == []
        records.close()


def test_a_connection_that_ends_between_messages_is_opened_anew(tmp_path):
    """A server may end one that carried enough: each owner once, nobody in doubt."""
    counted = Counter()

    def once(address: str) -> str:
        counted[address] += 1
        return "421 closing" if sum(counted.values()) % 3 == 0 else "250 OK"

    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        taken.answer_to_recipient = once
        run(p, r)
        assert got(taken) == Counter({f"o{n}@x.example": 1 for n in range(5)})


def test_a_slow_server_is_not_waited_for(tmp_path, monkeypatch):
    """It drips its answer: in doubt after the time a message may take, and the run goes on."""
    monkeypatch.setattr("jobs.alert_delivery.delivery_rules", lambda p: quick_rules(p, whole=0.3))

    def drip(caller) -> None:
        import time

        for sign in b"250 so very slowly":
            caller.sendall(bytes([sign]))
            time.sleep(0.05)

    with (
        rough_server(polite_until(b".", drip)) as port,
        sent_off(tmp_path, settings(mail_port=port), PEOPLE[:1]) as (p, r),
    ):
        run(p, r)
        ((state, why),) = states(r).values()
        assert state == "in doubt"
        assert "took longer" in why


def test_a_server_that_is_away_costs_nobody_an_attempt(tmp_path):
    """Nothing is lost, the run fails and says so."""
    with sent_off(tmp_path, settings(mail_port=1)) as (p, r):
        done = run(p, r)
        assert done.trouble
        with r.reading() as connection:
            assert set(connection.scalars(select(tables.alert_message.c.n_attempts))) == {0}


# ------------------------------------------------------------------------------ when
def test_nobody_is_written_to_at_night(tmp_path):
    """By the region's own time: at 18 UTC it is eight in the evening there, at 6 in the morning."""
    zones = (("north", "Europe/Berlin"), ("east", "Pacific/Auckland"))
    with (
        mail_server() as (taken, port),
        sent_off(tmp_path, settings(regions=zones, mail_port=port)) as (p, r),
    ):
        evening = at(p, NOW.replace(hour=18))  # 20:00 in Berlin
        assert has_messages(evening, r)  # the list is to be drawn
        run(evening, r)
        assert not has_messages(evening, r)
        assert got(taken) == {}
        morning = at(p, datetime(2026, 4, 15, 6, 0, tzinfo=UTC))  # 08:00
        run(morning, r)
        assert sum(got(taken).values()) == 5


def test_what_is_late_is_not_sent(tmp_path):
    """The first week it speaks of is over: left out, and listed."""
    with mail_server() as (taken, port), sent_off(tmp_path, settings(mail_port=port)) as (p, r):
        run(at(p, datetime(2026, 4, 27, 9, tzinfo=UTC)), r)
        assert got(taken) == {}
        assert {why for _, why in states(r).values()} == {"the first week it speaks of is over"}


def test_no_mail_goes_out_that_nobody_can_unsubscribe_from(tmp_path):
    """Without a public address over https there is no link."""
    text = settings(mail_port=25).replace(PUBLIC, "http://127.0.0.1:8400")
    practice = make_practice(tmp_path / "practice", text)
    records = opened(practice)
    add_approved(records)
    with pytest.raises(ForepawError, match="public_address"):
        send_off(practice, records, "a1", by=None)
    records.close()


# ------------------------------------------------------------------------------ a partner
def test_a_partner_is_told_once_signed_and_without_anybody(tmp_path):
    """4xx, then 2xx: the same id both times, a CAP document, odds and no count."""
    secret = {"FOREPAW_ALERTS_WEBHOOK_SECRET": "correct-horse"}
    answers = iter([Answer(429), Answer(204)])
    with LocalServer({"/alerts": lambda asked: next(answers)}) as web:
        text = settings(webhook=f"{web.url}/alerts")
        with sent_off(tmp_path, text, PEOPLE[:1]) as (p, r):
            run(p, r, **secret)
            assert states(r)["partner"][0] == "waiting"
            run(at(p, NOW + timedelta(minutes=16)), r, **secret)
            assert states(r)["partner"] == ("sent", None)
        first, second = web.asked
    assert first.headers["webhook-id"] == second.headers["webhook-id"]
    for asked in (first, second):
        stamp = datetime.fromtimestamp(int(asked.headers["webhook-timestamp"]), tz=UTC)
        signed = signed_headers(
            asked.headers["webhook-id"], asked.body, secret="correct-horse", sent_at=stamp
        )
        assert signed["webhook-signature"] == asked.headers["webhook-signature"]
    told = json.loads(second.body)["data"]
    assert told["odds"] == 0.4
    assert broken_rules(told["cap"].encode()) == []
    assert "o0" not in second.body.decode()
    assert "x.example" not in second.body.decode()


def test_a_partner_is_told_no_odds_without_skill(tmp_path):
    """As owners: nothing of what the alert was drafted from stands in what is posted."""
    with LocalServer({"/alerts": lambda asked: Answer(204)}) as web:
        text = settings(webhook=f"{web.url}/alerts")
        with sent_off(tmp_path, text, PEOPLE[:1], odds=0.87, skill="not shown") as (p, r):
            run(p, r, FOREPAW_ALERTS_WEBHOOK_SECRET="correct-horse")
        (asked,) = web.asked
    told = json.loads(asked.body)["data"]
    assert (told["odds"], told["usual_odds"]) == (None, None)
    assert b"0.87" not in asked.body


def test_a_partner_without_a_secret_stops_no_mail(tmp_path):
    """The run says what is lacking; owners get theirs."""
    text = settings(webhook="https://partner.example/alerts")
    with sent_off(tmp_path, text) as (p, r):
        done = run(p, r)
        assert "there is no secret for it" in done.sentence
        assert by_state(r) == {"sent": 5, "waiting": 1}
        assert [one.about for one in notices(r, open_only=True)] == ["alerts to the partner"]
        last = runs(r, job="send alerts")[0]
        assert last.state == "done"  # owners need not wait for it to be mended
