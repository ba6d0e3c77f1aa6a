"""Water vapour against FAO Irrigation and Drainage Paper 56 (Allen et al. 1998), chapter 3."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from models.humidity import (
    air_pressure,
    mixing_ratio,
    saturation_vapour_pressure,
    vapour_pressure_deficit,
)


def test_example_3_mean_saturation_vapour_pressure():
    """FAO-56 example 3, repeated in the NCL manual (satvpr_temp_fao56): 24.5 and 15 degC."""
    at_maximum, at_minimum = saturation_vapour_pressure(24.5), saturation_vapour_pressure(15.0)
    assert at_maximum == pytest.approx(3.075, abs=0.00051)
    assert at_minimum == pytest.approx(1.705, abs=0.00051)
    assert (at_maximum + at_minimum) / 2 == pytest.approx(2.39, abs=0.0051)


@pytest.mark.parametrize(("celsius", "kpa"), [(1, 0.657), (15, 1.705), (25, 3.168), (35, 5.623)])
def test_table_2_3(celsius, kpa):
    """FAO-56 annex 2, table 2.3 (entries from memory; the values follow from equation 11)."""
    assert saturation_vapour_pressure(float(celsius)) == pytest.approx(kpa, abs=0.00051)


def test_deficit_of_half_saturated_air():
    """Half of what 25 degC air can hold is missing at 50 % (computed: 1.584 kPa)."""
    assert vapour_pressure_deficit(50.0, 25.0) == pytest.approx(1.584, abs=0.00051)


def test_example_2_air_pressure_at_1800_m():
    """FAO-56 example 2, by equation 7, as repeated in the NCL manual (psychro_fao56): 81.76 kPa."""
    assert air_pressure(1800.0) == pytest.approx(81.76, abs=0.0051)
    assert air_pressure(0.0) == pytest.approx(101.3, abs=1e-9)


def test_mixing_ratio_by_hand():
    """By hand, w = 622 e / (P - e): 1.3 kPa of vapour in 101.3 kPa of air."""
    assert mixing_ratio(1.3) == pytest.approx(622 * 1.3 / 100, rel=1e-12)
    assert mixing_ratio(1.0, pressure=81.0) == pytest.approx(622 * 1.0 / 80, rel=1e-12)


def test_agrees_with_other_formulas_in_xclim():
    """Within 0.3 % of Sonntag's 1990 formula from 0 to 45 degC: Tetens' form is that good."""
    indices = pytest.importorskip("xclim.indices")
    tas = xr.DataArray(np.arange(0.0, 46.0), dims="case", attrs={"units": "degC"})
    theirs = indices.saturation_vapor_pressure(tas, method="sonntag90") / 1000.0
    ours = saturation_vapour_pressure(tas)
    np.testing.assert_allclose(ours.values, theirs.values, rtol=0.003)
