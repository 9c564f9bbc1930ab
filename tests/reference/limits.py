"""Limits of known size and shape, made here and captured through a response that is made here too: does the program say what
was set?

    limits.py PROGRAM FOLDER NEW       FOLDER: a session with a quiet reference and steps above it; NEW: its copy
                                       with other recordings. Exit status 1 where anything is wrong.

The copy keeps plan, drives and stimuli; what was captured is computed here, and the program analyses it again. A limit acts
on samples or on the waveform (16 points per sample). Every evidence and hard limit is also held against `clip.py`.
"""

import hashlib
import json
import pathlib
import shutil
import subprocess
import sys
import time

import numpy as np
import scipy.fft
import scipy.optimize
import scipy.signal
import soundfile

import clip
import compare
import quantities as q
import take as t
from session import Folder, read_wav

FINE = 16
DELAY_FRAMES = 3000
CLOCK_PPM = -12.3
"""As in the session: what its steps stored of the clock is used again."""
NOISE = 3e-6
"""RMS of full scale; the reference then stands about 50 dB over it."""
FADE_S = 0.02
HARD_DB = 0.02
"""Told hard limits, from the true ones: under a decibel of overdrive the program's 8 points per sample cost up to 0.004 dB, a
microphone's square 45 dB under the stimulus 0.013 dB."""

CASES = [
    {"driver": (0.01, 0.01)},
    {"on": "waveform", "over_db": (0.5, 2.0), "driver": (0.003, 0.003)},
    {"on": "samples", "over_db": (1.0, 3.0), "microphone": 0.005},
    {"on": "waveform", "over_db": (1.0, 1.0), "knee": 0.4},
    {"bend": (0.01, 0.01)},
    {"on": "samples", "over_db": (1.5, 3.0), "knee": 0.3},
    {"on": "waveform", "over_db": (None, 1.5)},
]
"""What the steps after the reference meet, one after the other. `over_db`: peak over the limit, above and below zero; `knee`:
share of the limit that is bent; `bend`: square and cube of the output, re its peak; `driver`: the same of the low-passed
signal, re its own; `microphone`: square of what is captured, re its peak."""


def limited(v, limit, knee):
    """Straight to (1 − knee) of a limit, then towards it as a hyperbolic tangent."""
    if limit is None:
        return v
    straight = (1.0 - knee) * limit
    room = max(limit - straight, 1e-12)
    return np.where(v > straight, straight + room * np.tanh(np.maximum(v - straight, 0.0) / room), v)


