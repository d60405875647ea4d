#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Regenerates lombscargle_table.csv: powers of uneven series by SciPy's
lombscargle (Debian: python3-scipy), an implementation of its own. It fits a sine
without a constant beside it. So each value is mirrored about the mean half a
period later: then sine, cosine and constant stand square to each other and the
power with a constant is the same (column "mirrored"). The power of the series as
it is, with a constant, is worked out here by numpy's least squares. The ordinary
tests read the kept table and need no SciPy.

usage: tests/outside/lombscargle_table.py >tests/outside/lombscargle_table.csv
"""
import numpy
import scipy
from scipy import signal

print(f"# SciPy {scipy.__version__}, numpy {numpy.__version__}")
print("# series,number,time,value; power,number,frequency,mirrored,with a constant")


def series(number, random):
    count = (40, 90, 150)[number % 3]
    time = numpy.sort(random.uniform(0, (10, 25, 12)[number % 3], count))
    period = (0.9, 2.3, 4.1)[number % 3]
    wave = numpy.sin(2 * numpy.pi * time / period + number)
    value = 0.4 + 0.05 * wave + random.normal(0, (0.01, 0.04)[number % 2], count)
    # To sums of whole microseconds and microamperes, as the table keeps them.
    return numpy.round(time, 6), numpy.round(value, 6)


def mirrored(time, value, frequency):
    centred = value - value.mean()
    twice = numpy.concatenate([time, time + 0.5 / frequency])
    both = numpy.concatenate([centred, -centred])
    order = numpy.argsort(twice)
    return signal.lombscargle(twice[order], both[order], [2 * numpy.pi * frequency],
                              normalize=True)[0]


def with_constant(time, value, frequency):
    angle = 2 * numpy.pi * frequency * time
    columns = numpy.column_stack([numpy.ones_like(time), numpy.cos(angle), numpy.sin(angle)])
    solution = numpy.linalg.lstsq(columns, value, rcond=None)[0]
    left = numpy.sum((value - columns @ solution) ** 2)
    about = numpy.sum((value - value.mean()) ** 2)
    return 1 - left / about


for number in range(6):
    time, value = series(number, numpy.random.default_rng(1000 + number))
    for t, v in zip(time, value):
        print(f"series,{number},{t:.6f},{v:.6f}")
    frequencies = numpy.linspace(0.15, 3, 24)
    for frequency in frequencies:
        print(f"power,{number},{frequency:.17g},{mirrored(time, value, frequency):.17g},"
              f"{with_constant(time, value, frequency):.17g}")
