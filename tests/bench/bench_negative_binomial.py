"""One negative-binomial fit of 26,000 rows and 40 terms, against statsmodels in the same run.

    python tests/bench/bench_negative_binomial.py

Wanted: at least four times as fast, coefficients and dispersion equal to 1e-8. One thread each, as
in training.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import statsmodels.api as sm
from threadpoolctl import threadpool_limits

from models.flare.negative_binomial_fit import fit_negative_binomial

ROWS, TERMS, SIZE, REPEATS = 26_000, 40, 3.0, 5


def main() -> None:
    """Print the median seconds of both and how far apart they are."""
    rng = np.random.default_rng(1)
    design = rng.normal(size=(ROWS, TERMS)) * 0.3
    design[:, 0] = 1.0
    truth = rng.normal(size=TERMS) * 0.2
    truth[0] = 1.5
    offset = rng.normal(size=ROWS) * 0.2
    mean = np.exp(offset + design @ truth)
    counts = rng.poisson(mean * rng.gamma(SIZE, 1 / SIZE, ROWS)).astype(float)

    def ours() -> Any:
        return fit_negative_binomial(design, counts, offset=offset, precision=np.zeros(TERMS))

    def newton() -> Any:
        model = sm.NegativeBinomial(counts, design, offset=offset, loglike_method="nb2")
        return model.fit(disp=0, method="newton", maxiter=100, tol=1e-12)

    def default() -> Any:
        return sm.NegativeBinomial(counts, design, offset=offset, loglike_method="nb2").fit(disp=0)

    with threadpool_limits(1):
        ours()
        fit, own = _timed(ours)
        exact, seconds = _timed(newton)
        _, usual = _timed(default)
    apart = max(
        float(np.abs(fit.coefficients - exact.params[:-1]).max()),
        abs(1 / fit.size - float(exact.params[-1])),
    )
    print(f"{ROWS} x {TERMS}, median of {REPEATS}: {own:.3f} s")
    print(f"statsmodels, Newton:  {seconds:.3f} s, {seconds / own:.1f} times as long")
    print(f"statsmodels, default: {usual:.3f} s, {usual / own:.1f} times as long")
    print(f"largest difference of coefficients and dispersion: {apart:.1e}")


def _timed(run: Callable[[], Any]) -> tuple[Any, float]:
    seconds, result = [], None
    for _ in range(REPEATS):
        began = time.perf_counter()
        result = run()
        seconds.append(time.perf_counter() - began)
    return result, float(np.median(seconds))


if __name__ == "__main__":
    main()
