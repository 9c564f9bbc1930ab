#!/usr/bin/env python3
"""Sounds that `plan` wrote, played through foreign paths (numpy, scipy, sox, lame, opus-tools) and taken in by `ingest`.

    tests/elsewhere/paths.py PROGRAM FOLDER [NAME…]

Nothing of the paths is the bench's: the truth (gain, clip level) is what this file sets. Needs python3-numpy, python3-scipy,
sox, lame, opus-tools; a path whose program is missing is skipped and said so. Writes FOLDER/NAME.wav and the sessions beside
them, prints one line for each path, and ends with 1 where one is not as it must be.
"""
import json, os, shutil, subprocess, sys
import numpy as np
from scipy.io import wavfile
from scipy.signal import fftconvolve, resample, resample_poly

RATE = 48000
GAIN_DB = -9.0
CLIP = 10 ** (-14.0 / 20)          # of what is played: peak, re full scale
OFFSET = 120.0
LEVEL_WITHIN, CLIP_WITHIN = 0.05, 0.1
rng = np.random.default_rng(5)


def headphone(rate=RATE):
    """An invented response: a resonance at 3.2 kHz, a shelf in the bass, unit gain at 1 kHz by its own transform."""
    n = 2048
    f = np.fft.rfftfreq(n, 1 / rate)
    h = 1 + 1.2 / (1 + 1j * 6 * (f / 3200 - 3200 / np.maximum(f, 1))) + 0.4 / (1 + 1j * f / 120)
    h *= np.exp(-2j * np.pi * f * 200 / rate)
    h /= abs(h[np.argmin(abs(f - 1000))])
    return np.fft.irfft(h)


def device(x, noise_db=-95.0, clip=CLIP, gain_db=GAIN_DB):
    """Limit, headphone, gain, noise of the room."""
    ears = []
    for ch in range(x.shape[1]):
        y = fftconvolve(np.clip(x[:, ch], -clip, clip), headphone())[: len(x)] * 10 ** (gain_db / 20)
        ears.append(y + rng.normal(size=len(y)) * 10 ** (noise_db / 20))
    return np.stack(ears, 1)


def clock(x, ppm):
    return resample(x, round(len(x) * (1 + ppm * 1e-6)))


def true_level_db(x_rms_dbfs):
    """Level of the pink lines after the headphone, dBFS, below the limit: power pink in 31 bands of one share each."""
    f = np.fft.rfftfreq(2048, 1 / RATE)
    h = np.fft.rfft(headphone())
    grid = np.geomspace(17.783, 22387, 20000)
    p = np.interp(grid, f, abs(h) ** 2)
    return x_rms_dbfs + GAIN_DB + 10 * np.log10(p.mean())


def read(path):
    rate, x = wavfile.read(path)
    x = x / {"int16": 2**15, "int32": 2**31}.get(str(x.dtype), 1.0)
    return rate, x.reshape(len(x), -1)


def save(name, x, rate=RATE):
    path = f"{folder}/{name}.wav"
    wavfile.write(path, rate, x.astype(np.float32))
    return path


def opens(plan, drive):
    """First frame of the sound of a step of the climb, and its frames."""
    for slot in plan["slots"]:
        k = slot["kind"]
        if k["kind"] == "take" and abs((plan["steps"][k["step"] - 1]["drive"] or 0) - drive) < 0.01 and k["step"] > 2:
            return k["opens_at"], k["played"]
    raise SystemExit(f"no step at {drive}")


def ingest(recording, plan, *options):
    name = os.path.basename(recording).rsplit(".", 1)[0].replace(" ", "-")
    shutil.rmtree(f"{folder}/{name}-session", ignore_errors=True)
    command = [program, "ingest", recording, "--plan", plan, "--offset", str(OFFSET), "--offset-half-width", "0.1", "--listening", "60",
               "--sessions", folder, "--id", name + "-session", "--json", *options]
    done = subprocess.run(command, capture_output=True, text=True)
    if not done.stdout.startswith("{"):
        return None, (done.stdout + done.stderr).strip()
    said = json.loads(done.stdout)
    again = subprocess.run([program, "reanalyse", said["folder"], "--json"], capture_output=True, text=True)
    said["changed"] = json.loads(again.stdout)["changed"] if again.stdout.startswith("{") else again.stderr
    return said, done.stderr


