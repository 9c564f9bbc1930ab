"""Runs the Python that the guide shows for reading a session, as it stands, and holds its figures against the stored ones;
hashes every file that SHA256SUMS lists; and holds sessions of several kinds against the schemas.

    format.py GUIDE PROGRAM SESSION FIRST SECOND MORE…        GUIDE: assets/guide/format.md; FIRST and SECOND are compared
"""

import hashlib
import json
import pathlib
import re
import subprocess
import sys

import schemas

WITHIN_DB = 0.05
"""The twenty lines leave out what the program does beyond them: clock, hum and what is left of noise and distortion."""
OVER_NOISE_DB = 25.0
"""Below this the stored sum of stimulus, noise and distortion has more of the noise than the lines' mean square says."""
FIELDS = ("session.json", "steps/0001/step.json", "events/000001.json", "summary.csv")


def main():
    guide, program_file, session, *more = (pathlib.Path(word) for word in sys.argv[1:])
    text = guide.read_text()
    program = re.search(r"^```python\n(.*?)^```$", text, re.S | re.M).group(1)
    said = subprocess.run([sys.executable, "-c", program, str(session)], check=True, capture_output=True, text=True).stdout
    read = {}
    for line in said.splitlines():
        number, role, dbfs, _, *spl = line.split()
        read.setdefault((int(number), role), []).append((float(dbfs), float(spl[0]) if spl else None))
    compared = worst = 0
    for file in sorted(session.glob("steps/[0-9][0-9][0-9][0-9]/step.json")):
        step = json.loads(file.read_text())
        takes = [take for take in step["takes"] if not take["void"] and take["head"]["stimulus"]["kind"] == "pink"]
        for at, take in enumerate(takes):
            for heard in take["inputs"]:
                dbfs, spl = read[step["step"]["number"], heard["role"]][at]
                finding = heard["finding"]
                if (finding["over_noise_db"] or 0) < OVER_NOISE_DB:
                    continue
                off = [dbfs - finding["level_total"]]
                if heard["sound"] and spl is not None:
                    off.append(spl - heard["sound"]["z"]["value"])
                compared += len(off)
                worst = max(worst, *map(abs, off))
    assert compared >= 10, f"only {compared} levels were read: {said}"
    assert worst < WITHIN_DB, f"a level is {worst:.3f} dB off what is stored"
    for name in FIELDS:
        assert (session / name).exists(), f"the guide names {name}, which is not there"
    documented(text, session)
    print(f"format: {compared} levels read by the guide's Python, the furthest {worst:.3f} dB off")
    files = sum(hashed(folder) for folder in (session, *more[:2]))
    print(f"format: {files} files are what SHA256SUMS says")
    documents, refused = schemas.check(guide.parent / "schemas", program_file, (session, *more), more[:2])
    print(f"format: {documents} documents are what the schemas say; an unknown key is refused at {refused} places")


def hashed(session):
    """Every recording, period and step is listed with its hash, and `sha256sum` reads the list."""
    listed = dict(reversed(line.split("  ", 1)) for line in (session / "SHA256SUMS").read_text().splitlines())
    there = {"session.json", *(str(f.relative_to(session)) for f in session.glob("stimuli/*.wav"))}
    there |= {str(f.relative_to(session)) for f in session.glob("steps/[0-9][0-9][0-9][0-9]/*")}
    assert set(listed) == there, f"listed and there differ: {set(listed) ^ there}"
    for path, digest in listed.items():
        assert hashlib.sha256((session / path).read_bytes()).hexdigest() == digest, f"{path} is not what SHA256SUMS says"
    subprocess.run(["sha256sum", "--check", "--strict", "--quiet", "SHA256SUMS"], cwd=session, check=True)
    return len(listed)


def documented(text, session):
    """What the guide names of head and steps is there, and what is there at their top is named."""
    head = json.loads((session / "session.json").read_text())
    step = json.loads((session / "steps/0004/step.json").read_text())
    take = step["takes"][-1]
    for part in (head, step, take, take["inputs"][0], take["inputs"][0]["finding"]["common"]):
        for key in part:
            assert key == "of" or f"`{key}" in text or f".{key}" in text or f'"{key}"' in text, f"the guide does not name {key}"
    columns = (session / "summary.csv").read_text().splitlines()[0].split(",")
    for column in columns:
        assert f"`{column}`" in text, f"the guide does not name the column {column}"


main()
