"""The same work as `main.rs` in numpy and scipy, from the same samples: the peer that the program's speed is held to.

Usage: peer.py FOLDER START SECONDS LENGTH FROM (of the sweep: seconds, Hz). Prints one line per timing: name, tab, milliseconds (the shortest of the
repetitions). What a program that analyses many takes would keep (masks, weights, windows) is made before the clock
starts; a process of its own, one thread.
"""

import json
import pathlib
import sys
import time

import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.signal
import soundfile

sys.path.insert(0, str(pathlib.Path(__file__).parent.parent / "reference"))
import take  # noqa: E402
import weighting  # noqa: E402

RATE = 48000.0
folder = pathlib.Path(sys.argv[1])
start, seconds, length_s, from_hz = (float(x) for x in sys.argv[2:])


def read(name):
    return np.fromfile(folder / name, dtype="<f8")


def clocked(name, work):
    began, shortest = time.perf_counter(), np.inf
    while time.perf_counter() - began < seconds:
        at = time.perf_counter()
        work()
        shortest = min(shortest, time.perf_counter() - at)
    print(f"{name}\t{1e3 * shortest:.4f}")


stimulus = take.Stimulus(read("period"), int(RATE), False)
frames, hz, excited = stimulus.frames, stimulus.hz, stimulus.excited
WEIGHTS = np.array([weighting.power(kind, hz) for kind in "ZAC"] + [((hz >= 100) & (hz <= 10000)) * 1.0])
WEIGHTS[:, ~excited] = 0.0
EDGES = np.array([np.searchsorted(hz, weighting.edges(x)[0]) for x in weighting.BANDS])
EDGES = np.append(EDGES, min(np.searchsorted(hz, weighting.edges(weighting.BANDS[-1])[1]), len(hz) - 1))
KINDS = np.array([excited, stimulus.even, stimulus.detection], dtype=float)
SCALE = np.add.reduceat(np.vstack([excited | stimulus.detection, stimulus.detection]) * 1.0, EDGES, axis=1)[:, :-1]
LINES = np.flatnonzero(excited)
CELLS = np.flatnonzero(np.diff(np.rint(48 * np.log2(hz[LINES] / 1000)), prepend=np.nan) != 0)
PLAYED = np.abs(stimulus.lines) ** 2
POOLED = 5


