"""From captured samples to lines on the played clock, by other means than the program's own.

Where the program interpolates with a windowed sinc, this evaluates the trigonometric polynomial through the *whole*
capture at the wanted instants (Bluestein's chirp transform; L. I. Bluestein, IEEE Trans. Audio Electroacoust. 18(4),
1970). Where the program fits the clock on weighted imaginary parts, this fits phases. Hum is fitted in the time domain.

Line scale: `2·|X(k)|²/N²` is the mean square of line k, so a full-scale sine has 1/2 and 0 dBFS (AES17).
"""

import dataclasses

import numpy as np
import scipy.fft
import scipy.ndimage
import scipy.optimize


def at_instants(captured, start, step, count):
    """Values of the band-limited waveform through all of `captured` at `start + n·step`, n = 0…count−1 (frames).

    With step > 1 everything above the new Nyquist frequency is left out.
    """
    size = len(captured)
    lines = np.fft.rfft(captured)
    lines[1:] *= 2.0
    if size % 2 == 0:
        lines[-1] *= 0.5
    k = np.arange(len(lines))
    lines[k > 0.5 * size / max(step, 1.0)] = 0.0
    lines *= np.exp(2j * np.pi * k * (start / size))
    turn = np.pi * step / size
    n = np.arange(max(len(lines), count), dtype=float)
    chirp = np.exp(1j * turn * n * n)
    length = scipy.fft.next_fast_len(len(lines) + count)
    kernel = np.zeros(length, dtype=complex)
    kernel[:count] = np.conj(chirp[:count])
    kernel[length - len(lines) + 1 :] = np.conj(chirp[1 : len(lines)][::-1])
    spread = scipy.fft.ifft(scipy.fft.fft(lines * chirp[: len(lines)], length) * scipy.fft.fft(kernel))
    return (spread[:count] * chirp[:count]).real / size


