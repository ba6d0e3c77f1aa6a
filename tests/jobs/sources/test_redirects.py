"""Where a redirect may lead."""

from __future__ import annotations

import pytest

from jobs.sources.redirects import next_address
from jobs.sources.source import RefusedError

URL = "https://data.example/v1/a?x=1"


@pytest.mark.parametrize(
    ("url", "location", "expected"),
    [
        (URL, "/v2/a", "https://data.example/v2/a"),
        (URL, "b", "https://data.example/v1/b"),
        (URL, "https://data.example:443/v2", "https://data.example:443/v2"),
        (URL, "//data.example/v2", "https://data.example/v2"),
        (URL, "https://customer.example/v1", "https://customer.example/v1"),
        ("http://data.example/v1", "https://data.example/v1", "https://data.example/v1"),
        ("http://data.example/v1", "http://data.example/v2", "http://data.example/v2"),
    ],
)
def test_these_are_followed(url, location, expected):
    assert next_address(url, location, ("customer.example",)) == expected


@pytest.mark.parametrize(
    "location",
    [
        "",
        "https://evil.example/v1",
        "https://data.example.evil.example/v1",
        "https://data.example@evil.example/v1",
        "https://evil.example/customer.example",
        "https://customer.example.evil.example/",
        "http://data.example/v1",
        "https://data.example:8443/v1",
        "ftp://data.example/v1",
        "file:///etc/hosts",
    ],
)
def test_these_are_refused(location):
    with pytest.raises(RefusedError):
        next_address(URL, location, ("customer.example",))


def test_http_to_https_on_another_host_is_refused():
    with pytest.raises(RefusedError):
        next_address("http://data.example/", "https://evil.example/", ())
