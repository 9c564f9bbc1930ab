"""Measures the desk it runs in, without the bench: a stepped sine through aplay and arecord, read in numpy."""

import subprocess
import tempfile

import numpy as np

RATE, HZ, STEP_S = 48_000, 1000, 0.6
DRIVES_DB = [-60, -48, -36, -30, -24, -21, -18, -15, -12, -9, -6, -3, -0.1]


def main():
    t = np.arange(int(RATE * STEP_S)) / RATE
    steps = [10 ** (db / 20) * np.sin(2 * np.pi * HZ * t) for db in DRIVES_DB]
    # A burst to find the beginning by.
    mark = np.concatenate([np.zeros(RATE), 0.1 * np.sin(2 * np.pi * HZ * t[: RATE // 10]), np.zeros(RATE // 2)])
    played = np.concatenate([mark, *steps, np.zeros(RATE)]).astype(np.float32)
    with tempfile.TemporaryDirectory() as folder:
        np.repeat(played, 2).tofile(f"{folder}/out.raw")
        raw = ["-q", "-t", "raw", "-f", "FLOAT_LE", "-r", str(RATE), "-c", "2"]
        seconds = str(int(len(played) / RATE) + 4)
        heard = subprocess.Popen(["arecord", "-D", "desk_in", *raw, "-d", seconds, f"{folder}/in.raw"])
        subprocess.run(["aplay", "-D", "desk_out", *raw, f"{folder}/out.raw"], check=False)
        heard.wait()
        captured = np.fromfile(f"{folder}/in.raw", np.float32).astype(float)
    captured = captured[: len(captured) // 2 * 2].reshape(-1, 2)
    for ear, x in zip(("left", "right"), captured.T):
        x = np.nan_to_num(x)
        noise = 20 * np.log10(np.std(x[: RATE // 2]) + 1e-12)
        ref = np.convolve(np.abs(x), np.ones(480) / 480, "same")
        loud = np.flatnonzero(ref > 0.25 * ref[: 3 * RATE].max())
        if not len(loud) or ref.max() < 1e-6:
            print(f"  {ear}: nothing heard")
            continue
        start = loud[0] + RATE // 10 + RATE // 2
        print(f"  {ear}: silence {noise:.1f} dBFS; drive: gain, second, third, all harmonics, peaks + / −")
        for i, db in enumerate(DRIVES_DB):
            at = start + int((i * STEP_S + 0.25) * RATE)
            part = x[at : at + RATE // 4]
            if len(part) < RATE // 4:
                break
            lines = np.fft.rfft(part * np.hanning(len(part))) * 4 / len(part)
            bin_of = lambda h: np.sqrt((np.abs(lines[h * HZ // 4 - 2 : h * HZ // 4 + 3]) ** 2).sum() / 1.5)
            first = bin_of(1)
            harmonics = np.array([bin_of(h) for h in range(2, 20)])
            dbr = lambda a: 20 * np.log10(max(a, 1e-12) / max(first, 1e-12))
            peak = lambda a: 20 * np.log10(max(a, 1e-12))
            print(f"    {db:6.1f}: {20 * np.log10(max(first, 1e-12)) - db:+7.2f}  {dbr(harmonics[0]):7.1f} {dbr(harmonics[1]):7.1f}"
                  f" {dbr(np.sqrt((harmonics ** 2).sum())):7.1f}   {peak(part.max()):6.2f} {peak(-part.min()):6.2f}")


main()
