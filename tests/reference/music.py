"""The listener's own music, computed again by numpy and scipy: needed gain, true peak and peak over average of a piece that is
made here, through the response that the session stored. Arguments: the program, a session folder."""

import json
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import scipy.signal
import soundfile

NEAR_DB = 0.05  # what the program promises of levels and peaks
RATE = 44_100


def piece():
    """Twenty seconds, two channels: noise that falls with frequency, swelling, with clicks on one side."""
    rng = np.random.default_rng(3)
    white = np.fft.rfft(rng.standard_normal((2, 20 * RATE)))
    f = np.fft.rfftfreq(20 * RATE, 1 / RATE)
    f[0] = f[1]
    noise = np.fft.irfft(white / np.sqrt(f) * (f < 19_000))
    noise *= (1.2 + np.sin(np.arange(20 * RATE) / RATE)) * 0.05 / noise.std()
    noise[0, RATE::4 * RATE] += 0.6
    return np.round(noise * 2**23) / 2**23


def loudest_clean(folder, judgement):
    """Drive, finding and sound of the loudest step without a bend whose gain is that of the reference."""
    best = None
    for path in sorted(pathlib.Path(folder, "steps").glob("*/step.json")):
        step = json.loads(path.read_text())
        if step["step"]["purpose"] not in ("reference", "climb", "bisect", "threshold", "asked"):
            continue
        for take in step["takes"]:
            if take["void"] is not None or not take["inputs"]:
                continue
            heard = take["inputs"][0]
            finding = heard["finding"]
            if finding["of"] != "pink":
                continue
            clip, gain = finding["clip"], heard["gain_change_db"]
            if clip and clip["evidence"] > clip["threshold"] or gain and abs(gain["value"]) > 0.3:
                continue
            if best is None or step["step"]["drive"] > best[0]:
                best = (step["step"]["drive"], finding, heard["sound"])
    return best


def main(program, folder):
    samples = piece()
    with tempfile.TemporaryDirectory() as scratch:
        file = pathlib.Path(scratch, "piece.flac")
        soundfile.write(file, samples.T, RATE, subtype="PCM_24")
        told = subprocess.run([program, "judge", folder, "--music", file, "--json"], capture_output=True)
        # Short and not determined are answers too.
        assert told.returncode in (0, 4, 5), told.stderr.decode()
    judgement = json.loads(told.stdout)
    music = judgement["music"][0]
    needed = music["needs"]["told"]
    _, finding, sound = loudest_clean(folder, judgement)
    points = [(p["frequency_hz"], p["gain_db"]) for p in finding["response"]]
    hz, db = np.array(points).T
    lines = np.fft.rfft(samples)
    f = np.fft.rfftfreq(samples.shape[1], 1 / RATE)
    inside = (f >= hz[0]) & (f <= hz[-1])
    power = np.where(inside, 10 ** (np.interp(np.log(np.maximum(f, 1)), np.log(hz), db) / 10), 0)
    mean_square = 2 * np.mean(np.sum(np.abs(lines) ** 2 * power, axis=1)) / samples.shape[1] ** 2
    level = 10 * np.log10(mean_square / 0.5) + sound["z"]["value"] - finding["level_z"]["value"]
    seats = judgement["seats"][0]["level"]
    level += seats["value"] if seats else 0
    listening = json.loads(pathlib.Path(folder, "session.json").read_text())["plan"]["listening"]["level"]
    fine = scipy.signal.resample_poly(samples, 16, 1, axis=1, window=("kaiser", 12.0))
    peak = 20 * np.log10(np.abs(fine).max())
    average = 10 * np.log10(np.mean(samples**2))
    worst = 0.0
    for name, here, there in [
        ("gain to the listening level", needed["gain_db"]["value"], listening - level),
        ("true peak", music["peak_db"], peak),
        ("peak over average", music["peak_over_average_db"], peak - average),
        ("highest peak above zero", needed["peak_db"][0]["value"], listening - level + 20 * np.log10(fine.max())),
        ("highest peak below zero", needed["peak_db"][1]["value"], listening - level + 20 * np.log10(-fine.min())),
    ]:
        worst = max(worst, abs(here - there))
        print(f"music: {name:28} {here:9.3f} {there:9.3f} dB")
    if worst > NEAR_DB:
        sys.exit(f"the figures of a piece of music differ by {worst:.3f} dB, more than {NEAR_DB}")


main(*sys.argv[1:])
