#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Regenerates scipy_table.csv: values of the distributions that verdicts rest
on, by SciPy (Debian: python3-scipy), an implementation independent of the GNU
Scientific Library. The ordinary tests read the kept table and need no SciPy.

usage: tests/outside/scipy_table.py >tests/outside/scipy_table.csv
"""
import scipy
from scipy import stats


def row(name, value, *arguments):
    print(",".join([name] + [f"{a:.17g}" for a in arguments] + [f"{value:.17g}"]))


print(f"# SciPy {scipy.__version__}; function, arguments, value")
for df in (1, 2, 4, 7, 16, 60):
    for tail in (0.025, 2.5e-5, 5e-7):
        row("t_upper_quantile", stats.t.isf(tail, df), tail, df)
for p in (1e-9, 0.0027, 0.5, 0.9, 0.975, 0.999999):
    row("normal_quantile", stats.norm.ppf(p), p)
for x in (-8.5, -3.0, -0.2, 0.0, 1.7, 5.0):
    row("normal_below", stats.norm.cdf(x), x)
for df in (1, 3, 9, 42, 99):
    for p in (0.01, 0.05, 0.5, 0.95):
        row("chi_squared_quantile", stats.chi2.ppf(p, df), p, df)
for a, b in ((20, 4), (12, 3), (8, 2), (4, 1)):
    row("f_quantile", stats.f.ppf(0.85, a, b), 0.85, a, b)
for t, df, delta in ((3.0, 1, 1.0), (12.288336, 42, 8.4), (40.0, 1, 2.3), (0.5, 5, 1.5),
                     (7.5, 4, 3.7), (2.0, 99, 2.0)):
    row("noncentral_t_below", stats.nct.cdf(t, df, delta), t, df, delta)
for failures, tries in ((0, 10), (1, 10), (3, 10), (1, 29), (81, 263), (2, 1000), (59, 60)):
    for confidence in (0.95, 0.99):
        low = stats.beta.ppf((1 - confidence) / 2, failures, tries - failures + 1) \
            if failures else 0.0
        high = stats.beta.isf((1 - confidence) / 2, failures + 1, tries - failures) \
            if failures < tries else 1.0
        row("binomial_low", low, failures, tries, confidence)
        row("binomial_high", high, failures, tries, confidence)
for table in ((3, 10, 0, 30), (1, 10, 0, 59), (5, 20, 2, 40), (7, 9, 3, 12), (2, 30, 9, 30),
              (40, 100, 30, 110)):
    a, n, b, m = table
    counts = [[a, n - a], [b, m - b]]
    row("fisher_first_higher", stats.fisher_exact(counts, "greater")[1], *table)
    row("fisher_two_sided", stats.fisher_exact(counts)[1], *table)
