"""Levels, bands, response, coherence, distortion, noise and clip level from prepared lines.

Definitions: 0 dBFS is the mean square 1/2 (AES17, IEC 61606). Levels are energy of the stimulus lines with the noise's
share taken off. Even- and odd-order distortion of an odd multisine with silent detection lines, and the variance over
periods: Pintelon & Schoukens, *System Identification: A Frequency Domain Approach*, 2nd ed., 2012, chapters 3 and 4.
THD is the F form to the 10th harmonic or 20 kHz; THD+N the R form, 20 Hz to 20 kHz (IEC 60268-3, AES17).
"""

import numpy as np
import scipy.fft
import scipy.optimize
import scipy.signal

import weighting

ODD_FROM = -12
"""Band (63 Hz) from which detection lines are many enough."""


def db(power):
    """10 lg, None where there is nothing."""
    return float(10.0 * np.log10(power)) if power > 0 else None


def dbfs(mean_square):
    """Level of a mean square."""
    return db(mean_square / 0.5)


def in_band(p, x):
    low, high = weighting.edges(x)
    return (p.stimulus.hz >= low) & (p.stimulus.hz < high)


def audio(p):
    return (p.stimulus.hz >= 20.0) & (p.stimulus.hz <= 20000.0)


def level(p, kind="Z", low=0.0, high=np.inf):
    """Level of the stimulus lines, weighted."""
    hz = p.stimulus.hz
    lines = p.stimulus.excited & p.usable & (hz >= low) & (hz <= high)
    return dbfs(p.over_noise(lines, weighting.power(kind, hz)))


def total_level(p):
    """Everything in the 31 bands: mean square over all periods, stimulus, distortion and noise."""
    low, high = weighting.edges(-17)[0], weighting.edges(13)[1]
    span = (p.stimulus.hz >= low) & (p.stimulus.hz < high)
    power = np.abs(p.mean) ** 2 + p.raw_variance * (p.periods - 1) / p.periods
    return dbfs(power[span].sum())


def noise(p, span=None):
    """Noise of one period between the lines, dBFS."""
    return dbfs(p.raw_variance[audio(p) if span is None else span].sum())


def even_power(p, span, weight=None):
    lines = p.stimulus.even & p.usable & span
    return p.over_noise(lines, weight) if lines.any() else None


def odd_power(p, bands, weight=None):
    """Detection lines, scaled per third octave to all odd lines."""
    total = 0.0
    for x in bands:
        span = in_band(p, x)
        heard = p.stimulus.detection & p.usable & span
        if weight is not None:
            heard &= weight > 0
        if x < ODD_FROM or not heard.any():
            continue
        odd = np.count_nonzero((p.stimulus.detection | p.stimulus.excited) & span)
        total += p.over_noise(heard, weight) * odd / np.count_nonzero(heard)
    return total


def stimulus_power(p, span=None):
    lines = p.stimulus.excited & p.usable
    return p.over_noise(lines if span is None else lines & span)


def cells(p):
    """Excited lines of each 1/48 octave."""
    lines = np.flatnonzero(p.stimulus.excited & p.usable)
    number = np.rint(48.0 * np.log2(p.stimulus.hz[lines] / 1000.0)).astype(int)
    return {int(n): lines[number == n] for n in np.unique(number)}


def delayed(p, frames):
    """Mean lines with a delay taken off."""
    k = np.arange(len(p.mean))
    return p.mean * np.exp(2j * np.pi * k * frames / p.stimulus.frames)


def delay_of(p, near):
    """Delay of the mean lines behind the played ones, frames; `near`: where it is expected, to an eighth of a period
    (odd lines alone repeat after half a period with the sign turned)."""
    u = p.stimulus.lines
    agreement = np.where(p.stimulus.excited, p.mean * np.conj(u) / np.maximum(np.abs(u), 1e-12), 0.0)
    frames = p.stimulus.frames
    correlation = np.abs(np.fft.irfft(agreement, frames))
    distance = (np.arange(frames) - near + frames / 2) % frames - frames / 2
    correlation[np.abs(distance) > frames / 8] = 0.0
    return float(np.argmax(correlation))


def response(p, gain, delay):
    """Per 1/48 octave: gain dB, complex sum of captured times conjugate of played, 1 − coherence."""
    played = p.stimulus.lines * gain
    mean = delayed(p, delay)
    result = {}
    for n, lines in cells(p).items():
        power = float(np.sum(np.abs(p.mean[lines]) ** 2 - p.variance[lines] / p.periods))
        sent = float(np.sum(np.abs(played[lines]) ** 2))
        spread = float(p.variance[lines].sum())
        if power <= 0:
            continue
        result[n] = (db(power / sent), complex(np.sum(mean[lines] * np.conj(played[lines]))), spread / (power + spread))
    return result