def smoothed(raw):
    """Running mean over neighbours of the same kind."""
    result = np.empty_like(raw)
    for kind in (excited, ~excited):
        sums = np.cumsum(np.concatenate([np.zeros(1), raw[kind]]))
        at = np.arange(len(sums) - 1)
        low, high = np.maximum(at - POOLED // 2, 0), np.minimum(at + POOLED // 2 + 1, len(at))
        result[kind] = (sums[high] - sums[low]) / (high - low)
    return result


def mean_and_variance(samples):
    lines = scipy.fft.rfft(samples.reshape(-1, frames), axis=1) * (np.sqrt(2) / frames)
    mean = lines.mean(axis=0)
    apart = lines - mean
    raw = (apart.real**2 + apart.imag**2).sum(axis=0) / (len(lines) - 1)
    return mean, smoothed(raw), len(lines)


def t1(samples):
    mean, variance, periods = mean_and_variance(samples)
    power = mean.real**2 + mean.imag**2
    over = power - variance / periods
    levels = 10 * np.log10(2 * (WEIGHTS @ over))
    half = 1.96 * np.sqrt(2 * ((WEIGHTS * WEIGHTS) @ (over * variance / periods)))
    total = 10 * np.log10(2 * (power + variance * (1 - 1 / periods))[EDGES[0] : EDGES[-1]].sum())
    bands = np.add.reduceat(KINDS * over, EDGES, axis=1)[:, :-1]
    noise = np.add.reduceat(variance, EDGES)[:-1]
    spread = np.add.reduceat(KINDS * variance**2, EDGES, axis=1)[:, :-1]
    even, odd = bands[1].sum() / bands[0].sum(), (bands[2] * SCALE[0] / np.maximum(SCALE[1], 1)).sum() / bands[0].sum()
    cell = np.add.reduceat(over[LINES], CELLS)
    sent = np.add.reduceat(PLAYED[LINES], CELLS)
    cross = np.add.reduceat(mean[LINES] * np.conj(stimulus.lines[LINES]), CELLS)
    apart = np.add.reduceat(variance[LINES], CELLS)
    with np.errstate(divide="ignore", invalid="ignore"):
        response = 10 * np.log10(cell / sent), np.angle(cross), cell / (cell + apart)
    return levels, half, total, bands, noise, spread, even, odd, response


def t2(samples):
    lines = scipy.fft.rfft(samples)
    power = lines.real**2 + lines.imag**2
    line = int(np.argmax(power))
    harmonics = power[2 * line : min(11 * line, len(power)) : line] / power[line]
    audio = power[28:27307].sum()
    return 10 * np.log10(harmonics.sum()), 10 * np.log10(1 - power[line] / audio), harmonics


class SweptPeer:
    """Response and harmonics 2 to 5 of a sweep (Novak, Lotton & Simon 2015)."""

    def __init__(self, played):
        self.size = len(played)
        self.lines = scipy.fft.rfft(played)
        self.hz = np.fft.rfftfreq(self.size, 1 / RATE)
        self.inside = np.flatnonzero((self.hz > 20) & (self.hz < 22000))
        f = self.hz[self.inside]
        turn = 2 * np.pi * f * length_s * (1 - np.log(f / from_hz)) - np.pi / 4
        self.closed = 0.5 * np.sqrt(length_s / f) * np.exp(1j * turn) * RATE
        self.window = np.zeros(self.size)
        before = int(0.3 * length_s * np.log(2) * RATE)
        after = int(3 * RATE)
        kept = scipy.signal.windows.tukey(before + after, 0.02)
        self.window[:after], self.window[-before:] = kept[before:], kept[:before]
        self.cells = np.flatnonzero(np.diff(np.rint(48 * np.log2(f / 1000)), prepend=np.nan) != 0)
        self.cuts = []
        for n in range(2, 6):
            arrival = [-length_s * np.log(m) for m in (n - 1, n, n + 1)]
            first = int((arrival[1] - 0.25 * (arrival[1] - arrival[2])) * RATE)
            count = scipy.fft.next_fast_len(int((arrival[0] - arrival[1]) * 0.9 * RATE), real=True)
            hz = np.fft.rfftfreq(count, 1 / RATE)
            points = 1000 * 2 ** (np.arange(np.ceil(6 * np.log2(0.04)), 6 * np.log2(20 / n) + 0.5) / 6 - 1 / 12)
            self.cuts.append((first, scipy.signal.windows.tukey(count, 0.1), np.searchsorted(hz, n * points)))

    def __call__(self, samples):
        captured = scipy.fft.rfft(samples)
        quotient = np.zeros_like(captured)
        quotient[self.inside] = captured[self.inside] / self.lines[self.inside]
        impulse = scipy.fft.irfft(quotient, self.size) * self.window
        linear = scipy.fft.rfft(impulse)[self.inside]
        power = linear.real**2 + linear.imag**2
        response = 10 * np.log10(np.add.reduceat(power, self.cells)), np.angle(np.add.reduceat(linear, self.cells))
        rest = np.zeros_like(captured)
        rest[self.inside] = (captured[self.inside] - linear * self.lines[self.inside]) / self.closed
        apart = scipy.fft.irfft(rest, self.size)
        levels = []
        for first, window, points in self.cuts:
            cut = scipy.fft.rfft(np.take(apart, np.arange(first, first + len(window)), mode="wrap") * window)
            levels.append(10 * np.log10(np.add.reduceat(cut.real**2 + cut.imag**2, points)[:-1]))
        return response, levels


def fitted(lines, used):
    """Slope of the delay over periods that fits the phases of lines."""
    mean = lines.mean(axis=0)
    apart = lines - mean
    noise = smoothed((apart.real**2 + apart.imag**2).sum(axis=0) / (len(lines) - 1))[used]
    k = used.astype(float)
    mean = mean[used]
    weight = k / (noise + 1e-12 * np.abs(mean) ** 2)
    information = np.sum(weight * k * np.abs(mean) ** 2)
    delays = -((lines[:, used] * np.conj(mean)).imag @ weight) / information
    at = np.arange(len(lines)) - (len(lines) - 1) / 2
    return (at @ delays) / (at @ at) / (2 * np.pi) * 1e6


def converged(captured, resampled):
    """Coarse by correlation, then low lines, then all, each on samples resampled by what is known so far."""
    ppm = take.coarse_ppm(captured, start, 1.0, stimulus)
    low = LINES[LINES < frames // 16]
    for turn in range(5):
        samples = resampled(ppm)
        lines = scipy.fft.rfft(samples.reshape(-1, frames), axis=1)
        step = fitted(lines, low if turn == 0 else LINES)
        if turn > 0 and abs(step) < 5e-4:
            break
        ppm += step
    return samples, ppm


def t4(captured, periods=6):
    """Resampled as a trigonometric polynomial through the whole capture (chirp transform)."""
    return converged(captured, lambda ppm: take.on_played_clock(captured, start, 1.0, stimulus, periods, ppm))


def cubic_t4(captured, periods=6, first=None):
    """The same with four times the rate by transform and cubic splines: quicker, and 40 dB less exact."""
    first = start if first is None else first
    size = scipy.fft.next_fast_len(len(captured), real=True)
    fine = scipy.fft.irfft(scipy.fft.rfft(captured, size), 4 * size) * 4
    coefficients = scipy.signal.cspline1d(fine)
    at = np.arange(periods * frames)

    def resampled(ppm):
        position = 4 * (first + at * (1 + ppm * 1e-6))
        return scipy.ndimage.map_coordinates(coefficients, [position], order=3, prefilter=False)

    return converged(captured, resampled)


def t5_bands(power, spacing):
    first = [int(np.ceil(weighting.edges(x)[0] / spacing)) for x in weighting.BANDS]
    first.append(int(np.ceil(weighting.edges(weighting.BANDS[-1])[1] / spacing)))
    return 10 * np.log10(2 * np.add.reduceat(power, first)[:-1])


def t5(samples, weights):
    lines = scipy.fft.rfft(samples) * (np.sqrt(2) / len(samples))
    power = lines.real**2 + lines.imag**2
    return t5_bands(power, RATE / len(samples)), 10 * np.log10(2 * (power @ weights))


def t5_periods(samples, weights):
    lines = scipy.fft.rfft(samples.reshape(-1, frames), axis=1) * (np.sqrt(2) / frames)
    power = (lines.real**2 + lines.imag**2).mean(axis=0)
    return t5_bands(power, RATE / frames), 10 * np.log10(2 * (power @ weights))


five, tone, six, minute = (read(name) for name in ("five", "tone", "six", "minute"))
clocked("T1", lambda: t1(five))
clocked("T2", lambda: t2(tone))
t3, swept = SweptPeer(read("sweep")), read("swept")
clocked("T3", lambda: t3(swept))
clocked("T4", lambda: t4(six))
clocked("T4 (splines)", lambda: cubic_t4(six))
print(f"clock {t4(six)[1]:+.4f} ppm by chirp, {cubic_t4(six)[1]:+.4f} ppm by splines")
whole = weighting.power("A", np.arange(len(minute) // 2 + 1) * (RATE / len(minute)))
clocked("T5", lambda: t5(minute, whole))
by_period = weighting.power("A", hz)
clocked("T5 (by periods)", lambda: t5_periods(minute, by_period))


def t6(session):
    """Clock by the quicker way, then T1, of every pink take of a stored session: one process, the bench's own WAVs."""
    for step in sorted((session / "steps").iterdir()):
        for one in json.loads((step / "step.json").read_text())["takes"]:
            if "pink" not in one["file"] or one["void"] is not None:
                continue
            captured, _ = soundfile.read(step / one["file"], dtype="float64")
            window = one["inputs"][0]["finding"]["common"]["window"]
            samples, _ = cubic_t4(captured, window["periods"], window["start_frame"])
            t1(samples)


session = folder / "sessions" / "session"
if session.exists():
    clocked("T6", lambda: t6(session))
