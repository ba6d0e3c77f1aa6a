from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from models.fields import FieldError, apply_kernel, require_unit


def add(a, b):
    return a + b


def test_numbers_give_a_number_and_arrays_an_array():
    """What comes out is of the kind that went in."""
    assert apply_kernel(add, 1, 2, name="sum", attrs={}) == 3.0
    assert isinstance(apply_kernel(add, 1, 2, name="sum", attrs={}), float)
    np.testing.assert_array_equal(
        apply_kernel(add, np.array([1, 2]), 1, name="sum", attrs={}), [2.0, 3.0]
    )


def test_labelled_fields_are_broadcast_by_dim_name():
    """Two DataArrays of unlike dims give their outer product, with its own name and attributes."""
    region = xr.DataArray([1.0, 2], dims="region", name="tas", attrs={"units": "degC"})
    time = xr.DataArray([10.0, 20, 30], dims="time")
    total = apply_kernel(add, region, time, name="sum", attrs={"units": "1"})
    assert total.sizes == {"region": 2, "time": 3}
    assert (total.name, total.attrs) == ("sum", {"units": "1"})
    assert total.values.tolist() == [[11, 21, 31], [12, 22, 32]]


def test_inputs_are_left_as_they_were():
    """Labelling the result does not touch the attributes of the input."""
    field = xr.DataArray([1.0], dims="time", attrs={"units": "degC"})
    apply_kernel(np.negative, field, name="negative", attrs={"units": "1"})
    assert field.attrs == {"units": "degC"}


def test_unlike_labels_are_refused_not_dropped():
    """Two series of other days are an error, never their silent intersection."""
    a = xr.DataArray([1.0, 2], dims="time", coords={"time": [0, 1]})
    with pytest.raises(FieldError, match="do not cover the same labels"):
        apply_kernel(add, a, a.assign_coords(time=[1, 2]), name="sum", attrs={})


@pytest.mark.parametrize("spelling", ["degC", "degrees_Celsius", "°C"])
def test_spellings_of_a_unit_pass(spelling):
    """CF and UDUNITS spellings of degree Celsius are known."""
    require_unit(xr.DataArray(1.0, attrs={"units": spelling}), "degC", "tas")


def test_fields_without_a_unit_pass():
    """Numbers, arrays and DataArrays that say nothing are taken as documented."""
    for field in (1.0, np.ones(2), xr.DataArray(1.0)):
        require_unit(field, "degC", "tas")


def test_kelvin_is_refused_by_name():
    """The sentence says which field, what is allowed and what was found."""
    with pytest.raises(FieldError, match=r"tasmax must be in degC.*'K'.*convert"):
        require_unit(xr.DataArray(290.0, attrs={"units": "K"}), "degC", "tasmax")