def pink(step, ear=0):
    for take in step["takes"]:
        if take["void"] is None and take["inputs"] and take["inputs"][ear]["finding"]["of"] == "pink":
            return take["inputs"][ear]["finding"]


def figures(said):
    t = said["judgement"]["threshold"]
    clip = t["positive"].get("told", {}).get("value") if t["threshold"] == "told" else t["threshold"]
    levels = {}
    for step in said["record"]["steps"]:
        p = pink(step)
        if p and p["level_z"]:
            levels[round(step["step"]["drive"], 1), step["step"]["purpose"]] = p["level_z"]["value"]
    void = [(s["step"]["drive"], t["void"]) for s in said["record"]["steps"] for t in s["takes"] if t["void"]]
    flaws = {(f["code"], f["weight"]): f["text"] for f in said["judgement"]["flaws"]}
    return clip, levels, void, flaws


EXPECTED = ["no-ear", "coupler", "played-elsewhere", "route-can-resample", "limit-whose"]


def main():
    plan_wav = f"{folder}/plan.wav"
    if not os.path.exists(plan_wav):
        subprocess.run([program, "plan", "--out", plan_wav, "--ceiling-drive", "-15", "--confirm-ceiling", "-15", "--step", "3",
                        "--reference", "-42"], check=True, stdout=subprocess.DEVNULL)
    plan_json = f"{folder}/plan.json"
    plan = json.load(open(plan_json))
    _, x = read(plan_wav)
    out, failed = {}, []

    def path(name, make, options=(), codes=(), level=LEVEL_WITHIN, clip=CLIP_WITHIN, refused=None, voids=None):
        if wanted and name not in wanted:
            return
        recording = make()
        if recording is None:
            print(f"{name:22} skipped: its program is missing")
            return
        said, err = ingest(recording, plan_json, *options)
        wrong = []
        if refused:
            if said is not None or refused not in err:
                wrong.append(f"not refused by {refused!r}: {err[-300:]}")
            print(f"{name:22} refused: {err[:110]}")
        elif said is None:
            wrong.append(err[-400:])
        else:
            c, levels, void, flaws = figures(said)
            off = [abs(v - true_level_db(d)) for (d, p), v in levels.items() if d < -29]
            off = max(off) if off else float("nan")
            if level is not None and not off <= level:
                wrong.append(f"level off by {off:.3f} dB")
            if clip is not None and not (isinstance(c, float) and abs(c - 20 * np.log10(CLIP)) <= clip):
                wrong.append(f"clip level {c}")
            if said["changed"]:
                wrong.append(f"reanalysed otherwise: {said['changed']}")
            if voids is not None and len(void) != voids:
                wrong.append(f"{len(void)} void takes: {void}")
            have = {code for code, _ in flaws}
            wrong += [f"does not say {code}" for code in codes if code not in have]
            strange = sorted(f"{w} {code}" for code, w in flaws if code not in EXPECTED and not code.startswith("coupler"))
            shown = f"{c:.3f}" if isinstance(c, float) else c
            print(f"{name:22} clip {shown}  level off {off:.4f}  void {[(d, list(v)[0] if isinstance(v, dict) else v) for d, v in void]}  {', '.join(strange)}"
                  f"  stop {said['record']['events'][-1]['stop']['because']}")
            if show:
                for text in flaws.values():
                    print("      ", text)
        if wrong:
            failed.append(name)
            print("   WRONG:", "; ".join(wrong))

    sound = lambda: device(x)
    path("wire", lambda: save("wire", sound()), voids=0)
    path("44100", lambda: save("44100", resample_poly(sound(), 147, 160), 44100), voids=0)
    path("96000", lambda: save("96000", resample_poly(sound(), 2, 1), 96000), voids=0)
    path("ppm", lambda: save("ppm", clock(sound(), 130)), voids=0)

    def hour():
        t = 400 * RATE
        before = np.cumsum(rng.normal(size=(t, 2)), 0)
        before = before - fftconvolve(before, np.ones((4800, 1)) / 4800, mode="same")
        before *= 0.05 / before.std()
        n = np.arange(t) / RATE
        for f in 220 * 2 ** (rng.integers(0, 36, 60) / 12):
            at = rng.uniform(0, 395)
            before += 0.03 * (np.sin(2 * np.pi * f * n) * np.exp(-np.maximum(n - at, 0) * 2) * (n > at))[:, None]
        return save("hour", np.concatenate([before, sound(), before[: 60 * RATE]]))

    path("hour", hour, voids=0)

    def cut():
        y, (at, _) = sound(), opens(plan, -30.0)
        at += int(1.2 * RATE)
        return save("cut", np.delete(y, slice(at, at + RATE), 0))

    path("cut", cut, codes=["moved-in-time"], voids=1)

    def paused():
        y, (at, _) = sound(), opens(plan, -30.0)
        at -= int(0.2 * RATE)
        other = device(0.1 * np.sin(np.arange(20 * RATE) * 0.05)[:, None] * np.ones((1, 2)))
        return save("paused", np.concatenate([y[:at], other, y[at:]]))

    path("paused", paused, codes=["moved-in-time"])

    def volume(db, drive, within):
        y, (at, frames) = x.copy(), opens(plan, drive)
        at += int(frames * 0.5) if within else -int(2.2 * RATE)
        z = device(y)
        z[at:] *= 10 ** (db / 20)
        return z

    path("volume down 3", lambda: save("volume down 3", volume(-3, -27.0, False)), codes=["volume-changed"], clip=None)
    path("volume up 0.5", lambda: save("volume up 0.5", volume(0.5, -27.0, False)), codes=["volume-changed"], clip=None)
    path("volume within", lambda: save("volume within", volume(-3, -27.0, True)), codes=["volume-changed"], clip=None)

    ears = ("--left-ear", "1", "--right-ear", "2")
    path("both ears", lambda: save("both ears", sound()), ears, voids=0)
    path("swapped", lambda: save("swapped", sound()[:, ::-1]), ears, codes=["channels-swapped"])
    path("mono fold", lambda: save("mono fold", device(np.repeat(x.mean(1, keepdims=True), 2, 1))), ears, codes=["channels-mixed"])

    def agc():
        y = x.copy()
        hop, state, gain = 480, 0.0, []
        for n in range(0, len(y), hop):
            power = (y[n : n + hop, 0] ** 2).mean()
            state += (power - state) * (0.3 if power > state else 0.01)
            gain.append(min(0.0, 0.5 * (-35 - 10 * np.log10(state + 1e-12))))
        g = np.interp(np.arange(len(y)), np.arange(len(gain)) * hop, gain)
        return save("agc", device(y * 10 ** (g / 20)[:, None]))

    path("agc", agc, level=None, clip=None, codes=["volume-changed"])
    path("speed 48/44.1", lambda: save("speed", resample_poly(sound(), 147, 160)), refused="faster")
    path("another sound", lambda: save("another", rng.normal(size=(30 * RATE, 2)) * 0.1), refused="no mark")
    path("ends early", lambda: save("early", sound()[: int(0.6 * len(x))]), clip=None, codes=["steps-missing"])
    path("begins late", lambda: save("late", sound()[int(7 * RATE) :]), codes=["steps-missing"])

    def coded(name, *commands):
        def make():
            if any(shutil.which(c[0]) is None for c in commands):
                return None
            for c in commands:
                subprocess.run(c, check=True, capture_output=True)
            rate, y = read(f"{folder}/{name}.dec.wav")
            return save(name, device(y), rate)
        return make

    f = folder
    for kbit in (128, 320):
        n = f"mp3 {kbit}"
        path(n, coded(n, ["lame", "-b", str(kbit), plan_wav, f"{f}/{n}.mp3"], ["lame", "--decode", f"{f}/{n}.mp3", f"{f}/{n}.dec.wav"]),
             level=0.1, clip=None, codes=["lossy"])
    path("opus 96", coded("opus 96", ["opusenc", "--bitrate", "96", plan_wav, f"{f}/o.opus"], ["opusdec", f"{f}/o.opus", f"{f}/opus 96.dec.wav"]),
         level=0.1, clip=None, codes=["lossy"])
    print("wrong:", ", ".join(failed) if failed else "none")
    return 1 if failed else 0


if __name__ == "__main__":
    show = "--show" in sys.argv
    words = [w for w in sys.argv[1:] if w != "--show"]
    program, folder, wanted = os.path.abspath(words[0]), os.path.abspath(words[1]), words[2:]
    os.makedirs(folder, exist_ok=True)
    os.environ.setdefault("LOUDENOUGH_HOME", folder + "/home")
    sys.exit(main())
