"""The session's manners: what it says, what it takes, where it follows, when it gives up."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime

import faults
import pytest
from fake_open_meteo import too_many
from local_server import Answer, LocalServer

from jobs.sources.limits import RateLimits
from jobs.sources.session import user_agent
from jobs.sources.source import (
    Limits,
    Place,
    RefusedError,
    Request,
    Source,
    SourceError,
    TemporaryError,
    find_source,
)

KEY = "secret-key-123"
NO_LIMITS = Limits(None, None, None, 1, 0.0, 10, None, 1_000_000)
RESETS = (("Minutely", "minute"), ("Hourly", "hour"), ("Daily", "day"), ("Too many", "second"))


@pytest.fixture
def source(server) -> Source:
    """Give a source whose server answers {"a": 1} at /data and repeats what it heard at /echo."""
    server.routes["/data"] = lambda _: Answer(body=b'{"a": 1}')
    server.routes["/page"] = lambda _: Answer(body=b"a;b\r\n1;2\r\n", content_type="text/csv")
    return replace(
        find_source("open_meteo_archive"),
        base_url=server.url,
        limits=NO_LIMITS,
        redirect_hosts=(),
        reset_words=RESETS,
    )


def asking(source: Source, path: str = "/data", **changes) -> Request:
    """Return a request to the local server."""
    return replace(Request(source.id, "GET", source.base_url + path), **changes)


# ------------------------------------------------------------------------------ what it says
def test_it_says_who_asks_and_how_to_reach_them(source, server, make_session):
    make_session(source).get(asking(source))
    agent = server.asked[0].headers["user-agent"]
    assert agent.startswith("forepaw/")
    assert agent.endswith(" (vet@practice.example)")


def test_without_a_contact_it_says_its_name_alone():
    assert "(" not in user_agent(None)


@pytest.mark.parametrize("contact", ["a\r\nX-Evil: 1", "pràxis@example"])
def test_a_contact_that_no_header_can_carry_is_refused(contact):
    with pytest.raises(SourceError, match="contact"):
        user_agent(contact)


def test_a_key_travels_in_a_header_and_is_kept_nowhere(
    source, server, make_session, archive, tmp_path
):
    reply = make_session(source, keys={source.id: KEY}).get(asking(source, params=(("x", "1"),)))
    assert server.asked[0].headers["x-api-key"] == KEY
    assert KEY not in reply.url + repr(reply)
    assert KEY not in str(server.asked[0].query) + server.asked[0].path
    kept = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    assert b'"x"' in kept
    assert KEY.encode() not in kept


def test_no_login_kept_on_the_machine_goes_along(
    source, server, make_session, monkeypatch, tmp_path
):
    netrc = tmp_path / "netrc"
    netrc.write_text("machine 127.0.0.1 login me password mine\n")
    netrc.chmod(0o600)
    monkeypatch.setenv("NETRC", str(netrc))
    make_session(source).get(asking(source))
    assert "authorization" not in server.asked[0].headers


def test_parameters_of_a_post_are_sent_as_a_form(source, server, make_session):
    request = asking(source, method="POST", params=(("a", "1,2"), ("b", "x")))
    make_session(source).get(request)
    assert (server.asked[0].method, server.asked[0].one("a")) == ("POST", "1,2")


# ------------------------------------------------------------------------------ too many calls
@pytest.mark.parametrize(
    ("what", "wait"),
    # the clock stands at 08:00:30
    [("minute", 30.0), ("concurrent", 5.0)],
)
def test_a_limit_that_soon_ends_is_waited_out(source, server, make_session, clock, what, wait):
    answers = [too_many(what), Answer(body=b"{}")]
    server.routes["/data"] = lambda _: answers.pop(0)
    make_session(source).get(asking(source))
    # the first wait of a retry, half to one second, is added so that callers do not come at once
    assert wait + 0.5 <= sum(clock.slept) <= wait + 1.0


@pytest.mark.parametrize(
    ("what", "seconds"), [("hour", 59 * 60 + 30.0), ("day", 15 * 3600 + 59 * 60 + 30.0)]
)
def test_a_limit_that_ends_late_ends_the_run_and_nothing_more_is_asked(
    source, server, make_session, clock, what, seconds
):
    server.routes["/data"] = lambda _: too_many(what)
    session = make_session(source)
    with pytest.raises(TemporaryError, match="answered 429") as caught:
        session.get(asking(source))
    assert caught.value.retry_after == pytest.approx(seconds)
    with pytest.raises(TemporaryError, match=f"a {what} are used up"):
        session.get(asking(source, params=(("x", "2"),)))
    assert len(server.asked) == 1
    clock.pass_by(seconds)
    server.routes["/data"] = lambda _: Answer(body=b"{}")
    assert session.get(asking(source)).status == 200


def test_retry_after_may_be_a_date(source, server, make_session, clock):
    fault = faults.status(503, Retry_After="Wed, 10 Jun 2026 08:00:50 GMT")
    server.fail(fault, times=1)
    make_session(source).get(asking(source))
    assert 20.5 <= sum(clock.slept) <= 21.0


def test_a_retry_after_past_the_budget_ends_the_run(source, server, make_session, clock):
    server.fail(faults.status(503, Retry_After="86400"))
    with pytest.raises(TemporaryError, match="not before 86400 s") as caught:
        make_session(source).get(asking(source))
    assert caught.value.retry_after == 86400.0
    assert (len(server.asked), clock.slept) == (1, [])


def test_tries_end_when_the_time_in_all_is_over(source, server, make_session, clock, manners):
    server.fail(faults.status(500))
    with pytest.raises(TemporaryError, match="asked 2 times"):
        make_session(source, manners=manners(timeout__in_all=2.0)).get(asking(source))


# ------------------------------------------------------------------------------ what it takes
@pytest.mark.parametrize("status", [400, 401, 403, 404, 422])
def test_a_refusal_is_told_with_its_reason_and_asked_once(source, server, make_session, status):
    server.fail(faults.status(status, b'{"error":true,"reason":"Parameter x\\nis wrong"}'))
    with pytest.raises(RefusedError, match=rf"answered {status} .*: Parameter x is wrong"):
        make_session(source).get(asking(source))
    assert len(server.asked) == 1


def test_a_long_refusal_is_cut_short(source, server, make_session):
    server.fail(faults.status(400, json.dumps({"reason": "x" * 5000}).encode()))
    with pytest.raises(RefusedError) as caught:
        make_session(source).get(asking(source))
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize("fault", [faults.cut_without_length, faults.streaming_sentence])
def test_json_that_is_cut_short_is_asked_again(source, server, make_session, fault):
    server.fail(fault, times=1)
    assert make_session(source).get(asking(source)).body == b'{"a": 1}'
    assert len(server.asked) == 2


def test_silence_in_the_midst_of_a_reply_is_not_waited_for(source, server, make_session, manners):
    server.fail(faults.silence(0.3))
    quick = manners(timeout__read=0.1, retry__tries=1)
    with pytest.raises(TemporaryError, match="nothing for too long in the midst"):
        make_session(source, manners=quick).get(asking(source))


def test_silence_before_a_reply_is_not_waited_for(source, server, make_session, manners):
    def late(_):
        import time

        time.sleep(0.3)
        return Answer(body=b"{}")

    server.routes["/data"] = late
    quick = manners(timeout__read=0.1, retry__tries=1)
    with pytest.raises(TemporaryError, match="sent nothing for too long"):
        make_session(source, manners=quick).get(asking(source))


def test_a_port_where_nobody_listens_is_said(source, make_session):
    nobody = replace(source, base_url="http://127.0.0.1:9")
    with pytest.raises(TemporaryError, match="refused or broke off"):
        make_session(nobody).get(asking(nobody))


@pytest.mark.parametrize("packed", [True, False])
def test_a_body_past_its_size_is_broken_off(source, server, make_session, packed):
    server.packed = packed
    server.routes["/data"] = lambda _: Answer(body=b"[" + b"0," * 600_000 + b"0]")
    with pytest.raises(RefusedError, match="passed 1 MB"):
        make_session(source).get(asking(source))


def test_a_body_of_exactly_its_size_is_taken(source, server, make_session):
    body = b'"' + b"x" * (NO_LIMITS.largest_reply_bytes - 2) + b'"'
    server.routes["/data"] = lambda _: Answer(body=body)
    assert make_session(source).get(asking(source)).body == body


def test_packing_that_was_not_asked_for_is_refused(source, server, make_session):
    server.packed = False
    server.routes["/data"] = lambda _: Answer(body=b"{}", headers={"Content-Encoding": "br"})
    with pytest.raises(RefusedError, match="packed as 'br'"):
        make_session(source).get(asking(source))


def test_text_is_taken_as_it_came(source, make_session):
    reply = make_session(source).get(asking(source, "/page", content="text"))
    assert (reply.body, reply.content_type) == (b"a;b\r\n1;2\r\n", "text/csv")


@pytest.mark.parametrize("fault", [faults.html(200), faults.picture])
def test_a_page_or_a_picture_is_no_text(source, server, make_session, fault):
    server.fail(fault)
    with pytest.raises(TemporaryError, match="where text was asked"):
        make_session(source).get(asking(source, "/page", content="text"))


def test_a_reply_says_when_and_from_where(source, make_session, clock):
    reply = make_session(source).get(asking(source, params=(("latitude", "1,2"),)))
    assert reply.retrieved_at == datetime(2026, 6, 10, 8, 0, 30, tzinfo=UTC)
    assert reply.url == source.base_url + "/data?latitude=1,2"
    # sha256 of {"a": 1}, from the sha256sum program
    assert reply.sha256 == "f9d86028c6e0d64e225186f96acb69338b2c59764df79162107f5c4bb34d1310"


def test_a_source_that_is_not_set_up_is_named(source, make_session):
    with pytest.raises(SourceError, match=r"'nasa'.*uses open_meteo_archive"):
        make_session(source).get(Request("nasa", "GET", source.base_url))


# ------------------------------------------------------------------------------ what changed
def test_what_did_not_change_comes_from_the_archive(source, server, make_session, archive, clock):
    server.routes["/data"] = lambda _: Answer(body=b'{"a": 1}', headers={"ETag": '"v1"'})
    place = (Place("zurich", 47.37, 8.55, float("nan")),)
    request = asking(source, conditional=True, places=place, first=date(2026, 1, 1))
    session = make_session(source)
    first = session.get(request)
    clock.pass_by(3600)
    second = session.get(request)
    assert server.asked[1].headers["if-none-match"] == '"v1"'
    assert (second.status, second.not_modified, second.body) == (304, True, first.body)
    assert second.retrieved_at > first.retrieved_at
    assert len(list(archive.replay(source.id))) == 1


def test_a_changed_file_comes_whole(source, server, make_session):
    server.routes["/data"] = lambda _: Answer(body=b"[1]", headers={"ETag": '"v1"'})
    session = make_session(source)
    session.get(asking(source, conditional=True))
    server.routes["/data"] = lambda _: Answer(body=b"[2]", headers={"ETag": '"v2"'})
    assert session.get(asking(source, conditional=True)).body == b"[2]"


def test_a_spoilt_archive_is_not_relied_on(source, server, make_session, archive, tmp_path):
    server.routes["/data"] = lambda _: Answer(body=b"[1]", headers={"ETag": '"v1"'})
    session = make_session(source)
    session.get(asking(source, conditional=True))
    for body in tmp_path.rglob("*.gz"):
        body.write_bytes(body.read_bytes()[:-5])
    assert session.get(asking(source, conditional=True)).status == 200
    assert "if-none-match" not in server.asked[1].headers


# ------------------------------------------------------------------------------ where it follows
def test_a_redirect_on_the_same_host_is_followed(source, server, make_session):
    server.fail(faults.redirect_to("/data?moved=1"), times=1)
    reply = make_session(source).get(asking(source, "/old"))
    assert reply.url.endswith("/data?moved=1")


def test_a_redirect_to_the_documented_host_keeps_the_key(source, server, make_session):
    with LocalServer({"/": lambda _: Answer(body=b"[3]")}) as customer:
        server.fail(faults.redirect_to(customer.url + "/data"))
        known = replace(source, redirect_hosts=(customer.host,))
        reply = make_session(known, keys={source.id: KEY}).get(asking(source))
        assert reply.body == b"[3]"
        assert customer.asked[0].headers["x-api-key"] == KEY


def test_a_redirect_to_another_host_is_not_followed(source, server, make_session):
    with LocalServer({"/": lambda _: Answer(body=b"[3]")}) as other:
        server.fail(faults.redirect_to(other.url + "/data"))
        with pytest.raises(RefusedError, match="does not name"):
            make_session(source, keys={source.id: KEY}).get(asking(source))
        assert other.asked == []


# ------------------------------------------------------------------------------ counting
def test_calls_are_counted_and_waited_for(source, make_session, clock):
    counted = replace(source, limits=replace(NO_LIMITS, calls_per_minute=10.0))
    session = make_session(counted, limits=RateLimits(None, clock=clock.clock))
    session.get(asking(source, weight=6.0))
    session.get(asking(source, weight=4.0))
    assert clock.slept == []
    session.get(asking(source, weight=1.0))
    assert clock.slept == [30.0]
