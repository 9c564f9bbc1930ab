"""Clip evidence and clip level from prepared lines, from the definition alone (weighted linear least squares).

What a limit adds to the period as sent is a known shape: clip it, transform the difference, send it through the response
of the quiet reference. Evidence is how much of the weighted squares on lines that carry no stimulus such shapes explain
once everything smooth is projected out, over the mean square that then remains; the octave that shows most of it is not
looked at. The clip level is the pair of limits whose difference leaves least of the same lines.

Projections are QR decompositions here and limits are found by scipy's least squares on transforms of the whole oversampled
period; factors of a pair of templates are solved as two equations.
"""

import dataclasses
import functools

import numpy as np
import scipy.fft
import scipy.optimize

import quantities as q
import weighting

LOWEST_HZ = 500.0
OVER_NOISE = 10.0
"""The reference must stand so far over its noise (power ratio)."""
FEWEST_LINES = 200
OVERDRIVES_DB = (0.15, 0.3, 0.5, 0.8, 1.3, 2.0, 3.0, 4.5, 6.5, 9.5, 14.0)
LEAST_FACTOR = 0.2
"""A template counts from this factor up."""
CORNERS_HZ = (60.0, 120.0, 240.0, 480.0)
"""Low-passes of a driver's excursion, 12 dB per octave."""
MODEL_FLOOR, ARITHMETIC_FLOOR = 1e-5, 1e-19
"""Least variance of a line: of what its band holds; of everything captured."""
RESPONSE_KNOWN = 1e-4
"""Share of a line's power up to which noise decides its weight in the common delay."""
FINE = 8
"""Points of the waveform per sample."""
SPANNED = 3e-5
"""Size of a direction of its own, re the product it comes from."""
SMOOTH_SHARE = 0.7
"""Smooth products are taken out before the level is fitted where they explain this share of what a limit leaves."""
SIDE_SQUARES = 25.0
"""A side counts as touched where its limit explains so many mean squares."""


def lines_of(points, count):
    """The first `count` RMS phasors of a period."""
    return np.sqrt(2.0) / len(points) * scipy.fft.rfft(points)[:count]


