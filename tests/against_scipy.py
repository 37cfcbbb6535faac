"""Computes the cases of `against_scipy.rs` with scipy, statsmodels and numpy.

Reads {"name": [[argument, ...], ...], ...} and prints {"name": [[figure, ...], ...], ...}. Nothing here is
shared with the program: each function is the library's own, or a formula written out from its source.
"""

import json
import math
import sys
import warnings

import numpy as np
import scipy
import statsmodels
from scipy import optimize, signal, stats
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW, ttost_ind
from statsmodels.tools import add_constant

warnings.simplefilter("ignore")


def summary(values):
    return [np.mean(values), np.std(values, ddof=1)]


def student(p, df, t):
    return [stats.t.ppf(p, df), 2 * stats.t.sf(abs(t), df), stats.t.sf(t, df)]


def fisher(p, df1, df2, f):
    return [stats.f.ppf(p, df1, df2), stats.f.sf(f, df1, df2)]


def noncentral(t, df, noncentrality):
    return [stats.nct.sf(t, df, noncentrality)]


def welch(control, treated):
    found = stats.ttest_ind(treated, control, equal_var=False)
    interval = found.confidence_interval(0.95)
    return [found.statistic, found.df, found.pvalue, interval.low, interval.high]


def paired(control_before, control_after, treated_before, treated_after):
    return welch(np.subtract(control_after, control_before), np.subtract(treated_after, treated_before))


def equivalence(control, treated, margin):
    p = ttost_ind(np.array(treated), np.array(control), -margin, margin, usevar="unequal")[0]
    sides = CompareMeans(DescrStatsW(treated), DescrStatsW(control))
    return [p, *sides.tconfint_diff(alpha=0.1, usevar="unequal")]


def power(difference, sd, n):
    return [TTestIndPower().power(difference / sd, n, 0.05)]


def zones_a_side(difference, sd):
    enough = lambda n: TTestIndPower().power(difference / sd, n, 0.05) >= 0.8
    # The normal distribution gives a number that is never too large to start from.
    at_least = 2 * ((stats.norm.ppf(0.975) + stats.norm.ppf(0.8)) * sd / difference) ** 2
    return [next(n for n in range(max(2, int(at_least)), 1000) if enough(n))]


def detectable(df):
    t = stats.t.ppf(0.975, df)
    off = lambda d: stats.nct.sf(t, df, d) + stats.nct.cdf(-t, df, d) - 0.8
    return [optimize.brentq(off, 0.5, 1.2 * t + 1, xtol=1e-13)]


def holm(p):
    return list(multipletests(p, method="holm")[1])


def grubbs(values):
    """Critical value and statistic as in e-Handbook 1.3.5.17.1, two-sided 0.05."""
    n = len(values)
    t = stats.t.isf(0.05 / (2 * n), n - 2)
    apart = np.abs(values - np.mean(values))
    return [apart.max() / np.std(values, ddof=1), (n - 1) / math.sqrt(n) * math.sqrt(t * t / (n - 2 + t * t))]


def esd(values, most):
    """Statistics and critical values as in e-Handbook 1.3.5.17.3, 0.05."""
    left, n, found = list(values), len(values), []
    for i in range(1, most + 1):
        apart = np.abs(np.array(left) - np.mean(left))
        r = apart.max() / np.std(left, ddof=1)
        left.pop(int(apart.argmax()))
        t = stats.t.ppf(1 - 0.05 / (2 * (n - i + 1)), n - i - 1)
        found += [r, (n - i) * t / math.sqrt((n - i - 1 + t * t) * (n - i + 1))]
    return found


def one_way(*groups):
    found = anova_oneway(groups, use_var="equal")
    plain = stats.f_oneway(*groups)
    return [found.statistic, found.pvalue, plain.statistic]


def line(x, y):
    fit = OLS(y, add_constant(np.array(x))).fit()
    low, high = fit.conf_int(0.05)[1]
    return [*fit.params, *fit.bse, math.sqrt(fit.scale), fit.rsquared, low, high, fit.pvalues[1]]


def precision(*table):
    """ISO 5725-2, 7.4, through mean squares."""
    table = np.array(table)
    n = table.shape[1]
    within = table.var(axis=1, ddof=1).mean()
    between = n * table.mean(axis=1).var(ddof=1)
    return [math.sqrt(within), math.sqrt(within + max(0, (between - within) / n))]


def nested(study):
    """Variance components by the expected mean squares of a balanced nested design."""
    study = np.array(study)
    operators, days, repeats = study.shape
    day_means, operator_means = study.mean(axis=2), study.mean(axis=(1, 2))
    ms_within = study.var(axis=2, ddof=1).mean()
    ms_days = repeats * day_means.var(axis=1, ddof=1).mean()
    ms_operators = repeats * days * operator_means.var(ddof=1)
    day = max(0, (ms_days - ms_within) / repeats)
    operator = max(0, (ms_operators - ms_days) / (repeats * days))
    return [math.sqrt(ms_within), math.sqrt(day), math.sqrt(operator), math.sqrt(ms_within + day + operator)]


def cochran(cells, results):
    f = stats.f.isf(0.05 / cells, results - 1, (cells - 1) * (results - 1))
    return [1 / (1 + (cells - 1) / f)]


def critical_range(n):
    return [stats.studentized_range.ppf(0.95, n, math.inf)]


def ewma(values, centre, weight):
    moved = signal.lfilter([weight], [1, weight - 1], np.array(values) - centre)
    return list(moved + centre)


def budget(uncertainties, degrees):
    u, nu = np.array(uncertainties), np.array(degrees)
    combined = math.sqrt((u**2).sum())
    effective = combined**4 / (u**4 / nu).sum()
    return [combined, effective, combined * stats.t.ppf(0.975, effective)]


def retention(before, after, check):
    """The two means' variances and covariance written out (GUM eq. 16), and two checks."""
    cov = np.cov(after, before) / len(before)
    a, b = np.mean(after), np.mean(before)
    zones = cov[0, 0] / b**2 + a**2 * cov[1, 1] / b**4 - 2 * a / b**3 * cov[0, 1]
    return [a / b, math.sqrt(zones + 2 * (a / b * check) ** 2)]


def index(gloss, degrees):
    def reflected(n):
        angle = math.radians(degrees)
        inside = math.asin(math.sin(angle) / n)
        across = math.sin(angle - inside) / math.sin(angle + inside)
        along = math.tan(angle - inside) / math.tan(angle + inside)
        return (across**2 + along**2) / 2

    return [optimize.brentq(lambda n: 100 * reflected(n) / reflected(1.567) - gloss, 1.3, 1.85, xtol=1e-14)]


def three_points(alpha, count, df):
    return [stats.t.isf(0.5 * (1 - math.exp(math.log(1 - alpha) / count)), df)]


cases = json.load(sys.stdin)
versions = f"scipy {scipy.__version__}, statsmodels {statsmodels.__version__}, numpy {np.__version__}"


def figure(x):
    """A figure, or nothing where the library has no answer."""
    return float(x) if math.isfinite(x) else None


answers = {name: [[figure(x) for x in globals()[name](*case)] for case in of] for name, of in cases.items()}
json.dump({"versions": versions, "answers": answers}, sys.stdout)
