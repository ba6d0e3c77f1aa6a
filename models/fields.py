"""Fields: what a formula takes and gives back, a number, a numpy array or a DataArray.

A formula of this floor is written once, as a kernel on numpy arrays. :func:`apply_kernel` lets the
kernel take any of the three, broadcasts DataArrays by the names of their dims, and labels the
result, so that no formula carries code for labels and no result carries the labels of its input.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from models.errors import ForepawError

Field = float | NDArray[Any] | xr.DataArray
FieldT = TypeVar("FieldT", float, NDArray[Any], xr.DataArray)

# Spellings of a unit met in files that follow CF or UDUNITS; the key is the house's own.
_SPELLINGS: Mapping[str, frozenset[str]] = {
    "degC": frozenset(
        {"degC", "deg_C", "°C", "C", "Celsius", "celsius", "degree_Celsius", "degrees_Celsius"}
    ),
    "%": frozenset({"%", "percent"}),
    "kPa": frozenset({"kPa"}),
    "m": frozenset({"m", "metre", "meter", "metres", "meters"}),
}


class FieldError(ForepawError):
    """Fields that cannot be combined, or that are not in the unit a formula asks for."""


def require_unit(field: Field, unit: str, what: str) -> None:
    """Refuse a DataArray whose ``units`` attribute names another unit; no attribute passes.

    Parameters
    ----------
    field
        The field to look at; numbers and numpy arrays carry no unit and pass.
    unit
        The unit asked for: ``degC``, ``%``, ``kPa`` or ``m``.
    what
        Name of the field in the error sentence.

    Raises
    ------
    FieldError
        If the attribute names another unit.
    """
    if not isinstance(field, xr.DataArray):
        return
    found = field.attrs.get("units")
    if found is not None and found not in _SPELLINGS[unit]:
        raise FieldError(
            f"{what} must be in {unit}, its units attribute says {found!r}; convert it first"
        )


def apply_kernel(
    kernel: Callable[..., Any],
    *arguments: Field,
    name: str,
    attrs: Mapping[str, Any],
    core_dims: Sequence[Sequence[str]] | None = None,
    output_core_dims: Sequence[Sequence[str]] = ((),),
) -> Any:
    """Run a numpy kernel on fields, and label what comes out.

    Parameters
    ----------
    kernel
        Function of as many float arrays as there are arguments. It gives one array, or a tuple
        where `output_core_dims` has several entries.
    *arguments
        The fields. DataArrays are broadcast by dim name and must agree on shared coordinates.
    name, attrs
        Name and attributes of a DataArray result; attributes of the arguments are not inherited,
        because a degree day is no temperature.
    core_dims
        For each argument the dims that the kernel wants last; numpy arrays have them last already.
    output_core_dims
        For each output the dims that the kernel adds at the end.

    Returns
    -------
    float, numpy array or DataArray, or a tuple of them
        DataArray where any argument is one; float where all are numbers.

    Raises
    ------
    FieldError
        If DataArrays disagree on the labels of a shared dim.
    """
    floats = [_as_float(argument) for argument in arguments]
    try:
        result = xr.apply_ufunc(
            kernel,
            *floats,
            input_core_dims=core_dims if core_dims is not None else [()] * len(floats),
            output_core_dims=output_core_dims,
            dask="parallelized",
            output_dtypes=[float] * len(output_core_dims),
        )
    except xr.AlignmentError as error:
        raise FieldError(
            f"{name}: the fields do not cover the same labels, select the common ones first "
            f"({error})"
        ) from error
    if len(output_core_dims) > 1:
        return tuple(_labelled(part, name, attrs) for part in result)
    return _labelled(result, name, attrs)


def _as_float(field: Field) -> NDArray[np.float64] | xr.DataArray:
    if isinstance(field, xr.DataArray):
        return field.astype(np.float64)
    return np.asarray(field, dtype=np.float64)


def _labelled(result: Any, name: str, attrs: Mapping[str, Any]) -> Any:
    if isinstance(result, xr.DataArray):
        labelled = result.rename(name)
        labelled.attrs = dict(attrs)
        return labelled
    return result if np.ndim(result) else float(result)
