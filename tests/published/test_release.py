"""Published constants of pollen release and of the season models, beside their sources.

Sofiev M. et al. 2013, International Journal of Biometeorology 57:45-58: limits and widths as
commonly implemented; linear shapes and the wind factor from memory. The decimals are arithmetic on
those limits, written out.
"""

import numpy as np
import pytest
import xarray as xr

from models.allergens import allergen
from models.exposure import humidity_factor, rain_factor, wet_hours, wind_factor
from models.parameters import load_table
from models.season.fraction import FuzzySeason


@pytest.mark.parametrize(
    ("humidity", "factor"),
    [
        (30.0, 1.0),
        (50.0, 1.0),  # limit, as commonly implemented
        (60.0, (80 - 60) / (80 - 50)),
        (65.0, 0.5),
        (80.0, 0.0),  # limit, as commonly implemented
        (95.0, 0.0),
    ],
)
def test_humidity_hinders_release_between_50_and_80_percent(humidity, factor):
    """f_RH is 1 up to 50 %, 0 from 80 % on, and linear between."""
    assert float(humidity_factor(xr.DataArray(humidity))) == pytest.approx(factor, abs=1e-12)


@pytest.mark.parametrize(("rate", "factor"), [(0.1, 0.8), (0.25, 0.5), (0.5, 0.0), (2.0, 0.0)])
def test_rain_stops_release_at_half_a_millimetre_an_hour_in_its_wet_hours(rate, factor):
    """In the wet hours of a day f_P is linear from 1 at no rain to 0 at 0.5 mm/h."""
    table = load_table("models", "exposure.toml")
    a, b = table.number("rain.wet_hours_factor"), table.number("rain.wet_hours_exponent")
    total = (rate * a) ** (1 / (1 - b))  # solves total / (a total^b) = rate
    hours = a * total**b
    assert hours < 24
    assert float(wet_hours(xr.DataArray(total))) == pytest.approx(hours)
    of_day = (24 - hours) / 24 * 1.0 + hours / 24 * factor
    assert float(rain_factor(xr.DataArray(total))) == pytest.approx(of_day, abs=1e-12)


@pytest.mark.parametrize(
    ("wind", "factor"),
    [(0, 0.5), (1, 0.6813), (2, 0.8297), (5, 1.1321), (10, 1.3647), (20, 1.4817)],
)
def test_wind_promotes_release(wind, factor):
    """f_w = 1.5 - exp(-U/5): half in still air, approaching one and a half in a storm."""
    assert float(wind_factor(xr.DataArray(float(wind)))) == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize(("share", "factor"), [(0.8, 0.0), (0.9, 0.25), (1.0, 0.5), (1.1, 0.75)])
def test_the_onset_threshold_of_birch_is_fuzzy_by_20_percent(share, factor):
    """F_in rises linearly between 80 and 120 % of the onset sum (far from the season's end)."""
    birch = allergen("birch")
    season = FuzzySeason(100.0, 1e6, birch.number("fuzziness_in"), birch.number("fuzziness_out"))
    assert season.rate_share(np.array([share * 100.0]))[0] == pytest.approx(factor, abs=1e-9)


@pytest.mark.parametrize(("past", "factor"), [(0.8, 1.0), (0.9, 0.75), (1.0, 0.5), (1.1, 0.25)])
def test_the_end_of_birch_is_the_mirror_image(past, factor):
    """F_out falls linearly between 80 and 120 % of the season's length after the onset."""
    birch = allergen("birch")
    season = FuzzySeason(1.0, 1000.0, birch.number("fuzziness_in"), birch.number("fuzziness_out"))
    at = np.array([1.0 + past * 1000.0])
    assert season.rate_share(at)[0] == pytest.approx(factor, abs=1e-9)


@pytest.mark.parametrize(
    ("identity", "name", "value", "status"),
    [
        # Sofiev et al. 2013 (after Linkosalo et al. 2010, Agric For Meteorol 150:1579)
        ("birch", "base", 3.5, "as commonly implemented"),
        ("birch", "season_length", 50.0, "as commonly implemented"),
        ("birch", "fuzziness_in", 0.2, "as commonly implemented"),
        ("birch", "start", "03-01", "from memory"),
        # Garcia-Mozo et al. 2000, Grana 39:194-199, Cordoba
        ("oak", "base", 11.0, "published"),
        ("oak", "heat_method", "sine", "published"),
        # Emberlin et al. 1993, Clin Exp Allergy, London
        ("grasses", "base", 5.5, "published"),
        # Deen, Hunt & Swanton 1998, Weed Science 46:555-560
        ("ragweed", "base", 8.0, "published"),
        ("ragweed", "optimum", 31.7, "published"),
        ("ragweed", "optimal_day", 14.0, "published"),
    ],
)
def test_the_catalogue_carries_the_published_values(identity, name, value, status):
    """What is published stands in the table unchanged, and says how far it was verified."""
    found = allergen(identity).parameters[name]
    assert (found.value, found.status) == (value, status)


def test_the_cedar_sum_lies_within_the_rule_of_thumb():
    """Japanese forecasters' rule, from memory: 300 to 400 degree-days of maxima from 1 January."""
    cedar = allergen("japanese_cedar")
    assert 300 <= cedar.number("onset_sum") <= 400
    assert cedar.text("heat_method") == "maximum"
    assert cedar.text("start") == "01-01"
