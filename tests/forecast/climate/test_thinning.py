"""Which named snapshots stay, told by hand and by what must hold of any names."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from forecast.climate.thinning import ages, names_to_keep

TODAY = date(2026, 6, 30)  # a Tuesday; 90 days before it is Wednesday 1 April 2026
NOON = datetime(2026, 6, 30, 12, tzinfo=UTC)


def at(day: str, hour: int = 12) -> datetime:
    return datetime.fromisoformat(f"{day}T{hour:02d}:00+00:00")


def kept(*days: str, cited: tuple[str, ...] = ()) -> list[str]:
    return sorted(names_to_keep({day: at(day) for day in days}, today=TODAY, cited=cited))


def test_nothing_younger_than_90_days_goes():
    """2 April is 89 days old, 1 April 90: of its week only the newest of that age stays."""
    assert kept("2026-04-02", "2026-04-03", "2026-06-29", "2026-06-30") == [
        "2026-04-02", "2026-04-03", "2026-06-29", "2026-06-30",
    ]  # fmt: skip
    assert kept("2026-03-30", "2026-03-31", "2026-04-01", "2026-04-02") == [
        "2026-04-01", "2026-04-02",
    ]  # fmt: skip


def test_then_the_newest_of_each_iso_week_stays():
    """Monday 5 to Sunday 11 January is a week; so is Monday 29 December to Sunday 4 January."""
    days = ("2025-12-29", "2026-01-02", "2026-01-04", "2026-01-05", "2026-01-08", "2026-01-11")
    assert kept(*days) == ["2026-01-04", "2026-01-11"]


def test_then_the_newest_of_each_month_stays():
    """From 730 days on, that is up to 30 June 2024; the week of then still counts by itself."""
    old = ("2024-05-01", "2024-05-31", "2024-06-03", "2024-06-29", "2024-06-30")
    assert kept(*old) == ["2024-05-31", "2024-06-30"]
    assert kept("2024-06-29", "2024-06-30", "2024-07-01", "2024-07-05", "2024-07-08") == [
        "2024-06-30", "2024-07-05", "2024-07-08",
    ]  # fmt: skip


def test_of_several_of_a_day_the_last_stays():
    """By its moment, not by its name."""
    named = {"b": at("2025-11-03", 8), "a": at("2025-11-03", 9)}
    assert names_to_keep(named, today=TODAY, cited=()) == {"a"}


def test_what_is_cited_stays_beside_the_newest():
    """A citation of what is not there any more makes no difference."""
    days = ("2023-02-01", "2023-02-02", "2023-02-03")
    assert kept(*days, cited=("2023-02-01", "gone")) == ["2023-02-01", "2023-02-03"]


named_snapshots = st.dictionaries(
    st.text("abcdef", min_size=1, max_size=4),
    st.integers(0, 60 * 24 * 1200).map(lambda minutes: NOON - timedelta(minutes=minutes)),
    max_size=40,
)


@given(named_snapshots, st.sets(st.text("abcdef", min_size=1, max_size=4), max_size=3))
def test_once_is_as_good_as_twice_and_order_does_not_matter(named, cited):
    """Thinning what was thinned changes nothing, nor does the order in which names are given."""
    once = names_to_keep(named, today=TODAY, cited=cited)
    left = {name: named[name] for name in once}
    assert names_to_keep(left, today=TODAY, cited=cited) == once
    backwards = dict(reversed(list(named.items())))
    assert names_to_keep(backwards, today=TODAY, cited=cited) == once
    assert {name for name in cited if name in named} <= once <= set(named)


@given(named_snapshots)
def test_what_goes_has_a_newer_one_of_its_week_or_month_that_stays(named):
    """And is itself old enough; so no week of two years, and no month before, is left empty."""
    once = names_to_keep(named, today=TODAY, cited=())
    for name in set(named) - once:
        day = named[name].date()
        age = (TODAY - day).days
        assert age >= ages().weekly
        newer = [
            other
            for other in once
            if named[other] >= named[name]
            and (
                named[other].date().isocalendar()[:2] == day.isocalendar()[:2]
                if age < ages().monthly
                else (named[other].year, named[other].month) == (day.year, day.month)
            )
        ]
        assert newer


def test_what_is_named_daily_for_four_years_stays_a_few_hundred():
    """90 days, at most 93 weeks of the 640 days up to 730, and a month each before."""
    named: dict[str, datetime] = {}
    first = date(2022, 7, 1)
    for number in range((TODAY - first).days + 1):
        today = first + timedelta(days=number)
        named[str(today)] = at(str(today))
        stay = names_to_keep(named, today=today, cited=())
        named = {name: named[name] for name in stay}
    by_age = sorted((TODAY - moment.date()).days for moment in named.values())
    assert by_age[:90] == list(range(90))
    assert 91 <= sum(90 <= age < 730 for age in by_age) <= 93
    months = sorted((m.year, m.month) for m in named.values() if (TODAY - m.date()).days >= 730)
    assert months == [(2022, n) for n in range(7, 13)] + [
        (year, n) for year in (2023, 2024) for n in range(1, 13) if (year, n) <= (2024, 6)
    ]
