"""The section of practice.toml that sets the clock."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from forecast.practice import PracticeError, create_practice, open_practice, template

NOW = datetime(2024, 5, 31, 20, 0, tzinfo=UTC)


def opened(tmp_path, lines: str):
    return create_practice(tmp_path / "practice", f"{template()}\n[clock]\n{lines}\n", now=NOW)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('issue = "5:00"', "issue is '5:00'; it must be a local time such as \"03:30\""),
        ('issue = "24:00"', "it must be a local time"),
        ('issue = "05:00Z"', "it must be a local time"),
        ('issue = "T0500"', "it must be a local time"),
        ("issue = 5", "issue is 5; it must be a valid string"),
        ('isue = "05:00"', "did you mean 'issue'?"),
        ('send = "05:00"', "send is not a setting"),
        ('learn_on = "sunday"', "'sun'"),
        ('time_zone = "Europe/Berln"', "did you mean 'Europe/Berlin'?"),
        ('drop_folder = "climate"', "not one that this service uses"),
        ('drop_folder = "../files"', "a path that begins with /"),
        ('drop_folder = ""', "a path that begins with /"),
    ],
)
def test_a_slip_is_refused_with_what_is_allowed(tmp_path, line, words):
    """And with its line."""
    with pytest.raises(PracticeError) as refused:
        opened(tmp_path, line)
    assert words in str(refused.value)
    assert f"line {len(template().splitlines()) + 3}" in str(refused.value)


def test_the_drop_folder_is_made_in_the_practice_and_nowhere_else(tmp_path):
    """One elsewhere belongs to somebody else; it may be a share that is not there just now."""
    practice = opened(tmp_path, "")
    assert practice.drop_folder == practice.folder / "drop"
    assert practice.drop_folder.stat().st_mode & 0o777 == 0o700
    text = practice.settings_file.read_text()
    practice.settings_file.write_text(text + f'drop_folder = "{tmp_path}/share"\n')
    moved = open_practice(practice.folder, now=NOW)
    assert moved.drop_folder == tmp_path / "share"
    assert not moved.drop_folder.exists()


def test_the_clock_reads_its_times_in_the_first_regions_zone_unless_told(tmp_path):
    """Seoul in the template."""
    assert opened(tmp_path / "a", "").time_zone.key == "Asia/Seoul"
    assert opened(tmp_path / "b", 'time_zone = "Europe/Berlin"').time_zone.key == "Europe/Berlin"
