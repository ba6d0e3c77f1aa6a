"""Weekly counts of the R package surveillance 1.20.3 (GPL-2), read from its unpacked files.

Nothing of it is kept in the project. How to get it on Debian, without R::

    apt-get download r-cran-surveillance && dpkg -x r-cran-surveillance_*.deb unpacked
    pip install rdata
    export FOREPAW_SURVEILLANCE=unpacked/usr/lib/R/site-library/surveillance/data
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

BAVARIA = "9"  # first digit of the codes of its districts


def weekly_series(folder: Path) -> dict[str, xr.DataArray]:
    """Return each series as counts ``(region, week)``, weeks named by their Monday."""
    salmonellosis = _read(folder, "salmHospitalized")
    campylobacteriosis = _read(folder, "campyDE")
    influenza = _read(folder, "fluBYBW")
    deaths = _read(folder, "momo")
    by_district = influenza.observed
    district = [str(code) for code in by_district.coords[by_district.dims[1]].values]
    in_bavaria = np.array([code.startswith(BAVARIA) for code in district])
    flu = np.asarray(by_district, dtype=float)
    return {
        "salmonellosis in hospital, Germany": _series(
            {"Germany": _total(salmonellosis)}, "2004-01-05"
        ),
        "campylobacteriosis, Germany": _series(
            {"Germany": np.asarray(campylobacteriosis["case"], dtype=float)}, "2001-12-31"
        ),
        "influenza, two German states": _series(
            {
                "Bavaria": flu[:, in_bavaria].sum(1),
                "Baden-Wuerttemberg": flu[:, ~in_bavaria].sum(1),
            },
            "2001-01-01",
        ),
        "deaths, Denmark": _series({"Denmark": _total(deaths)}, "1994-01-03"),
    }


def _read(folder: Path, name: str) -> Any:
    import rdata

    return rdata.read_rda(folder / f"{name}.RData", default_encoding="latin1")[name]


def _total(table: Any) -> np.ndarray:
    return np.asarray(table.observed, dtype=float).sum(axis=1)


def _series(by_region: dict[str, np.ndarray], first_monday: str) -> xr.DataArray:
    values = np.stack(list(by_region.values()))
    weeks = pd.date_range(first_monday, periods=values.shape[1], freq="7D")
    return xr.DataArray(
        values, dims=("region", "week"), coords={"region": list(by_region), "week": weeks}
    )
