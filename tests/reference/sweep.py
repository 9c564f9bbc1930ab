"""Response and harmonics 2 to 5 of a sweep, from the samples of the stored period alone.

No constant of the sweep is used. Its phase φ(t) is that of the analytic signal of the stored period; harmonic n is then
whatever answers the signal `sin nφ(t)` made from it. The capture is divided by the spectrum of *that* signal, so that
every harmonic in turn arrives at time 0, with the lower ones before and the higher ones after it in the order of the
logarithms of their ratios (A. Farina, 108th AES Convention, 2000; A. Novak et al., *J. Audio Eng. Soc.* 63, 2015).
Where that leaves the neighbours is read from the frequency against time, fitted to the same phase.
"""

import dataclasses

import numpy as np
import scipy.signal

HIGHEST_HARMONIC = 5
AUDIO_HZ = 20000.0
LOWEST_HZ = 40.0
"""Lowest exciting frequency of a harmonic."""
PER_OCTAVE = 6
KEPT_AFTER_S = 2.0
"""The linear response is kept so long after its arrival."""
WHOLE_UNDER_HZ = 60.0
"""Under this nothing is cut off: a window blurs by some hertz, and the band ends at 18 Hz."""


class Sweep:
    """Phase and rate of rise of a stored period."""

    def __init__(self, stimulus):
        self.stimulus = stimulus
        samples, rate = stimulus.samples, stimulus.rate
        loud = np.flatnonzero(np.abs(samples) > 0.5)
        inside = slice(loud[0], loud[-1] + 1)
        self.phase = np.unwrap(np.angle(scipy.signal.hilbert(samples)))
        # Instantaneous frequency over 10 ms, where neither end of the sweep disturbs it.
        step = rate // 100
        at = np.arange(loud[0], loud[-1] - step, step)
        hz = (self.phase[at + step] - self.phase[at]) / (2.0 * np.pi) * rate / step
        fit = (hz > 100.0) & (hz < 10000.0)
        slope, offset = np.polyfit((at[fit] + step / 2) / rate, np.log(hz[fit]), 1)
        self.length_s = 1.0 / slope
        t = np.arange(len(samples)) / rate
        self.hz = np.exp(offset + slope * t)
        self.inside = np.zeros(len(samples), dtype=bool)
        self.inside[inside] = True

    def harmonic(self, n):
        """`cos(nφ − …)` as a real period: the n-th harmonic of a sweep of amplitude 1, faded out before it would fold."""
        top = 0.46 * self.stimulus.rate
        fade = np.clip((top - n * self.hz) / (0.04 * top), 0.0, 1.0)
        fade = 0.5 - 0.5 * np.cos(np.pi * fade)
        return np.where(self.inside, fade * np.cos(n * (self.phase + 0.5 * np.pi) - 0.5 * np.pi), 0.0)


def windowed(quotient, frames, before, after, taper):
    """Keeps what of a response arrives from `before` frames before time 0 to `after` frames after it, ends faded over
    `taper`. Returns its lines and the mean square of the window."""
    response = np.fft.irfft(quotient, frames)
    n = (np.arange(frames) + before) % frames - before
    window = np.clip(np.minimum((n + before) / taper, (after - n) / taper), 0.0, 1.0)
    window = 0.5 - 0.5 * np.cos(np.pi * window)
    return np.fft.rfft(response * window), float(np.mean(window**2))


def arrived(p):
    """The take with its mean lines turned back so that the response arrives at time 0, on a whole frame."""
    stimulus = p.stimulus
    u = np.where(stimulus.excited, stimulus.lines, 0.0)
    agreement = p.mean * np.conj(u) / np.maximum(np.abs(u), 1e-12)
    lag = int(np.argmax(np.abs(np.fft.irfft(agreement, stimulus.frames))))
    turn = np.exp(2j * np.pi * np.arange(len(p.mean)) * lag / stimulus.frames)
    return dataclasses.replace(p, mean=p.mean * turn)


def linear(p):
    """The linear response alone of a take that has arrived: its mean lines, the noise less by the window's share."""
    sweep, stimulus = Sweep(p.stimulus), p.stimulus
    lines = stimulus.excited & p.usable
    quotient = np.zeros_like(p.mean)
    quotient[lines] = p.mean[lines] / stimulus.lines[lines]
    before = 0.4 * sweep.length_s * np.log(2.0) * stimulus.rate
    kept, share = windowed(quotient, stimulus.frames, before, KEPT_AFTER_S * stimulus.rate, 0.04 * stimulus.rate)
    whole = stimulus.hz < WHOLE_UNDER_HZ
    kept[whole] = quotient[whole]
    return dataclasses.replace(p, mean=kept * stimulus.lines, variance=p.variance * np.where(whole, 1.0, share))


def harmonics(p, linear_part, gain):
    """{n: {exciting frequency: power ratio to the fundamental}} on sixths of an octave round 1 kHz."""
    sweep, stimulus = Sweep(p.stimulus), p.stimulus
    frames, rate, hz = stimulus.frames, stimulus.rate, stimulus.hz
    spacing = rate / frames
    lines = stimulus.excited & p.usable
    fundamental = np.zeros(len(hz))
    fundamental[lines] = np.abs(linear_part.mean[lines] / (stimulus.lines[lines] * gain)) ** 2
    rest = p.mean - linear_part.mean
    told = {}
    for n in range(2, HIGHEST_HARMONIC + 1):
        made = np.sqrt(2.0) / frames * np.fft.rfft(sweep.harmonic(n)) * gain
        strong = np.abs(made) > 0.1 * np.abs(made).max() * np.sqrt(100.0 / np.maximum(hz, 100.0))
        strong &= p.usable & (hz > 20.0)
        # Edges of the band are faded, so that nothing rings from one harmonic to the next.
        inside = np.flatnonzero(strong)
        low, high = hz[inside[0]], hz[inside[-1]]
        edge = np.clip(np.log2(np.maximum(hz, 1e-3) / low), 0.0, 1.0) * np.clip((high - hz) / 800.0, 0.0, 1.0)
        quotient = np.zeros_like(rest)
        quotient[strong] = (0.5 - 0.5 * np.cos(np.pi * edge[strong])) * rest[strong] / made[strong]
        # Half way to the neighbours on either side: order m arrives L·ln(n/m) after order n.
        gap = lambda m: abs(sweep.length_s * np.log(n / m)) * rate
        before, after = 0.4 * gap(n + 1), gap(n - 1) - 0.4 * gap(n - 1)
        kept, share = windowed(quotient, frames, before, after, 0.25 * before)
        power = np.abs(kept) ** 2
        noise = np.zeros(len(hz))
        noise[strong] = p.variance[strong] / p.periods / np.abs(made[strong]) ** 2 * share
        first, last = np.ceil(PER_OCTAVE * np.log2(LOWEST_HZ / 1000.0)), PER_OCTAVE * np.log2(AUDIO_HZ / n / 1000.0)
        told[n] = {}
        for i in np.arange(first, np.floor(last) + 1):
            low, high = (1000.0 * 2.0 ** ((i + side) / PER_OCTAVE) for side in (-0.5, 0.5))
            own = lines & (hz >= low) & (hz < high)
            its = (hz >= n * low) & (hz < n * high)
            if own.any() and its.any():
                over = np.mean((power - noise)[its])
                told[n][float(1000.0 * 2.0 ** (i / PER_OCTAVE))] = float(over / np.mean(fundamental[own]))
    return told
