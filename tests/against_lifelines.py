"""Computes the cases of `against_lifelines.rs` with lifelines, scipy and numpy.

Reads {"name": [[argument, ...], ...], ...} and prints {"name": [[figure, ...], ...], ...}. A life is
[after, until]; the same twice where its end is known exactly, null where it goes on.
"""

import json
import math
import sys
import warnings

import lifelines
import numpy as np
from lifelines import KaplanMeierFitter, WeibullFitter
from lifelines.statistics import logrank_test
from lifelines.utils import median_survival_times
from scipy import optimize, stats

warnings.simplefilter("ignore")


def parted(lives):
    return [after for after, _ in lives], [until is not None for _, until in lives]


def product_limit(lives):
    """Curve and interval on the log(-log) scale at each end, and the median."""
    times, ended = parted(lives)
    found = KaplanMeierFitter().fit(times, ended)
    ends = sorted({t for t, e in zip(times, ended) if e})
    interval = found.confidence_interval_survival_function_
    rows = [[float(found.predict(t)), *(float(x) for x in interval.loc[t])] for t in ends]
    # Once nothing lives, or where all do, there is no interval.
    return [x for row in rows for x in (row if 0 < row[0] < 1 else row[:1])]


def median(lives):
    return [median_survival_times(KaplanMeierFitter().fit(*parted(lives)))]


def log_rank(one, other):
    (t1, e1), (t2, e2) = parted(one), parted(other)
    found = logrank_test(t1, t2, e1, e2)
    return [found.test_statistic, found.p_value]


def negative(lives):
    """Minus the log likelihood of shape and log scale, written out."""

    def of(place):
        shape, log_scale = math.exp(place[0]), place[1]
        hazard = lambda t: math.exp(shape * (math.log(t) - log_scale)) if t > 0 else 0.0
        total = 0.0
        for after, until in lives:
            if until is None:
                total += hazard(after)
            elif after == until:
                total -= math.log(shape / after * hazard(after)) - hazard(after)
            else:
                total -= math.log(math.exp(-hazard(after)) - math.exp(-hazard(until)))
        return total

    def guarded(place):
        try:
            value = of(place)
        except (ValueError, OverflowError):
            return 1e10
        return value if math.isfinite(value) else 1e10

    return guarded


def simplex(f, start):
    options = {"xatol": 1e-10, "fatol": 1e-13, "maxiter": 20000, "maxfev": 20000}
    start = optimize.minimize(f, start, method="Nelder-Mead", options=options).x
    return optimize.minimize(f, start, method="Nelder-Mead", options=options)


def weibull(lives):
    """Shape, scale, median, log likelihood, and the profile interval of the median."""
    f = negative(lives)
    ends = [until or after for after, until in lives]
    best = simplex(f, [0.5, math.log(np.mean(ends))])
    shape, scale = math.exp(best.x[0]), math.exp(best.x[1])
    half = lambda log_shape: math.log(math.log(2)) / math.exp(log_shape)

    def off(log_median):
        along = lambda log_shape: f([log_shape, log_median - half(log_shape)])
        grid = np.linspace(best.x[0] - 4, best.x[0] + 3, 141)
        at = grid[int(np.argmin([along(x) for x in grid]))]
        held = optimize.minimize_scalar(along, bounds=(at - 0.05, at + 0.05), method="bounded", options={"xatol": 1e-11})
        return held.fun - best.fun - stats.chi2.ppf(0.95, 1) / 2

    log_median = best.x[1] + half(best.x[0])
    ends = []
    for side in (-1, 1):
        step = 0.05
        # An end a million times as far out is none.
        while off(log_median + side * step) < 0 and step < 13.8:
            step = min(1.5 * step, 13.8)
        inside, outside = log_median, log_median + side * step
        found = off(outside) >= 0
        ends.append(math.exp(optimize.brentq(off, inside, outside, xtol=1e-10)) if found else math.inf)
    return [shape, scale, math.exp(log_median), -best.fun, *ends]


def weibull_exact(lives):
    found = WeibullFitter().fit(*parted(lives))
    return [found.rho_, found.lambda_]


def greatest_likelihood(lives):
    """Log likelihood of the curve, by expectation and maximisation over all times between neighbouring ends."""
    ends = sorted({x for life in lives for x in life if x is not None} | {0.0})
    cells = [*zip(ends, ends[1:]), (ends[-1], math.inf)]
    within = lambda life, cell: life[0] <= cell[0] and cell[1] <= (math.inf if life[1] is None else life[1])
    of = np.array([[within(life, cell) for cell in cells] for life in lives], float)
    mass = np.full(len(cells), 1 / len(cells))
    for _ in range(20000):
        mass = mass * (of / (of @ mass)[:, None]).mean(axis=0)
    return [float(np.log(of @ mass).sum())]


cases = json.load(sys.stdin)


def figure(x):
    """A figure, or nothing where there is none."""
    return float(x) if math.isfinite(x) else None


answers = {name: [[figure(x) for x in globals()[name](*case)] for case in of] for name, of in cases.items()}
json.dump({"versions": f"lifelines {lifelines.__version__}", "answers": answers}, sys.stdout)
