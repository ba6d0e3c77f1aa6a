"""`forepaw init` with a town or coordinates: a practice that works; guesses are told."""

from __future__ import annotations

import pytest

from forecast.practice import open_practice
from forecast.records import open_records
from forecast.records.branches import branches


def test_a_town_makes_a_practice_that_can_pull_at_once(tmp_path, forepaw):
    """Settings, records, one branch with its days; each source's terms are told."""
    folder = tmp_path / "clinic"
    ran = forepaw(
        "init",
        folder,
        "--town",
        "Zurich",
        "--elevation",
        431,
        "--opening",
        "sat 9-12 mon tue 8:00-18:00",
    )
    assert ran.code == 0, ran.err
    practice = open_practice(folder)
    (region,) = practice.settings.region
    assert (region.id, region.elevation, region.time_zone) == ("zurich", 431.0, "Europe/Zurich")
    assert practice.settings.practice.country == "CH"
    assert [p.source for p in practice.settings.pull] == [
        "nasa_power",
        "meteoswiss_pollen",
        "meteoswiss_phenology",
    ]
    (branch,) = branches(open_records(practice)).values()
    assert (branch.id, branch.region_id, branch.open_days) == (
        "main",
        "zurich",
        ("mon", "tue", "sat"),
    )
    assert branch.opening == "mon 08:00-18:00 tue 08:00-18:00 sat 09:00-12:00"
    assert "open mon 08:00-18:00 tue" in " ".join(ran.out.split())
    assert "nasa_power: NASA POWER is free of charge" in ran.out
    assert "forepaw pull" in ran.out
    assert "elevation: not known" not in ran.out


def test_coordinates_always_work_and_guesses_are_told(tmp_path, forepaw):
    """The nearest town's zone, no height, no country."""
    folder = tmp_path / "clinic"
    ran = forepaw("init", folder, "--latitude", "48.4", "--longitude", "9.98", "--name", "Ulm vets")
    assert ran.code == 0, ran.err
    practice = open_practice(folder)
    (region,) = practice.settings.region
    assert (region.id, region.latitude, region.longitude) == ("home", 48.4, 9.98)
    assert practice.settings.practice.name == "Ulm vets"
    assert practice.settings.practice.country is None
    assert "the nearest town known" in ran.out
    assert "elevation: not known, set to 0 m" in ran.out
    assert [p.source for p in practice.settings.pull] == ["nasa_power"]


def test_what_is_said_goes_before_what_is_guessed(tmp_path, forepaw):
    """A country brings its own services."""
    folder = tmp_path / "clinic"
    place = ("--latitude", "48.4", "--longitude", "9.98", "--elevation", "478")
    ran = forepaw("init", folder, *place, "--country", "de", "--time-zone", "Europe/Berlin")
    assert ran.code == 0, ran.err
    practice = open_practice(folder)
    assert practice.settings.region[0].time_zone == "Europe/Berlin"
    assert [p.source for p in practice.settings.pull] == ["nasa_power", "dwd_phenology"]
    assert "nearest town" not in ran.out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--town", "Zurch"), "did you mean 'Zurich'"),
        (("--latitude", "47"), "give both"),
        (("--latitude", "147", "--longitude", "8"), "allowed are -90 to 90"),
        (("--opening", "mon"), "without saying where"),
        (("--town", "Zurich", "--opening", "mo"), "found 'mo'"),
        (("--town", "Zurich", "--country", "Swiss"), "country"),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_made(tmp_path, forepaw, words, told):
    """One sentence; the folder is not there afterwards."""
    folder = tmp_path / "clinic"
    ran = forepaw("init", folder, *words)
    assert ran.code == 2
    assert told in ran.err
    assert not folder.exists()


def test_on_a_terminal_it_asks(tmp_path, forepaw, monkeypatch):
    """Town, height, hours; an empty answer leaves a thing as it is, a wrong one is asked again."""
    answers = iter(
        ["Lake vets", "zurch", "zurich", "high", "431 m", "mondays", "mon-fri 8-12 14-18", ""]
    )
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("typer.prompt", lambda *_, **__: next(answers))
    ran = forepaw("init", tmp_path / "clinic")
    assert ran.code == 0, ran.err
    practice = open_practice(tmp_path / "clinic")
    assert practice.settings.practice.name == "Lake vets"
    assert practice.settings.region[0].elevation == 431.0
    assert "did you mean 'Zurich'?" in ran.out
    assert "'high' was given; a number from" in ran.out
    (branch,) = branches(open_records(practice)).values()
    assert branch.open_days == ("mon", "tue", "wed", "thu", "fri")
    assert [str(span) for span in branch.hours[:2]] == ["08:00-12:00", "14:00-18:00"]
    assert list(answers) == []


def test_on_a_terminal_it_asks_for_coordinates_where_no_town_is_named(
    tmp_path, forepaw, monkeypatch
):
    """A latitude that is none is asked again."""
    answers = iter(["", "", "99", "48,1", "11.6", "", "DE", "", "", ""])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("typer.prompt", lambda *_, **__: next(answers))
    ran = forepaw("init", tmp_path / "clinic")
    assert ran.code == 0, ran.err
    practice = open_practice(tmp_path / "clinic")
    (region,) = practice.settings.region
    assert (region.latitude, region.longitude) == (48.1, 11.6)
    assert [p.source for p in practice.settings.pull] == ["nasa_power", "dwd_phenology"]
    assert "hours not said" in ran.out
    assert list(answers) == []


def test_without_a_word_and_without_a_terminal_the_example_is_written(tmp_path, forepaw):
    """As the template stands, and that is said."""
    ran = forepaw("init", tmp_path / "clinic")
    assert ran.code == 0
    assert "they are an example" in ran.out
    assert open_practice(tmp_path / "clinic").settings.pull == ()