def referred(p, reference, ref_gain, p_gain):
    """(even, odd) distortion re the stimulus as sent, each product divided by the reference's response; ratios."""
    hz = p.stimulus.hz
    known = np.flatnonzero(reference.stimulus.excited & reference.usable)
    sent = np.abs(reference.stimulus.lines[known] * ref_gain) ** 2
    gains = (np.abs(reference.mean[known]) ** 2 - reference.variance[known] / reference.periods) / sent
    # Smoothed over 9 excited lines (13 Hz): single lines of the reference carry noise.
    smooth = scipy.signal.savgol_filter(gains, 9, 2)
    power = np.interp(hz, hz[known], np.maximum(smooth, 1e-30))
    over = np.interp(hz, hz[known], gains * sent) / (reference.variance / reference.periods)
    weight = np.where(over >= 10.0, 1.0 / power, 0.0)
    excited = p.stimulus.excited & p.usable
    sent_now = np.abs(p.stimulus.lines * p_gain) ** 2
    change = p.over_noise(excited) / np.sum(sent_now[excited] * power[excited])
    stimulus = sent_now[p.stimulus.excited].sum() * change
    everywhere = np.ones_like(hz, dtype=bool)
    return even_power(p, everywhere, weight) / stimulus, odd_power(p, weighting.BANDS, weight) / stimulus


def sine(p, gain):
    """Everything told of a sine."""
    line = int(np.flatnonzero(p.stimulus.excited)[0])
    power = np.abs(p.mean) ** 2 - p.variance / p.periods
    fundamental = power[line]
    orders = [n for n in range(2, 11) if p.stimulus.hz[line] * n <= 20000.0]
    harmonics = {n: power[n * line] / fundamental for n in orders}
    turned = {n: np.angle(p.mean[n * line] * np.exp(-1j * n * np.angle(p.mean[line]))) for n in orders}
    everything = np.abs(p.mean) ** 2 + p.raw_variance * (p.periods - 1) / p.periods
    others = audio(p)
    others[line] = False
    rest = everything[others].sum()
    return {
        "frequency": float(p.stimulus.hz[line]),
        "level": dbfs(fundamental),
        "gain": db(fundamental / np.abs(p.stimulus.lines[line] * gain) ** 2),
        "harmonics": harmonics,
        "phases": turned,
        "thd": sum(harmonics.values()),
        "thd_n": rest / (rest + fundamental),
        "noise": noise(p),
    }


def two_tones(p):
    """Intermodulation of 60 Hz + 7 kHz or 19 + 20 kHz: amplitude ratios of second and third order, and of each product.

    Modulation: sidebands over the upper tone. Difference frequency: products over the sum of both tones (IEC 60268-3,
    definitions from memory). Amplitudes add.
    """
    low, high = (int(k) for k in np.flatnonzero(p.stimulus.excited))
    amplitude = np.sqrt(np.maximum(np.abs(p.mean) ** 2 - p.variance / p.periods, 0.0))
    if p.stimulus.hz[low] < 1000.0:
        second, third, against = [high - low, high + low], [high - 2 * low, high + 2 * low], amplitude[high]
    else:
        second, third, against = [high - low], [2 * low - high, 2 * high - low], amplitude[low] + amplitude[high]
    each = {k: float(amplitude[k] / against) for k in second + third}
    return sum(each[k] for k in second), sum(each[k] for k in third), [(p.stimulus.hz[k], each[k]) for k in each]


def true_peak(captured, start, count):
    """Peak of the waveform between samples, dB re full scale, 8 times oversampled."""
    margin = 512
    from_frame = max(int(start) - margin, 0)
    part = captured[from_frame : int(start) + count + margin]
    window = scipy.signal.windows.tukey(len(part), 2 * 256 / len(part))
    fine = np.abs(scipy.signal.resample(part * window, 8 * len(part)))
    return 2.0 * db(fine[8 * margin : -8 * margin].max())


def clip_level(p, gain, delay, on_waveform):
    """Hard limits (positive, negative; dB re full scale) whose clipped period explains the silent lines over 500 Hz.

    Brute force: the limited period's spectrum V gives the linear response Ȳ/V on excited lines; between them it is
    interpolated, and what V then predicts on silent lines is held against what was heard, weighted by the noise.
    """
    s = p.stimulus
    fold = 8 if on_waveform else 1
    fine = scipy.signal.resample(s.samples, fold * s.frames) * gain
    k = np.arange(len(s.hz))
    mean = delayed(p, delay)
    known = np.flatnonzero(s.excited & p.usable)
    silent = np.flatnonzero((s.even | s.detection) & p.usable & (s.hz > 500.0) & (s.hz < 20000.0))
    scale = np.sqrt(p.variance[silent] / p.periods)

    def misfit(limits_db):
        high, low = 10.0 ** (np.asarray(limits_db) / 20.0)
        limited = np.clip(fine, -low, high)
        v = np.sqrt(2.0) / len(fine) * scipy.fft.rfft(limited)[: len(k)]
        h = mean[known] / v[known]
        response = np.interp(silent, known, h.real) + 1j * np.interp(silent, known, h.imag)
        return float(np.sum(np.abs((mean[silent] - response * v[silent]) / scale) ** 2))

    top = 20.0 * np.log10(gain)
    starts = [top - d for d in (0.5, 1.0, 2.0, 3.0, 4.5, 6.0)]
    first = min(starts, key=lambda c: misfit([c, c]))
    simplex = [[first, first], [first - 0.4, first], [first, first - 0.4]]
    options = {"xatol": 1e-3, "fatol": 0.1, "maxfev": 120, "initial_simplex": simplex}
    found = scipy.optimize.minimize(misfit, simplex[0], method="Nelder-Mead", options=options)
    return [float(c) for c in found.x]