@dataclasses.dataclass
class Stimulus:
    """The played period as stored: samples at unit true peak."""

    samples: np.ndarray
    rate: int
    kind: str
    """As in the head of a take: `pink`, `sine`, `two-tones`, `sweep` …"""

    def __post_init__(self):
        frames = len(self.samples)
        self.frames = frames
        self.lines = np.sqrt(2.0) / frames * np.fft.rfft(self.samples)
        self.hz = np.arange(frames // 2 + 1) * (self.rate / frames)
        power = np.abs(self.lines) ** 2
        odd = np.arange(len(self.hz)) % 2 == 1
        self.is_tones = self.kind in ("sine", "two-tones")
        if self.is_tones:
            # The weaker of two tones stands 12 dB under the other, rounding 100 dB and more.
            self.excited = power > 0.01 * power.max()
            inside = self.hz > 0
        elif self.kind == "sweep":
            # From the lower edge of the 20 Hz band on; its power falls with frequency and is level otherwise.
            level = power * self.hz
            self.excited = level > 0.8 * np.median(level[(self.hz > 100.0) & (self.hz < 10000.0)])
            self.excited &= self.hz >= 1000.0 * 10.0**-1.75
            inside = np.zeros(len(power), dtype=bool)
        else:
            # Silent lines hold only the rounding of single-precision samples, 100 dB and more under their neighbours.
            self.excited = power > 1e-6 * scipy.ndimage.maximum_filter1d(power, 41)
            self.excited &= power > 1e-9 * power.max()
            told = np.flatnonzero(self.excited)
            inside = (np.arange(len(self.hz)) >= told[0]) & (np.arange(len(self.hz)) <= told[-1] + 1)
        self.even = inside & ~odd & (self.hz > 0)
        self.detection = inside & odd & ~self.excited


@dataclasses.dataclass
class Prepared:
    """Lines on the played clock."""

    stimulus: Stimulus
    mean: np.ndarray
    variance: np.ndarray
    """Of one period's line, smoothed over neighbours of its kind."""
    raw_variance: np.ndarray
    """Not smoothed."""
    periods: int
    usable: np.ndarray
    hum_hz: list

    def over_noise(self, lines, weight=None):
        """Sum of |mean line|² less the noise's share, over a mask."""
        power = np.abs(self.mean) ** 2 - self.variance / self.periods
        return float(np.sum((power if weight is None else power * weight)[lines]))


def per_period(samples, frames):
    """RMS phasors of each period."""
    return np.sqrt(2.0) / frames * np.fft.rfft(samples.reshape(-1, frames), axis=1)


def raw_variance_of(lines):
    """Variance of one period's line about the mean."""
    return np.sum(np.abs(lines - lines.mean(axis=0)) ** 2, axis=0) / (len(lines) - 1)


def variance_of(lines, excited):
    """The same, averaged over neighbours of its own kind (excited or not) to 10 degrees of freedom, 2·(P − 1) a line."""
    count, raw = len(lines), raw_variance_of(lines)
    size = int(np.ceil(10.0 / (2.0 * (count - 1)))) | 1
    if np.count_nonzero(excited) < 16:
        return scipy.ndimage.uniform_filter1d(raw, size, mode="nearest")
    smooth = np.empty_like(raw)
    for kind in (excited, ~excited):
        smooth[kind] = scipy.ndimage.uniform_filter1d(raw[kind], size, mode="nearest")
    return smooth


def coarse_ppm(captured, start, ratio, stimulus):
    """Clock offset to about 1 ppm: lag of the second period behind the first (noise, sweep), turning of the phase
    (tones)."""
    frames = int(round(stimulus.frames * ratio))
    begin = int(start)
    if stimulus.is_tones:
        cycles = float(np.flatnonzero(stimulus.excited)[-1]) / frames
        block = max(2048, int(4 / cycles))
        count = (2 * frames) // block
        window = np.hanning(block)
        n = begin + np.arange(count * block)
        part = captured[begin : begin + count * block] * np.exp(-2j * np.pi * cycles * (n - begin))
        phases = np.unwrap(np.angle((part.reshape(count, block) * window).sum(axis=1)))
        slope = np.polyfit(np.arange(count) * block, phases, 1)[0]
        return -slope / (2 * np.pi * cycles) * 1e6
    first, second = (np.fft.rfft(captured[begin + i * frames :][:frames]) for i in range(2))
    cross = second * np.conj(first)
    cross[: len(stimulus.excited)][~stimulus.excited[: len(cross)]] = 0.0
    cross /= np.sqrt(np.abs(cross)) + 1e-300
    correlation = np.fft.irfft(cross, frames)
    at = int(np.argmax(correlation))
    before, here, after = correlation[(at - 1) % frames], correlation[at], correlation[(at + 1) % frames]
    at = at + 0.5 * (before - after) / (before - 2 * here + after)
    return (at - frames if at > frames / 2 else at) / frames * 1e6


def on_played_clock(captured, start, ratio, stimulus, periods, ppm):
    """Whole periods on the played clock; the offset turns around the start of the window."""
    return at_instants(captured, start, ratio * (1.0 + ppm * 1e-6), periods * stimulus.frames)


def fit_clock(captured, start, ratio, stimulus, periods):
    """Offset of the capture clock, ppm: slope over periods of the delay that fits the phases of all lines."""
    ppm = coarse_ppm(captured, start, ratio, stimulus)
    k = np.arange(len(stimulus.hz))
    for turn in range(5):
        lines = per_period(on_played_clock(captured, start, ratio, stimulus, periods, ppm), stimulus.frames)
        mean = lines.mean(axis=0)
        noise = scipy.ndimage.uniform_filter1d(variance_of(lines, stimulus.excited), 65, mode="nearest")
        power = scipy.ndimage.uniform_filter1d(np.abs(mean) ** 2 * stimulus.excited, 65, mode="nearest") / np.maximum(
            scipy.ndimage.uniform_filter1d(stimulus.excited.astype(float), 65, mode="nearest"), 1e-9
        )
        used = stimulus.excited & (power > 3.0 * noise)
        if turn == 0 and not stimulus.is_tones:
            used &= k < stimulus.frames // 16
        if not used.any():
            return None
        phase = np.angle(lines[:, used] * np.conj(mean[used]))
        weight = k[used] ** 2 * np.abs(mean[used]) ** 2 / np.maximum(noise[used], 1e-12 * np.abs(mean[used]) ** 2)
        delays = -(phase / k[used]) @ weight / weight.sum() * stimulus.frames / (2 * np.pi)
        slope = np.polyfit(np.arange(periods), delays, 1)[0]
        ppm += slope / stimulus.frames * 1e6
        if turn > 0 and abs(slope / stimulus.frames * 1e6) < 1e-5:
            break
    return ppm


DECIMATION = 32
"""The base of the hum is found on its first eight harmonics: a 32nd of the rate holds them."""


def hum_of(samples, frames, rate, repeats):
    """Frequencies (Hz) and complex amplitudes of the mains harmonics seen, in the time domain.

    With a stimulus (`repeats`) only what does not repeat with the period is looked at.
    """
    periods = len(samples) // frames

    def left(columns):
        """What is left of columns once their mean over the periods is taken off."""
        if not repeats:
            return columns
        shaped = columns.reshape(periods, -1, columns.shape[1])
        return (shaped - shaped.mean(axis=0)).reshape(columns.shape)

    def sinusoids(base, harmonics, size, hz):
        turn = 2j * np.pi * np.outer(np.arange(size), [h * base / hz for h in harmonics])
        e = np.exp(turn)
        return np.hstack([e.real, e.imag])

    small = samples.reshape(-1, DECIMATION).mean(axis=1)
    residual = left(small[:, None])[:, 0]
    hz = rate / DECIMATION

    def explained(base, harmonics):
        columns = left(sinusoids(base, harmonics, len(residual), hz))
        found, *_ = np.linalg.lstsq(columns, residual, rcond=None)
        return residual @ (columns @ found)

    best = max(
        ((explained(base, range(1, 4)), base) for mains in (50.0, 60.0) for base in mains + np.arange(-0.4, 0.41, 0.1)),
        key=lambda pair: pair[0],
    )[1]
    fine = scipy.optimize.minimize_scalar(
        lambda base: -explained(base, range(1, 9)), bounds=(best - 0.12, best + 0.12), method="bounded",
        options={"xatol": 1e-6},
    )
    base, seen = float(fine.x), []
    spectrum = np.abs(np.fft.rfft(left(samples[:, None])[:, 0])) ** 2
    for h in range(1, 21):
        at = int(round(h * base * len(samples) / rate))
        near = np.r_[spectrum[max(at - 60, 1) : at - 12], spectrum[at + 13 : at + 61]]
        share = 1.0 - np.abs(np.exp(2j * np.pi * h * base * frames / rate * np.arange(periods)).mean()) ** 2
        peak = spectrum[at - 1 : at + 2].max()
        # A harmonic that repeats with the period cannot be told from the stimulus; noise alone peaks at 30 times its
        # mean once in e³⁰ trials.
        if (not repeats or share > 0.02) and peak > 30.0 * np.mean(near):
            seen.append(h)
    if not seen:
        return [], np.zeros_like(samples)
    columns = sinusoids(base, seen, len(samples), rate)
    found, *_ = np.linalg.lstsq(left(columns), left(samples[:, None])[:, 0], rcond=None)
    amplitudes = found[: len(seen)] - 1j * found[len(seen) :]
    return [(h * base, a) for h, a in zip(seen, amplitudes)], columns @ found


def prepare(captured, start, ratio, stimulus, periods, ppm, mains=()):
    """Mean lines and variance on the played clock, hum taken off; lines by mains harmonics are not usable."""
    samples = on_played_clock(captured, start, ratio, stimulus, periods, ppm)
    hum, wave = hum_of(samples, stimulus.frames, stimulus.rate, True)
    samples = samples - wave
    lines = per_period(samples, stimulus.frames)
    spacing = stimulus.rate / stimulus.frames
    k = np.arange(len(stimulus.hz))
    usable = (k > 0) & (stimulus.hz < 0.49 * stimulus.rate * min(1.0, ratio))
    for hz in [f for f, _ in hum] + list(mains):
        usable &= (np.abs(k - hz / spacing) > 1.0) | stimulus.excited
    return Prepared(
        stimulus, lines.mean(axis=0), variance_of(lines, stimulus.excited), raw_variance_of(lines), periods, usable,
        [f for f, _ in hum],
    )
