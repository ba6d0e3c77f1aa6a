"""The section [pages]: where it is bound to, and that no password goes out in plain text."""

from __future__ import annotations

import pytest

from forecast.practice import PracticeError, create_practice, template


def opened(tmp_path, lines):
    return create_practice(tmp_path / "practice", f"{template()}\n[pages]\n{lines}\n")


def test_by_default_it_is_for_this_machine_alone(tmp_path):
    """Nothing is said of it in a first practice.toml."""
    pages = create_practice(tmp_path / "practice").settings.pages
    assert (pages.address, pages.port, pages.public_address) == ("127.0.0.1", 8400, None)
    assert pages.trusted_proxies == ()


def test_behind_a_proxy(tmp_path):
    """As the template's comment shows it, and bound to all addresses of a container."""
    section = template().split("# [pages]\n")[1].split("\n\n")[0]
    shown = section.replace("# ", "")
    pages = opened(tmp_path, shown + '\naddress = "0.0.0.0"').settings.pages
    assert pages.public_address == "https://forepaw.practice.example"
    assert pages.trusted_proxies == ("127.0.0.1",)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('address = "localhost"', 'such as "127.0.0.1"'),
        ('address = "0.0.0.0"', "set public_address to the https:// address of the proxy"),
        ('address = "192.168.0.5"', "set public_address to the https:// address of the proxy"),
        ('public_address = "http://forepaw.example"', "it must begin with https://"),
        ('public_address = "https://forepaw.example/"', "nothing behind the host"),
        ('public_address = "https://Forepaw.example"', "in lower case"),
        ('public_address = "https://me@forepaw.example"', "in lower case"),
        ('trusted_proxies = ["*"]', "'*' is no address of a proxy"),
        ("port = 0", "greater than or equal to 1"),
        ('adress = "127.0.0.1"', "did you mean 'address'?"),
    ],
)
def test_a_slip_is_refused_with_what_is_allowed(tmp_path, lines, words):
    """Among them every way in which passwords would go out in plain text."""
    with pytest.raises(PracticeError) as refused:
        opened(tmp_path, lines)
    assert words in str(refused.value)
    assert "[pages]" in str(refused.value)
