"""Reads a session folder: JSON by the standard library, WAV by libsndfile (through soundfile)."""

import json
import pathlib

import numpy as np
import soundfile

from take import Stimulus

OURS = {("WAVEX", "FLOAT")}
"""32-bit float under the extensible header."""
FOREIGN = {("WAV", "FLOAT"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAVEX", "PCM_24"), ("WAVEX", "PCM_32")}
"""What other programs write."""


def read_wav(path):
    """Samples (frames × channels, float64), rate, and what libsndfile says of the format."""
    with soundfile.SoundFile(path) as file:
        kind = (file.format, file.subtype)
        return file.read(dtype="float64", always_2d=True), file.samplerate, kind, file.frames


class Folder:
    """A session folder, or any folder of steps that is laid out like one."""

    def __init__(self, path):
        self.path = pathlib.Path(path)
        self.stimuli = []
        for file in sorted((self.path / "stimuli").glob("*.wav")):
            samples, rate, kind, _ = read_wav(file)
            assert samples.shape[1] == 1, f"{file}: one channel expected"
            assert kind[1] == "FLOAT", f"{file}: {kind}"
            if np.any(samples):
                power = np.abs(np.fft.rfft(samples[:, 0])) ** 2
                self.stimuli.append(Stimulus(samples[:, 0], rate, bool(power.max() > 0.99 * power.sum())))

        head = self.path / "session.json"
        self.head = json.loads(head.read_text()) if head.exists() else None
        self.formats = OURS if self.head else OURS | FOREIGN
        """What libsndfile may call the takes."""

    def offset(self, role):
        """Calibration offset, dB SPL at 0 dBFS; None without."""
        acoustic = (self.head or {}).get("chain", {}).get("acoustic", {}).get(role)
        return acoustic and acoustic["offset"]["value"]

    def steps(self):
        """Parsed step.json files in order, with their folders."""
        for file in sorted((self.path / "steps").glob("[0-9][0-9][0-9][0-9]/step.json")):
            yield file.parent, json.loads(file.read_text())

    def stimulus(self, head):
        """The stored period of a take; None for silence."""
        asked = head["stimulus"]
        for s in self.stimuli:
            if s.rate != head["played_rate"] or s.is_sine != (asked["kind"] == "sine"):
                continue
            if asked["kind"] == "pink":
                return s
            if abs(s.hz[s.excited][0] - asked["frequency_hz"]) <= 1.01 * s.rate / s.frames:
                return s
        return None