class Output:
    """One case at one gain: its limits, and the period that leaves it."""

    def __init__(self, case, stimulus, gain):
        on_waveform = case.get("on", "waveform") == "waveform"
        period = clip.Period(stimulus)
        peaks = [gain * peak for peak in period.peaks("waveform" if on_waveform else "samples")]
        over = case.get("over_db", (None, None))
        self.limits = [None if db is None else peak * 10.0 ** (-db / 20.0) for db, peak in zip(over, peaks)]
        frames = stimulus.frames
        lines = gain * stimulus.lines
        lines[-1] = 0.0
        sent = clip.waveform(lines, FINE * frames) if on_waveform else gain * stimulus.samples
        square, cube = case.get("bend", (0.0, 0.0))
        sent = sent + square * sent**2 / peaks[0] + cube * sent**3 / peaks[0] ** 2
        high, low = self.limits
        sent = -limited(-limited(sent, high, case.get("knee", 0.0)), low, case.get("knee", 0.0))
        self.lines = clip.lines_of(sent, frames // 2 + 1)
        self.lines[-1] = 0.0
        self.samples = clip.waveform(self.lines, frames) + sent.mean()

    def equivalent(self, stimulus, gain, kind):
        """Hard limits, dB, whose period comes nearest to this one between 500 Hz and 20 kHz, where nothing was sent."""
        period = clip.Period(stimulus)
        heard = (stimulus.even | stimulus.detection) & (stimulus.hz >= 500.0) & (stimulus.hz < 20000.0)

        def rest(limits):
            off = (self.lines - gain * stimulus.lines - period.added(kind, gain, limits))[heard]
            return np.r_[off.real, off.imag]

        scale = np.linalg.norm(rest((None, None)))
        found = scipy.optimize.least_squares(lambda x: rest(x) / scale, 0.9 * np.array(self.limits), diff_step=1e-5)
        return [q.db(c * c) for c in found.x]


def response(x, rate):
    """A closed headphone, about: two slopes and a broad resonance."""
    for corner, kind in ((20.0, "high"), (17000.0, "low")):
        x = scipy.signal.sosfilt(scipy.signal.butter(2, corner, kind, fs=rate, output="sos"), x)
    return 0.3 * (x + 2.0 * scipy.signal.lfilter(*scipy.signal.iirpeak(2700.0, 1.5, fs=rate), x))


def captured(head, period, case, frames):
    """What an ear hears of a period that leaves the output again and again, without noise."""
    rate, count = head["played_rate"], head["played_frames"]
    fade = int(FADE_S * rate)
    rise = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
    sound = np.resize(period, count)
    sound[:fade] *= rise
    sound[-fade:] *= rise[::-1]
    played = np.zeros(max(frames, head["pre_roll"] + DELAY_FRAMES + count) + 1024)
    played[head["pre_roll"] + DELAY_FRAMES :][:count] = sound
    square, cube = case.get("driver", (0.0, 0.0))
    low = scipy.signal.sosfilt(scipy.signal.butter(2, 150.0, fs=rate, output="sos"), played)
    peak = np.abs(low).max()
    played += square * low**2 / peak + cube * low**3 / peak**2
    heard = t.at_instants(response(played, rate), 0.0, 1.0 / (1.0 + CLOCK_PPM * 1e-6), frames)
    return heard + case.get("microphone", 0.0) * heard**2 / np.abs(heard).max()


def remade(old, new):
    """A copy of a session with other recordings, and the output that each climbing take of it met."""
    shutil.copytree(old, new)
    session, random, cases, outputs = Folder(new), np.random.default_rng(1), iter(CASES), {}
    for place, step in session.steps():
        for one in step["takes"]:
            head, kept = one["head"], step["recordings"][one["file"]]
            kind = (head["stimulus"] or {"kind": "silence"})["kind"]
            if kind not in ("silence", "pink"):
                continue
            sound = np.zeros(kept["frames"])
            if kind == "pink":
                stimulus, gain = session.stimulus(head), head["drive"]["gain"]
                climbs = one["inputs"][0]["finding"]["clip"] is not None
                case = next(cases, {}) if climbs else {}
                output = Output(case, stimulus, gain)
                sound = captured(head, output.samples, case, kept["frames"])
                if climbs:
                    outputs[place.name] = (case, output)
            samples = (sound + NOISE * random.standard_normal(len(sound))).astype("<f4")
            soundfile.write(place / one["file"], samples, kept["rate_hz"], format="WAVEX", subtype="FLOAT")
            kept["sha256"] = hashlib.sha256((place / one["file"]).read_bytes()).hexdigest()
        (place / "step.json").write_text(json.dumps(step))
    return outputs


def hold(table, where, case, output, stimulus, gain, found):
    """What was told against what was set."""
    over = case.get("over_db")
    table.check(where, "clips", (found["evidence"] > found["threshold"]) == (over is not None), f"{case}: {found['evidence']}")
    if over is None:
        return
    level = found["level"]
    if level is None:
        table.check(where, "level", False, f"{case}: {found['level_not_told']}")
        return
    soft = "knee" in case
    table.check(where, "soft", level["soft"] == soft, f"{case}: {level['soft']}")
    table.check(where, "acts on", level["acts_on"] == case["on"], f"{case}: {level['acts_on']}")
    true = output.equivalent(stimulus, gain, case["on"]) if soft else [c and q.db(c * c) for c in output.limits]
    for polarity, value in zip(compare.POLARITIES, true):
        told = level[polarity]
        if value is None:
            table.check(where, f"untouched {polarity}", "at-least" in told, f"{told}")
        elif "told" not in told:
            table.check(where, f"true {polarity}", False, f"{told}, set {value}")
        else:
            allowed = compare.half_width(told["told"]) if soft else HARD_DB
            table.row(where, f"{'softly' if soft else 'set'} {polarity}", told["told"]["value"], value, allowed)


def main(program, old, new):
    began, table = time.time(), compare.Table()
    outputs = remade(pathlib.Path(old), pathlib.Path(new))
    subprocess.run([program, "reanalyse", "--write", new], check=True, stdout=subprocess.DEVNULL)
    session, reference = Folder(new), None
    for place, step in session.steps():
        for one in step["takes"]:
            head, where = one["head"], f"{place.name}/{one['file']}"
            if (head["stimulus"] or {"kind": "silence"})["kind"] != "pink":
                continue
            if one["void"] is not None:
                table.check(where, "void", False, one["void"])
                continue
            samples, *_ = read_wav(place / one["file"])
            ratio, stimulus, gain = head["captured_rate"] / head["played_rate"], session.stimulus(head), head["drive"]["gain"]
            finding = one["inputs"][0]["finding"]
            window = finding["common"]["window"]
            start, ppm = window["start_frame"], finding["common"]["clock"]["used_ppm"]
            p = t.prepare(samples[:, 0], start, ratio, stimulus, window["periods"], ppm)
            delay = q.delay_of(p, -(start - head["pre_roll"]) / ratio)
            if step["step"]["purpose"] == "reference":
                reference = (p, gain, delay)
            if place.name in outputs:
                compare.clipping(table, where, finding["clip"], p, gain, reference)
                hold(table, where, *outputs[place.name], stimulus, gain, finding["clip"])
    table.check("all", "cases", len(outputs) >= len(CASES), f"{len(outputs)} steps for {len(CASES)} cases")
    table.show()
    print(f"limits: {table.count} statements held, {table.bad} differ, {time.time() - began:.1f} s")
    return 1 if table.bad else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
