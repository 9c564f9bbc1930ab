"""Reads a session folder: JSON by the standard library, WAV by libsndfile (through soundfile)."""

import json
import pathlib

import soundfile

from take import Stimulus

OURS = {("WAVEX", "FLOAT")}
"""32-bit float under the extensible header."""
FOREIGN = {("WAV", "FLOAT"), ("WAV", "PCM_16"), ("WAV", "PCM_24"), ("WAVEX", "PCM_24"), ("WAVEX", "PCM_32")}
"""What other programs write."""


def fnv_1a(content):
    """64 bits of bytes (Fowler, Noll, Vo; constants as in draft-eastlake-fnv)."""
    value = 0xCBF29CE484222325
    for byte in content:
        value = (value ^ byte) * 0x100000001B3 % 2**64
    return value


def read_wav(path):
    """Samples (frames × channels, float64), rate, and what libsndfile says of the format."""
    with soundfile.SoundFile(path) as file:
        kind = (file.format, file.subtype)
        return file.read(dtype="float64", always_2d=True), file.samplerate, kind, file.frames


class Folder:
    """A session folder, or any folder of steps that is laid out like one."""

    def __init__(self, path):
        self.path = pathlib.Path(path)
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
        """The stored period of a take; foreign folders name it in words, sessions by a hash."""
        asked, rate = head["stimulus"], head["played_rate"]
        text = json.dumps(asked, separators=(",", ":"))
        words = asked.get("pair", asked["kind"]).removesuffix("-frequency")
        if asked["kind"] == "sine":
            words = f"sine-{asked['frequency_hz']:g}hz"
        names = [f"{fnv_1a(f'{text}@{rate}'.encode()):016x}", words]
        file = next(path for path in (self.path / "stimuli" / f"{name}.wav" for name in names) if path.exists())
        samples, stored_rate, kind, _ = read_wav(file)
        assert samples.shape[1] == 1, f"{file}: one channel expected"
        assert kind[1] == "FLOAT" and stored_rate == rate, f"{file}: {kind}, {stored_rate} Hz"
        return Stimulus(samples[:, 0], rate, asked["kind"])
