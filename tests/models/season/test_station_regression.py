import numpy as np
import pytest
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, DotProduct

from models.parameters import load_table
from models.season.station_regression import Rows, StationRegression, kilometres


def setting(name):
    return load_table("models.season", "season.toml").number(f"onset.regression.{name}")


def rows_of(predictors, station=None, year=None, *, longitude=np.nan):
    n = len(predictors)
    station = np.full(n, -1) if station is None else np.asarray(station)
    year = np.arange(n, dtype=float) if year is None else np.asarray(year, float)
    return Rows(
        np.asarray(predictors, float), station, np.full(n, 50.0), np.full(n, longitude), year
    )


def test_without_stations_it_is_bayesian_linear_regression():
    """Equal to scikit-learn's Gaussian process with a constant and a linear kernel.

    Places without dates and without longitude share nothing but themselves, which adds the
    neighbours' variance to each row's own; the outlier limit is not reached by these errors.
    """
    rng = np.random.default_rng(0)
    x = rng.uniform(-1, 1, (40, 2))
    y = 100 + 3 * x[:, 0] + rng.choice([-0.5, 0.5], 40)
    ours = StationRegression(np.array([0.7, 0.7])).fit(rows_of(x), y)
    z = (x - x.mean(axis=0)) / x.std(axis=0)
    kernel = ConstantKernel(100.0) + ConstantKernel(0.7) * DotProduct(1e-6, "fixed")
    peer = GaussianProcessRegressor(kernel, alpha=1.0, optimizer=None).fit(z, y - y.mean())
    fresh = rng.uniform(-1, 1, (5, 2))
    expected = peer.predict((fresh - x.mean(axis=0)) / x.std(axis=0)) + y.mean()
    np.testing.assert_allclose(ours.predict(rows_of(fresh)), expected, atol=1e-6)


def test_an_offset_is_the_mean_shrunken_by_the_variances():
    """One station of ten dates 8 d late among many: its offset by hand, from the variances.

    All dates are of one year, so staying and drifting offsets add up to one variance v, and with
    own neighbours' variance; a mean of n dates keeps n v / (n v + 1) of itself. The common level
    is tied down by 500 dates of stations of their own.
    """
    n, m = 10, 500
    station = np.concatenate([np.zeros(n, int), np.arange(1, m + 1)])
    rng = np.random.default_rng(0)
    day = np.concatenate([108.0 + rng.choice([-1, 1], n), 100.0 + rng.choice([-1, 1], m)])
    day[:n] += 8.0 - (day[:n].mean() - 100.0)
    year = np.concatenate([np.full(n, 2000.0), np.arange(m) % 30 + 1970.0])
    model = StationRegression(np.array([0.0])).fit(
        rows_of(np.zeros((n + m, 1)), station, year), day
    )
    v = setting("stays") + setting("drifts") + setting("neighbours")
    place = np.array([0]), np.array([50.0]), np.array([np.nan])
    found = float(model.offsets(*place)[0])
    level = float(model.predict(rows_of(np.zeros((1, 1)), year=[2000]))[0])
    # pulled-in dates weigh less, so the rule holds for the weights that were found
    weight = model.weight_[:n].sum()
    assert found == pytest.approx(
        (day[:n].mean() - level) * weight * v / (weight * v + 1), rel=0.05
    )


def test_a_drifting_offset_is_forgotten_with_time():
    """Dates 8 d late around 1980 say much of 1981 and little of 2020."""
    rng = np.random.default_rng(1)
    station = np.concatenate([np.zeros(10, int), np.arange(1, 201)])
    year = np.concatenate([np.arange(1975, 1985), rng.integers(1975, 1985, 200)]).astype(float)
    day = 100 + rng.normal(0, 1, 210)
    day[:10] += 8
    model = StationRegression(np.array([0.0])).fit(rows_of(np.zeros((210, 1)), station, year), day)
    soon, late = model.predict(rows_of(np.zeros((2, 1)), [0, 0], [1985, 2020])) - 100
    assert soon > 2 * late > 0


def test_a_neighbour_lends_its_offset_and_a_far_place_does_not():
    """A place without dates 10 km from a late station is taken for late; one 1,000 km off not."""
    rng = np.random.default_rng(2)
    station = np.repeat([0, 1], 30)
    day = 100 + np.where(station == 0, 6.0, -6.0) + rng.normal(0, 1, 60)
    longitude = np.where(station == 0, 10.0, 30.0)
    rows = Rows(
        np.zeros((60, 1)), station, np.full(60, 50.0), longitude, np.tile(np.arange(30.0), 2)
    )
    model = StationRegression(np.array([0.0])).fit(rows, day)
    new = Rows(
        np.zeros((2, 1)),
        np.array([-1, -1]),
        np.array([50.09, 59.0]),
        np.array([10.0, 10.0]),
        np.full(2, 30.0),
    )
    near, far = model.predict(new)
    assert near - far > 0.3
    own = rows.chosen(np.array([0]))
    assert (model.predict_sd(new) > model.predict_sd(own)).all()


