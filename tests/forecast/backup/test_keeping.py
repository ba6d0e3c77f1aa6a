"""How many back-ups stay, and where the rule is read."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from forecast.backup.keeping import (
    KeepRule,
    backup_name,
    backups,
    keep_rule,
    newest_backup,
    staying,
    thin_out,
)
from forecast.practice import create_practice, parse_settings, template


def noon(year: int, month: int, day: int) -> datetime:
    return datetime(year, month, day, 12, tzinfo=UTC)


def test_the_newest_stay_then_one_a_week_then_one_a_month():
    """Nightly ones from Monday 1 January to Sunday 31 March 2024, kept 3 + 2 weeks + 2 months.

    Newest: 29, 30, 31 March. Before them: Thursday 28 March is the newest of its week, Sunday
    24 March of the week before. Of months: 28 March, the newest of those not among the newest
    three, and 29 February.
    """
    nights = [noon(2024, 1, 1) + timedelta(days=n) for n in range(91)]
    stay = staying(nights, KeepRule(newest=3, weekly=2, monthly=2))
    assert sorted(stay) == [
        noon(2024, 2, 29),
        noon(2024, 3, 24),
        *(noon(2024, 3, day) for day in (28, 29, 30, 31)),
    ]


def test_time_alone_takes_none_away():
    """Two back-ups years apart: each is the only one of its week and month."""
    old = [noon(2019, 5, 1), noon(2022, 6, 1), noon(2024, 3, 1)]
    assert staying(old, KeepRule(newest=1, weekly=2, monthly=2)) == set(old)


RULES = st.builds(KeepRule, st.integers(1, 9), st.integers(0, 9), st.integers(0, 9))
MOMENTS = st.lists(st.integers(0, 3000), unique=True, max_size=60).map(
    lambda days: [noon(2020, 1, 1) + timedelta(days=day) for day in days]
)


@given(MOMENTS, RULES)
def test_thinning_again_changes_nothing_and_the_newest_never_goes(moments, rule):
    """Whatever the rule; and no more stay than it says."""
    stay = staying(moments, rule)
    assert staying(list(stay), rule) == stay
    assert len(stay) <= sum(rule)
    assert set(sorted(moments)[-rule.newest :]) <= stay


def test_only_what_is_named_as_a_back_up_is_counted_and_deleted(tmp_path):
    """Files of others in the folder are left alone."""
    for day in (1, 2, 3):
        (tmp_path / backup_name(noon(2024, 5, day))).touch()
    others = [tmp_path / name for name in ("erased.jsonl", "forepaw-1.tar.gz", "notes.txt")]
    for path in others:
        path.touch()
    gone = thin_out(tmp_path, KeepRule(1, 0, 1))
    assert gone == [tmp_path / "forepaw-20240501T120000Z.tar.gz"]
    assert list(backups(tmp_path).values()) == [noon(2024, 5, 2), noon(2024, 5, 3)]
    assert all(path.exists() for path in others)


def test_the_settings_go_before_the_table(tmp_path):
    """What [backup] leaves out comes from backup.toml."""
    practice = create_practice(tmp_path / "practice")
    assert practice.backups_folder == tmp_path / "practice-backups"
    assert newest_backup(practice) is None
    assert keep_rule(practice) == KeepRule(7, 8, 12)
    said = parse_settings(template().replace("# newest = 7", 'newest = 2\nfolder = "../elsewhere"'))
    practice = replace(practice, settings=said)
    assert keep_rule(practice) == KeepRule(2, 8, 12)
    practice.backups_folder.mkdir()
    (tmp_path / "elsewhere" / backup_name(noon(2024, 5, 1))).touch()
    assert newest_backup(practice) == noon(2024, 5, 1)
