"""Two outputs on several seats each, judged again by scipy: pooled variance, Student's intervals that hold together
(Bonferroni), and the words that follow from them; and the CSV tables of the report read back by Python's own reader.
Arguments: the program, two session folders."""

import csv
import json
import math
import pathlib
import subprocess
import sys
import tempfile

import numpy as np
import scipy.stats

FAMILY = 0.02  # chance that the interval of any band misses, as documented
INDEPENDENT = 4  # degrees of freedom of the pooled scatter over those of one band, as documented
LEAK_DB = 3.0
NO_USE_DB = 6.0  # no size is given over this
HALF_DB = 0.002  # how well half widths agree
NORMAL_95 = scipy.stats.norm.ppf(0.975)


def seats_of(folder):
    """Level of each band less the level of all, dB, per tight seat: the quiet reference and every further seat."""
    fits = []
    for path in sorted(pathlib.Path(folder, "steps").glob("*/step.json")):
        step = json.loads(path.read_text())
        if step["step"]["purpose"] not in ("reference", "seat"):
            continue
        heard = [t["inputs"][0]["finding"] for t in step["takes"] if t["void"] is None][-1]
        bands = {b["x"]: b["level"]["value"] for b in heard["bands"] if b["level"]}
        low = sum(10 ** ((bands[x] - step["step"]["drive"]) / 10) for x in range(-17, -9))
        fits.append((10 * math.log10(low), {x: v - heard["level_z"]["value"] for x, v in bands.items()}))
    best = max(low for low, _ in fits)
    return [shape for low, shape in fits if best - low <= LEAK_DB]


def own_standard(folder, step, x):
    """Standard uncertainty of a band at the matched step from the take itself, dB."""
    file = pathlib.Path(folder, "steps", f"{step:04}", "step.json")
    heard = [t["inputs"][0]["finding"] for t in json.loads(file.read_text())["takes"] if t["void"] is None][-1]
    interval = next(b["level"]["interval"] for b in heard["bands"] if b["x"] == x)
    return (interval["high"] - interval["low"]) / 2 / NORMAL_95


def sides_noise(played, folder, xs):
    """The largest of the steps that one side's numbers were read from, per band."""
    basis = played["basis"]
    steps = basis.get("steps") or [basis["step"]]
    return np.array([max(own_standard(folder, step, x) for step in steps) for x in xs])


def words(values, half, within):
    """One of three words for each difference, by its interval."""
    low, high = values - half, values + half
    differs = (low > within) | (high < -within)
    same = (low >= -within) & (high <= within)
    return np.where(differs, "differs", np.where(same, "same", "not-told"))


def check_words(told, first, second):
    """Half widths and words of every band."""
    a, b = seats_of(first), seats_of(second)
    n_a, n_b = len(a), len(b)
    assert told["seats"] == [n_a, n_b] and n_a > 1 and n_b > 1, told["seats"]
    xs = [band["x"] for band in told["bands"]]
    known = [x for x in a[0] if all(x in shape for shape in a + b)]
    variance = {}
    for x in known:
        va, vb = (np.array([shape[x] for shape in shapes]) for shapes in (a, b))
        test = scipy.stats.ttest_ind(vb, va, equal_var=True)
        # Standard error of the difference of means, from the statistic itself.
        variance[x] = ((vb.mean() - va.mean()) / test.statistic) ** 2
    pooled = np.mean(list(variance.values()))
    dof = n_a + n_b - 2
    values = np.array([band["difference_db"]["value"] for band in told["bands"]])
    scatter = np.maximum([variance[x] for x in xs], pooled)
    student = scipy.stats.t.ppf(1 - FAMILY / (2 * len(xs)), INDEPENDENT * dof)
    ends = [band["difference_db"]["interval"] for band in told["bands"]]
    told_half = np.array([(end["high"] - end["low"]) / 2 for end in ends])
    # The seats' part, and not more than the noisiest take that stands behind the band adds to it, with a thousandth for
    # the interval of the level that is matched.
    noise = [sides_noise(played, folder, xs) for played, folder in zip(told["played"], (first, second))]
    least, most = student * np.sqrt(scatter), student * np.sqrt(scatter + noise[0] ** 2 + noise[1] ** 2)
    inside = (told_half > least * (1 - 1e-6)) & (told_half < most * 1.001)
    assert inside.all(), f"half widths {told_half[~inside]} not within {least[~inside]} to {most[~inside]}"
    worst = np.max(most / least - 1)
    expected = words(values, told_half, told["within_db"])
    assert list(expected) == [band["told"] for band in told["bands"]], (expected, told["bands"])
    smallest = [told["within_db"] + half for half in told_half]
    for reckoned, band in zip(smallest, told["bands"]):
        stated = band["smallest_db"]
        agrees = reckoned > NO_USE_DB if stated is None else abs(reckoned - stated) < HALF_DB
        assert agrees, f"smallest difference {stated}, not {reckoned:.4f} dB"
    return len(xs), worst, list(expected)


def check_tables(told, folder):
    """Every number of the comparison's tables is that of `--json`, as printed."""
    read = 0
    with open(folder / "tables" / "response-difference.csv", newline="", encoding="utf-8-sig") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(told["bands"])
    for row, band in zip(rows, told["bands"]):
        numbers = [float(v) for k, v in row.items() if k.startswith("second less first") and not k.endswith("kind") and v]
        d = band["difference_db"]
        expected = [d["value"], d["interval"]["low"], d["interval"]["high"]]
        assert len(numbers) == 3 and np.allclose(numbers, expected, atol=0.00501), (numbers, expected)
        read += 3
    for path in sorted((folder / "tables").glob("*.csv")):
        with open(path, newline="", encoding="utf-8-sig") as file:
            rows = list(csv.reader(file))
        assert rows and all(len(row) == len(rows[0]) for row in rows), path
    return read


def main(program, first, second):
    for within in ("0.2", "0.8"):
        with tempfile.TemporaryDirectory() as scratch:
            compare = [program, "compare", "--within", within, first, second]
            told = json.loads(subprocess.run([*compare, "--json"], capture_output=True, check=True).stdout)
            report = pathlib.Path(scratch, "report")
            subprocess.run([*compare, "--report", report], capture_output=True, check=True)
            read = check_tables(told, report)
        bands, worst, found = check_words(told, first, second)
        counts = ", ".join(f"{found.count(word)} {word}" for word in sorted(set(found)))
        print(
            f"seats: {bands} bands as in a pooled t test (takes add {100 * worst:.1f} % at most); within {within} dB "
            f"{counts}; {read} numbers of CSV read back"
        )


try:
    main(*sys.argv[1:])
except AssertionError as wrong:
    sys.exit(f"seats: {wrong}")
