"""Judged visits with a truth that is known: two branches, three years, all sorts of verdicts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

SHARES = {"definite": 0.05, "probable": 0.10, "possible": 0.15, "none": 0.70}
FLARES = {"definite": 0.95, "probable": 0.80, "possible": 0.10, "none": 0.01}


def build_visits(n: int = 3000, seed: int = 2) -> pd.DataFrame:
    """Invent judged visits; the column `truth` says what each was."""
    rng = np.random.default_rng(seed)
    certainty = rng.choice(list(SHARES), size=n, p=list(SHARES.values()))
    likely = np.isin(certainty, ["definite", "probable"])
    excluded = likely & (rng.random(n) < 0.2)
    flare = rng.random(n) < np.array([FLARES[one] for one in certainty])
    days = pd.to_datetime("2021-01-01") + pd.to_timedelta(rng.integers(0, 1095, n), unit="D")
    return pd.DataFrame(
        {
            "reference": [f"v{number:05d}" for number in range(n)],
            "branch": rng.choice(["high-street", "mill-lane"], size=n, p=[0.9, 0.1]),
            "date": days,
            "dog": [f"dog{number % 700}" for number in range(n)],
            "vet": rng.choice(["AB", "CD", ""], size=n),
            "species": "dog",
            "birth_date": pd.Timestamp("2019-01-01"),
            "items": [("CONS 20", "TABS 16")] * n,
            "codes": [()] * n,
            "note": [f"=note {number}" for number in range(n)],
            "certainty": certainty,
            "exclusion": np.where(excluded, "fleas found", ""),
            "evidence": "note: itch",
            "kind": np.where(likely & ~excluded, "itch flare", "other"),
            "truth": flare & ~excluded,
        }
    )


@pytest.fixture(scope="session")
def visits() -> pd.DataFrame:
    return build_visits()