def waveform(lines, points):
    """A period of so many points that has these RMS phasors and no others."""
    spectrum = np.zeros(points // 2 + 1, dtype=complex)
    spectrum[: len(lines)] = lines * (points / np.sqrt(2.0))
    return scipy.fft.irfft(spectrum, points)


class Period:
    """Both things a limit may act on, at unit gain: samples, and the waveform between them."""

    def __init__(self, stimulus):
        lines = stimulus.lines.copy()
        lines[-1] = 0.0
        self.count = len(lines)
        self.points = {"samples": stimulus.samples, "waveform": waveform(lines, FINE * stimulus.frames)}

    def added(self, kind, gain, limits):
        """Lines of what limits (positive, negative; None: none) add to the period at this gain."""
        high, low = (np.inf if c is None else c for c in limits)
        sent = gain * self.points[kind]
        return lines_of(np.clip(sent, -low, high) - sent, self.count)

    def peaks(self, kind):
        return self.points[kind].max(), -self.points[kind].min()


def products(samples, wave, spacing_hz, count):
    """(power, lines) of all that bends smoothly at the output and in a driver: powers 2 to 5 of samples and of the waveform,
    squares and cubes of the low-passed period."""
    found = [(n, lines_of(x**n, count)) for x in (samples, wave) for n in (2, 3, 4, 5)]
    lines = lines_of(samples, count)
    hz = spacing_hz * np.arange(count)
    for corner in CORNERS_HZ:
        low = waveform(lines / (1.0 + 1j * hz / corner) ** 2, len(samples))
        found += [(n, lines_of(low**n, count)) for n in (2, 3)]
    return found


@dataclasses.dataclass
class Known:
    """What never changes of a period: templates (limit above zero, its lines) for both kinds, smooth products."""

    period: Period
    templates: dict
    smooth: list


@functools.lru_cache(maxsize=2)
def _known(key):
    stimulus = key.stimulus
    period = Period(stimulus)
    templates = {}
    for kind in period.points:
        limits = [period.peaks(kind)[0] * 10.0 ** (-db / 20.0) for db in OVERDRIVES_DB]
        templates[kind] = [(c, period.added(kind, 1.0, (c, None))) for c in limits]
    return Known(period, templates, products(*period.points.values(), stimulus.hz[1], period.count))


class _Key:
    """A stimulus by its samples."""

    def __init__(self, stimulus):
        self.stimulus, self.bytes = stimulus, stimulus.samples.tobytes()

    def __hash__(self):
        return hash(self.bytes)

    def __eq__(self, other):
        return self.bytes == other.bytes


def known(stimulus):
    return _known(_Key(stimulus))


def turned(lines, frames, by):
    """Lines delayed by so many frames."""
    return lines * np.exp(-2j * np.pi * np.arange(len(lines)) * by / frames)


def lag(lines, against, used, frames, near=None):
    """Delay of lines behind others at the highest peak of their correlation, each line of `against` counted by its size;
    `near`: of either sign, but within an eighth of a period of this."""
    whitened = np.where(used, lines * np.conj(against) / np.maximum(np.abs(against), 1e-300), 0.0)
    correlation = waveform(whitened, frames)
    if near is not None:
        distance = (np.arange(frames) - near + frames / 2) % frames - frames / 2
        correlation = np.where(np.abs(distance) < frames / 8, np.abs(correlation), 0.0)
    at = int(np.argmax(correlation))
    k = np.flatnonzero(used)

    def height(by):
        return -np.abs(np.sum(whitened[k] * np.exp(2j * np.pi * k * by / frames)).real)

    return scipy.optimize.minimize_scalar(height, bounds=(at - 1.0, at + 1.0), method="bounded").x


def odd_density(p):
    """Odd-order distortion that each line of a third octave holds, from the silent odd ones."""
    density = np.zeros(len(p.mean))
    for x in weighting.BANDS:
        span = q.in_band(p, x)
        heard = span & p.stimulus.detection & p.usable
        if heard.any():
            density[span] = max(p.over_noise(heard) / np.count_nonzero(heard), 0.0)
    return density


class Reference:
    """Response of the quiet step at all lines, straight in between, with its variance."""

    def __init__(self, p, gain, near):
        s = p.stimulus
        excited = s.excited & p.usable
        k, at = np.arange(len(p.mean)), np.flatnonzero(excited)
        mean = turned(p.mean, s.frames, -lag(p.mean, s.lines, excited, s.frames, near))
        sent = gain * s.lines[at]
        h = mean[at] / sent
        self.response = np.interp(k, at, h.real) + 1j * np.interp(k, at, h.imag)
        variance = (p.variance / p.periods + odd_density(p))[at] / np.abs(sent) ** 2
        self.variance = np.interp(k, at, variance)
        power = np.abs(p.mean[at]) ** 2 - p.variance[at] / p.periods
        near_by = [slice(max(i - 8, 0), i + 9) for i in range(len(at))]
        ratio = np.array([power[n].sum() / max(p.variance[at][n].sum(), 1e-300) for n in near_by])
        self.over_noise = ratio[np.minimum(np.searchsorted(at, k), len(at) - 1)]


class Listening:
    """The lines that listen, and what each is worth."""

    def __init__(self, p, gain, reference):
        s = p.stimulus
        self.p, self.gain, self.known = p, gain, known(s)
        excited = s.excited & p.usable
        sent = gain * s.lines
        # Onto the time base of the reference: first the peak of the correlation, then all phases together.
        expected = sent * reference.response
        mean = turned(p.mean, s.frames, -lag(p.mean, expected, excited, s.frames))
        k = np.flatnonzero(excited)
        scale = 1.0 / np.sqrt(p.variance[k] / p.periods + RESPONSE_KNOWN * np.abs(expected[k]) ** 2)

        def off(by):
            rest = (mean[k] * np.exp(2j * np.pi * k * by[0] / s.frames) - expected[k]) * scale
            return np.r_[rest.real, rest.imag]

        mean = turned(mean, s.frames, -scipy.optimize.least_squares(off, [0.0], x_scale=1e-3, diff_step=1e-6).x[0])
        heard = (s.even | s.detection) & p.usable & (s.hz >= LOWEST_HZ) & (reference.over_noise >= OVER_NOISE)
        self.lines = np.flatnonzero(heard)
        self.captured = mean[self.lines]
        self.response = reference.response[self.lines]
        self.uncertain = reference.variance[self.lines] / np.abs(self.response) ** 2
        self.band = np.floor(12.0 * np.log2(s.hz[self.lines] / LOWEST_HZ)).astype(int)
        self.pool = 2 * self.band + self.lines % 2
        self.octave = self.band // 12
        own = p.variance[self.lines] / p.periods
        self.noise = 0.5 * (own + averaged(own, self.pool))
        stimulus = np.where(s.excited, sent * reference.response, 0.0)
        wave = waveform(stimulus, 4 * s.frames)
        self.heard_smooth = [(n, lines_of(wave**n, len(sent))) for n in (2, 3)]
        held = averaged(np.abs(self.captured) ** 2, self.band)
        self.floor = MODEL_FLOOR * held + ARITHMETIC_FLOOR * np.sum(np.abs(p.mean) ** 2)
        self.take_out = lambda lines: lines

    def through(self, added):
        """Lines added at the output as the listening lines hear them."""
        return self.take_out(added[self.lines] * self.response)

    def weights(self, model):
        """One over the variance of each line where `model` is explained."""
        expected = self.noise + self.uncertain * np.abs(model) ** 2
        left = averaged(np.abs(self.captured - model) ** 2 - expected, self.pool)
        return 1.0 / np.maximum(expected + np.maximum(left, 0.0), self.floor)

    def clearing(self, weights, sent, factor):
        """A function that takes smooth products out of weighted lines: `sent`, times `factor`, through the response, and
        those of what is heard, each with a complex factor; even and odd powers apart."""
        root, bases = np.sqrt(weights), []
        for parity in (0, 1):
            at = np.flatnonzero(self.lines % 2 == parity)
            columns = [(root * factor * self.through(lines))[at] for n, lines in sent if n % 2 == parity]
            columns += [(root * lines[self.lines])[at] for n, lines in self.heard_smooth if n % 2 == parity]
            columns = np.stack([c / np.linalg.norm(c) for c in columns if np.linalg.norm(c) > 0], axis=1)
            u, sizes, _ = np.linalg.svd(columns, full_matrices=False)
            bases.append((at, u[:, sizes > SPANNED]))

        def clear(weighted):
            weighted = weighted.copy()
            for at, basis in bases:
                weighted[at] -= basis @ (basis.conj().T @ weighted[at])
            return weighted

        return clear


def averaged(values, groups):
    """Each value's group mean."""
    count = np.bincount(groups)
    return (np.bincount(groups, values) / np.maximum(count, 1))[groups]


class Look:
    """Captured lines and templates of both sides, weighted and with smooth products taken out."""

    def __init__(self, listening, weights):
        self.listening, self.root = listening, np.sqrt(weights)
        gain, known = listening.gain, listening.known
        self.clear = listening.clearing(weights, known.smooth, gain)
        self.captured = self.clear(self.root * listening.captured)
        mirror = np.where(listening.lines % 2 == 0, -1.0, 1.0)
        self.templates = {}
        for kind, templates in known.templates.items():
            above = [self.clear(self.root * gain * listening.through(lines)) for _, lines in templates]
            self.templates[kind] = (above, [mirror * t for t in above])

    def best(self, kind, lines=slice(None)):
        """(drop, template and factor per side) of the templates that explain most: one, or one for each side."""
        y, sides = self.captured[lines], [np.array(t)[:, lines] for t in self.templates[kind]]
        along = [(t.conj() @ y).real for t in sides]
        square = [np.sum(np.abs(t) ** 2, axis=1) for t in sides]
        cross = (sides[0].conj() @ sides[1].T).real
        best = (0.0, {})
        for side in (0, 1):
            for i, (b, g) in enumerate(zip(along[side], square[side])):
                if g > 0 and b / g >= LEAST_FACTOR and b * b / g > best[0]:
                    best = (b * b / g, {side: (i, b / g)})
        for i, row in enumerate(cross):
            for j, x in enumerate(row):
                matrix, b = np.array([[square[0][i], x], [x, square[1][j]]]), np.array([along[0][i], along[1][j]])
                if np.linalg.det(matrix) <= 1e-9 * matrix[0, 0] * matrix[1, 1]:
                    continue
                factors = np.linalg.solve(matrix, b)
                if factors.min() >= LEAST_FACTOR and factors @ b > best[0]:
                    best = (factors @ b, {0: (i, factors[0]), 1: (j, factors[1])})
        return best

    def leader(self):
        return max(((kind, *self.best(kind)) for kind in self.templates), key=lambda found: found[1])

    def left(self, kind, parts):
        """Weighted lines once the best templates are taken out too."""
        rest = self.captured.copy()
        for side, (i, factor) in parts.items():
            rest -= factor * self.templates[kind][side][i]
        return rest

    def wide(self):
        """Drop without the octave that shows most of it."""
        octaves = np.unique(self.listening.octave)
        return max(
            min(self.best(kind, self.listening.octave != o)[0] for o in octaves) for kind in self.templates
        )


@dataclasses.dataclass
class Evidence:
    value: float
    weights: np.ndarray
    start: tuple
    """Limits of the best pair of templates at this gain; a side without one starts as the other."""
    left: float
    """Mean square that remains."""
    drop: float


def evidence(listening):
    """None with too few lines."""
    if len(listening.lines) < FEWEST_LINES:
        return None
    look = Look(listening, listening.weights(np.zeros_like(listening.captured)))
    kind, _, parts = look.leader()
    look = Look(listening, listening.weights(listening.captured - look.left(kind, parts) / look.root))
    kind, drop, parts = look.leader()
    mean_square = (np.sum(np.abs(look.captured) ** 2) - drop) / len(listening.lines)
    start = {side: listening.gain * listening.known.templates[kind][i][0] for side, (i, _) in parts.items()}
    first = next(iter(start.values()), None)
    start = tuple(start.get(side, first) for side in (0, 1))
    return Evidence(look.wide() / max(mean_square, 1.0), look.root**2, start, mean_square, drop)


@dataclasses.dataclass
class Fit:
    """Hard limits of one kind, as magnitudes; None for a side without."""

    limits: list
    model: np.ndarray
    left: float
    """Weighted squares that remain."""
    weights: np.ndarray

    @property
    def limits_db(self):
        return [None if c is None else q.db(c * c) for c in self.limits]

    def misfit(self):
        """Logarithm of the likelihood, sign turned, for weights that are one over variances."""
        return self.left - np.log(self.weights).sum()


def fit(listening, kind, start, weights):
    """Limits whose difference to what was sent leaves least of the captured lines."""
    period, gain, root = listening.known.period, listening.gain, np.sqrt(weights)
    fitted = [side for side in (0, 1) if start[side] is not None]
    peaks = np.array([gain * period.peaks(kind)[side] for side in fitted])

    def limits_of(x):
        limits = [None, None]
        for side, c in zip(fitted, x):
            limits[side] = float(c)
        return limits

    def model(x):
        return listening.through(period.added(kind, gain, limits_of(x)))

    def rest(x):
        left = root * (listening.captured - model(x))
        return np.r_[left.real, left.imag]

    x = np.clip([start[side] for side in fitted], 0.101 * peaks, 0.9998 * peaks)
    if fitted:
        bounds = (0.1 * peaks, 0.9999 * peaks)
        x = scipy.optimize.least_squares(rest, x, bounds=bounds, diff_step=1e-6, xtol=1e-9, ftol=1e-10).x
    return Fit(limits_of(x), model(x), float(np.sum(rest(x) ** 2)), weights)


def reweighted(listening, kind, start, weights):
    """Fitted, and twice again under the weights that the fit before leaves."""
    found = fit(listening, kind, start, weights)
    for _ in range(2):
        found = fit(listening, kind, found.limits, listening.weights(found.model))
    return found


def touched(listening, kind, found):
    """The fit without the sides whose limit explains nothing of its own, the weaker first."""
    while any(c is not None for c in found.limits):
        without = {}
        for side in (0, 1):
            if found.limits[side] is not None:
                others = [c if other != side else None for other, c in enumerate(found.limits)]
                without[side] = fit(listening, kind, others, found.weights)
        weaker = min(without, key=lambda side: without[side].left)
        if without[weaker].left - found.left > SIDE_SQUARES * found.left / len(listening.lines):
            break
        found = without[weaker]
    return found


def level(listening, seen):
    """Fits of both kinds under the weights of the better one. Leaves `listening` without smooth products where these explain
    most of what the better one leaves."""
    period, gain = listening.known.period, listening.gain
    fits = {kind: reweighted(listening, kind, seen.start, seen.weights) for kind in period.points}
    better = min(fits.values(), key=Fit.misfit)
    high, low = (np.inf if c is None else c for c in better.limits)
    limited = [np.clip(gain * points, -low, high) for points in period.points.values()]
    clear = listening.clearing(better.weights, products(*limited, listening.p.stimulus.hz[1], period.count), 1.0)
    root = np.sqrt(better.weights)
    rest = root * (listening.captured - better.model)
    if np.sum(np.abs(rest - clear(rest)) ** 2) > SMOOTH_SHARE * better.left:
        listening.take_out = lambda lines: clear(root * lines) / root
        listening.captured = listening.take_out(listening.captured)
        fits = {kind: reweighted(listening, kind, one.limits, one.weights) for kind, one in fits.items()}
    weights = min(fits.values(), key=Fit.misfit).weights
    fits = {kind: fit(listening, kind, one.limits, weights) for kind, one in fits.items()}
    return {kind: touched(listening, kind, one) for kind, one in fits.items()}
