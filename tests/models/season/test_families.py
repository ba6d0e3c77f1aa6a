import numpy as np
import pytest

from models.season.families import (
    FIELDS,
    Continuation,
    ParameterSets,
    SeasonDays,
    chill_days,
    development,
    flowering_days,
)


def one_set(**values):
    """Return one set: all zero but what is given; the temperature is tasmax."""
    row = dict.fromkeys(FIELDS, 0.0) | {"daytime_share": 1.0, "start": 1.0} | values
    return ParameterSets(np.array([[row[name] for name in FIELDS]]))


def steady(level, *, n_days=100, light=10.0):
    """Return one season that is the same every day."""
    field = np.full((1, n_days), float(level))
    return SeasonDays(field, field, np.full((1, n_days), float(light)), np.zeros(1, int))


def test_a_sum_is_crossed_within_its_day():
    """Adding 2 a day from day 1 on, 5 is reached in the middle of day 3, which is its noon."""
    sets = one_set(rate=0, base=2.0, requirement=5.0)
    assert flowering_days(sets, steady(4))[0, 0] == pytest.approx(3.0)
    sets = one_set(rate=0, base=2.0, requirement=4.0)
    assert flowering_days(sets, steady(4))[0, 0] == pytest.approx(2.5)


@pytest.mark.parametrize(
    ("temperature", "rate"),
    # Triangle between -3.4 and 10.4 with its top at 3.5: (0 + 3.4) / 6.9, (10.4 - 8) / 6.9.
    [(-5.0, 0.0), (0.0, 3.4 / 6.9), (3.5, 1.0), (8.0, 2.4 / 6.9), (12.0, 0.0)],
)
def test_chill_follows_the_triangle(temperature, rate):
    """The chill day of a steady temperature is the height of the triangle there."""
    field = np.full((1, 3), temperature)
    np.testing.assert_allclose(chill_days(field, field), [[rate, 2 * rate, 3 * rate]])


def test_thermal_time_takes_days_over_its_base():
    """Base 4, 10 degC: 6 a day from day 20 on; 60 is reached after ten days, at day 29.5."""
    found = flowering_days(one_set(rate=0, base=4, start=20, requirement=60), steady(10))
    assert found[0, 0] == pytest.approx(20 + 10 - 0.5)


def test_sigmoid_forcing_is_a_half_at_its_midpoint():
    """Half a unit a day: 10 units take twenty days."""
    sets = one_set(rate=1, family=1, slope=0.2, midpoint=12, start=20, requirement=10)
    assert flowering_days(sets, steady(12))[0, 0] == pytest.approx(39.5)


def test_exponential_forcing_stops_rising_at_its_ceiling():
    """35 and 30 degC force alike, exp(3) a day at 0.1 per kelvin: ten days' worth takes ten."""
    sets = one_set(rate=2, family=2, exponent=0.1, start=20, requirement=10 * np.exp(3.0))
    for level in (30, 35):
        assert flowering_days(sets, steady(level))[0, 0] == pytest.approx(29.5)


def test_long_days_speed_photothermal_development():
    """Twenty hours of light with exponent 1 count double those of ten."""
    sets = one_set(rate=0, family=5, base=4, start=20, requirement=60, photoperiod=1.0)
    assert flowering_days(sets, steady(10, light=20))[0, 0] == pytest.approx(24.5)
    assert flowering_days(sets, steady(10, light=10))[0, 0] == pytest.approx(29.5)


def test_ten_more_chill_days_lower_the_requirement_by_the_effect():
    """At 3.5 degC each day chills: 31 chill days by day 30, ten above the mean of 21.

    With an effect of ln 2 the requirement of 60 halves to 30, and with base 0.5 3 a day come in.
    """
    values = {"family": 3, "rate": 0, "base": 0.5, "start": 30, "requirement": 60}
    sets = one_set(**values, chill_effect=np.log(2.0), mean_chill=21.0)
    assert flowering_days(sets, steady(3.5))[0, 0] == pytest.approx(39.5)


def test_the_sequential_family_waits_for_its_chill():
    """At 3.5 degC seventy chill days are gathered by day 69; then 3 a day make 30 in ten days."""
    sets = one_set(family=4, rate=0, base=0.5, start=0, chill_need=70, requirement=30)
    assert flowering_days(sets, steady(3.5, n_days=120))[0, 0] == pytest.approx(78.5)


def test_a_winter_that_never_warms_has_no_flowering():
    """At frost a thermal sum over 4 degC never comes to 60."""
    sets = one_set(rate=0, base=4, start=20, requirement=60)
    assert np.isnan(flowering_days(sets, steady(-5))[0, 0])


def test_a_day_that_is_not_known_gives_no_date_past_it():
    """A season known to day 25 only, continued by nothing, has no day; one known to 40 has its."""
    days = steady(10)
    days.tasmin[:, 40:] = np.nan
    sets = one_set(rate=0, base=4, start=20, requirement=60)
    assert flowering_days(sets, days)[0, 0] == pytest.approx(29.5)
    days.tasmin[:, 25:] = np.nan
    assert np.isnan(flowering_days(sets, days)[0, 0])


def test_a_season_goes_on_with_its_lenders_weather():
    """Ten days at 6 a day make 60 by day 29.5; known to day 25, each lender brings the rest.

    Thirty are met by the end of day 24. A lender of 14 degC adds 10 a day: three days more, to
    27.5. One of 10 degC lying five years before, in a climate that warms by 0.8 a year, is as
    warm; so is one beside which the weeks before were 8 K warmer, half of which stays.
    """
    low = np.full((4, 100), 10.0)
    low[1] = 14.0
    days = SeasonDays(low, low, np.full((1, 100), 10.0), np.zeros(4, int))
    sets = one_set(rate=0, base=4, start=20, requirement=60)
    how = Continuation(
        own=np.array([0]),
        known=np.array([25]),
        lenders=np.array([[0, 1, 2, 3]]),
        years=np.array([[0.0, 0.0, 5.0, 0.0]]),
        warmer=np.full(100, 0.8),
        excess=np.array([[0.0, 0.0, 0.0, 8.0]]),
        fading=np.full(100, 0.5),
    )
    found = flowering_days(sets, days, how)
    np.testing.assert_allclose(found[0, 0], [29.5, 27.5, 27.5, 27.5])


def test_what_is_asked_of_the_requirement_is_what_meets_it():
    """The requirement met at noon of a set's own day is its requirement; a day brings its rate."""
    rng = np.random.default_rng(0)
    low = rng.normal(5, 3, (50, 120))
    days = SeasonDays(low, low + 8, np.full((1, 120), 11.0), np.zeros(50, int))
    sets = one_set(rate=2, family=3, exponent=0.1, start=10, chill_effect=0.1, requirement=80)
    found = np.round(flowering_days(sets, days)[0])
    reached, pace = development(sets, days, found, near=0)
    again = flowering_days(sets.replaced(requirement=reached[0, :1]), days)[0, 0]
    assert again == pytest.approx(found[0], abs=0.01)
    assert (np.abs(reached[0] - 80) <= 0.51 * pace[0]).all()