def test_leaving_a_year_out_is_what_a_refit_without_it_gives():
    """The closed form against a fit to the other years, weights and standardisation held.

    Errors of equal size keep all weights at one; predictors come standardised, and are so again
    by a fit to part of them only nearly: they are made balanced within every year.
    """
    rng = np.random.default_rng(3)
    years, station = np.repeat(np.arange(12.0), 4), np.tile(np.arange(4), 12)
    x = np.tile([[-1.0, 1], [1, 1], [-1, -1], [1, -1]], (12, 1))
    y = 100 + 2 * x[:, 0] + rng.choice([-0.4, 0.4], 48)
    rows = rows_of(x, station, years)
    model = StationRegression(np.array([0.5, 0.5])).fit(rows, y)
    assert (model.weight_ == 1).all()
    kept = years != 5
    other = StationRegression(np.array([0.5, 0.5])).fit(rows.chosen(kept), y[kept])
    assert (other.weight_ == 1).all()
    expected = y[~kept] - other.predict(rows.chosen(~kept))
    # the level is a wide prior around each fit's own mean: nearly free, not quite
    np.testing.assert_allclose(model.left_out_[~kept], expected, atol=2e-3)
    np.testing.assert_allclose(
        model.without_years(rows)[~kept], other.predict(rows.chosen(~kept)), atol=2e-3
    )


def test_the_system_is_solved_as_a_whole():
    """Solved station by station, the coefficients still meet the whole system.

    With stations, neighbours, a station without longitude and dates without a station: what is
    predicted for the training rows, from their full covariance, is short of each date by its
    coefficient over its weight, as (K + 1 / W) alpha = y asks.
    """
    rng = np.random.default_rng(5)
    station = np.concatenate([np.repeat([0, 1, 2, 3], 9), np.full(6, -1)])
    longitude = np.array([10.0, 10.3, 14.0, np.nan])[station]
    longitude[-6:-3] = 10.1
    x = rng.normal(size=(42, 3))
    day = 100 + 4 * x[:, 0] + 3.0 * station + rng.normal(0, 2, 42)
    day[4] += 30.0
    year = np.concatenate([np.tile(np.arange(9.0), 4), np.arange(6.0)])
    rows = Rows(x, station, np.full(42, 50.0), longitude, year)
    model = StationRegression(np.array([0.5, 0.1, 0.0])).fit(rows, day)
    assert model.weight_[4] < 0.5
    np.testing.assert_allclose(model.predict(rows) + model.alpha_ / model.weight_, day, atol=1e-9)


def test_distance_on_the_equator_and_over_the_date_line():
    """One degree is 111.2 km; from 179.5 E to 179.5 W it is one degree too."""
    left = Rows(np.zeros((1, 0)), np.zeros(1, int), np.zeros(1), np.array([179.5]), np.zeros(1))
    right = Rows(np.zeros((1, 0)), np.zeros(1, int), np.zeros(1), np.array([-179.5]), np.zeros(1))
    assert kilometres(left, right)[0, 0] == pytest.approx(111.2)


def simulated(rng, n_stations=40, n_years=30, noise=4.0):
    """Dates with a known response, offsets of known spread that stay and drift, and noise."""
    station = np.repeat(np.arange(n_stations), n_years)
    year = np.tile(np.arange(n_years, dtype=float), n_stations)
    warmth = rng.normal(0, 1, len(station))
    apart = np.abs(np.arange(n_years)[:, None] - np.arange(n_years))
    drift = np.linalg.cholesky(np.exp(-apart / setting("years")) + 1e-9 * np.eye(n_years))
    drifting = noise * np.sqrt(setting("drifts")) * (drift @ rng.normal(size=(n_years, n_stations)))
    staying = (
        noise * np.sqrt(setting("stays") + setting("neighbours")) * rng.normal(size=n_stations)
    )
    day = 100 - 3 * warmth + staying[station] + drifting.T.ravel()
    day += rng.normal(0, noise, len(station))
    return rows_of(np.column_stack([warmth]), station, year), day


@pytest.mark.long
def test_known_worlds_are_found_again():
    """Over ten invented worlds: the response, the noise, and intervals that hold what they say.

    The last five years of each are predicted from those before. 2,000 dates, nearly independent:
    three standard errors of 80 % are 2.7 %; the noise is asked for within a tenth.
    """
    inside, slope, noise = [], [], []
    for seed in range(10):
        rows, day = simulated(np.random.default_rng(seed))
        past = rows.year < 25
        model = StationRegression(np.array([1.0])).fit(rows.chosen(past), day[past])
        later = rows.chosen(~past)
        reach = 1.2816 * model.predict_sd(later)
        inside.append(np.abs(day[~past] - model.predict(later)) <= reach)
        slope.append(model.slopes[0])
        noise.append(model.noise_)
    assert np.mean(slope) == pytest.approx(-3.0, abs=0.15)
    assert np.mean(noise) == pytest.approx(4.0, rel=0.1)
    assert 0.77 <= np.concatenate(inside).mean() <= 0.83
