"""The table of sources is whole, and says what a practice must know."""

from __future__ import annotations

import pytest

from jobs.sources.services import service
from jobs.sources.source import Request, SourceError, find_source, sources


@pytest.mark.parametrize("source", sources().values(), ids=lambda s: s.id)
def test_a_source_tells_its_terms_and_has_a_client(source):
    assert source.name
    assert source.licence
    assert source.terms.endswith(".")
    assert source.allowance_days >= source.lag_days
    assert source.limits.parallel >= 1
    assert source.limits.locations_per_request >= 1
    assert source.limits.largest_reply_bytes > 0
    assert callable(service(source).requests)
    assert callable(service(source).parse)


@pytest.mark.parametrize("source", sources().values(), ids=lambda s: s.id)
def test_a_service_is_asked_over_a_secure_connection(source):
    assert source.base_url.startswith(("https://", "file:"))
    assert {window for _, window in source.reset_words} <= {"second", "minute", "hour", "day"}


def test_a_family_gives_what_its_sources_leave_out():
    archive, pollen = find_source("open_meteo_archive"), find_source("open_meteo_pollen")
    assert "open_meteo" not in sources()
    assert archive.licence == pollen.licence == "CC BY 4.0"
    assert archive.limits.calls_per_day == pollen.limits.calls_per_day == 10_000
    assert archive.limits.days_per_request != pollen.limits.days_per_request


def test_the_free_services_terms_tell_a_practice_that_it_needs_a_key():
    for source in sources().values():
        if source.family == "open_meteo":
            assert "non-commercial" in source.terms
            assert "key" in source.terms


def test_an_unknown_source_is_named_with_the_nearest():
    with pytest.raises(SourceError, match="did you mean 'open_meteo_archive'"):
        find_source("open_meteo_archiv")


def test_an_address_keeps_commas_and_escapes_the_rest():
    request = Request("x", "GET", "http://a.example/b", (("q", "1,2"), ("r", "a b&c")))
    assert request.full_url == "http://a.example/b?q=1,2&r=a+b%26c"
