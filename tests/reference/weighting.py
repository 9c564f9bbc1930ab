"""Frequency weightings A and C and one-third octaves, from the published formulas.

IEC 61672-1:2013, Annex E (weightings; the pole frequencies follow from the frequencies at which the curves are 3 dB
down) and IEC 61260-1:2014, 5.2 to 5.5 (base-ten bands). Poles in 40 digits by mpmath, curves by numpy.
"""

import mpmath
import numpy as np

BANDS = range(-17, 14)
"""Numbers of the 31 bands from 20 Hz to 20 kHz, 0 at 1 kHz."""

mpmath.mp.dps = 40


def _poles():
    f_r, f_l, f_h = mpmath.mpf(1000), mpmath.power(10, mpmath.mpf("1.5")), mpmath.power(10, mpmath.mpf("3.9"))
    f_a, d = mpmath.power(10, mpmath.mpf("2.45")), mpmath.sqrt(mpmath.mpf("0.5"))
    b = (f_r**2 + f_l**2 * f_h**2 / f_r**2 - d * (f_l**2 + f_h**2)) / (1 - d)
    c = f_l**2 * f_h**2
    root = mpmath.sqrt(b * b - 4 * c)
    f1, f4 = mpmath.sqrt((-b - root) / 2), mpmath.sqrt((-b + root) / 2)
    f2, f3 = (3 - mpmath.sqrt(5)) / 2 * f_a, (3 + mpmath.sqrt(5)) / 2 * f_a
    return tuple(float(f) for f in (f1, f2, f3, f4))


F1, F2, F3, F4 = _poles()


def _c(f):
    f = np.asarray(f, dtype=float)
    return F4**2 * f**2 / ((f**2 + F1**2) * (f**2 + F4**2))


def _a(f):
    f = np.asarray(f, dtype=float)
    return _c(f) * f**2 / np.sqrt((f**2 + F2**2) * (f**2 + F3**2))


def power(kind, f):
    """Power weight of curve Z, A or C at f (Hz), 1 at 1 kHz."""
    if kind == "Z":
        return np.ones_like(np.asarray(f, dtype=float))
    curve = {"A": _a, "C": _c}[kind]
    return (curve(f) / curve(1000.0)) ** 2


def centre(x):
    """Exact mid-band frequency, Hz."""
    return 1000.0 * 10.0 ** (x / 10.0)


def edges(x):
    """Lower and upper edge of band x, Hz."""
    return centre(x - 0.5), centre(x + 0.5)
