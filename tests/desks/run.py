#!/usr/bin/python3
"""Runs sessions on foreign desks and holds what they say against the desks' truths.

    run.py [--program PATH] [--at-once N] [--busy N] [--ci] [--keep FOLDER] [--truth] [NAME ...]

--ci: the chosen ones. --busy N: N processes that only compute run beside. --truth: measures the desks without the bench.
"""

import argparse
import concurrent.futures
import os
import pathlib
import pty
import re
import signal
import subprocess
import sys
import threading
import time

from desks import DESKS

HERE = pathlib.Path(__file__).resolve().parent
ASKED = ("--playback alsa:desk_out --capture alsa:desk_in --left-ear 1 --right-ear 2 --offset 100 --listening 60 "
         "--seats 1").split()
SHOWN = ["--no-progress", "--details"]
LONGEST_S = 900
ANSWERED = (0, 4, 5)
"""Exit codes of a session that came to its end: an answer, not determined, short."""


CHECKED = "chain check --playback alsa:desk_out --capture alsa:desk_in --left-ear 1 --right-ear 2 --no-progress".split()


SWAPPED = ("swap first second --playback alsa:desk_out --second-playback alsa:desk_two --capture alsa:desk_in --left-ear 1 "
           "--right-ear 2 --offset 100 --at 60 --no-progress").split()


def arguments(desk):
    if desk.check:
        return [*CHECKED, *desk.run]
    if desk.swap:
        return [*SWAPPED, *desk.run]
    own = {name for name in desk.run if name.startswith("--")}
    pairs = [pair for pair in zip(ASKED[::2], ASKED[1::2]) if pair[0] not in own]
    return ["run", *(word for pair in pairs for word in pair), *SHOWN, *desk.run]


def press_enter(terminal, said):
    """Somebody who changes nothing but presses Enter whenever it is asked for; what is shown goes into `said`."""
    asked = 0
    shown = b""
    while True:
        try:
            more = os.read(terminal, 4096)
        except OSError:
            return
        if not more:
            return
        shown += more
        said.write(more.decode(errors="replace").replace("\r", ""))
        if shown.count(b"press Enter") > asked:
            asked += 1
            os.write(terminal, b"\n")


def session(desk, program, keep):
    folder = keep / desk.name
    folder.mkdir(parents=True, exist_ok=True)
    environment = {**os.environ, "LOUDENOUGH_HOME": str(folder / "home"), "NO_COLOR": "1"}
    began = time.monotonic()
    with open(folder / "said.txt", "w") as said:
        command = ["bash", str(HERE / "desk.sh"), *desk.options, "--", program, *arguments(desk)]
        if desk.swap:
            terminal, inside = pty.openpty()
            desk_run = subprocess.Popen(command, stdin=inside, stdout=inside, stderr=inside, env=environment, start_new_session=True)
            os.close(inside)
            threading.Thread(target=press_enter, args=(terminal, said), daemon=True).start()
        else:
            # The end of the input is no consent: nobody sits here.
            desk_run = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT,
                                        env=environment, start_new_session=True)
        try:
            code = desk_run.wait(LONGEST_S)
        except subprocess.TimeoutExpired:
            code = "no end"
            # With its server and program: what goes on sounding would load the desks that follow.
            os.killpg(desk_run.pid, signal.SIGKILL)
            desk_run.wait()
    return desk, code, time.monotonic() - began, (folder / "said.txt").read_text()


def faults(desk, code, said):
    if "panicked" in said:
        yield "panicked"
    if desk.ends and code not in ANSWERED:
        yield f"ended with {code}"
    if code == "no end":
        yield code
    yield from (f"does not say /{must}/" for must in desk.must if not re.search(must, said))
    yield from (f"says /{never}/" for never in desk.must_not if re.search(never, said))


def main():
    ask = argparse.ArgumentParser()
    ask.add_argument("--program", default="loudenough")
    ask.add_argument("--at-once", type=int, default=4)
    ask.add_argument("--busy", type=int, default=0)
    ask.add_argument("--ci", action="store_true")
    ask.add_argument("--truth", action="store_true")
    ask.add_argument("--keep", default="/tmp/desks")
    ask.add_argument("names", nargs="*")
    asked = ask.parse_args()
    known = {desk.name: desk for desk in DESKS}
    chosen = [known[name] for name in asked.names] or [d for d in DESKS if d.ci or not asked.ci]
    if asked.truth:
        for desk in chosen:
            print(f"== {desk.name}: {desk.truth}", flush=True)
            subprocess.run(["bash", str(HERE / "desk.sh"), *desk.options, "--", "/usr/bin/python3", str(HERE / "truth.py")])
        return 0
    busy = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(asked.busy)]
    wrong = 0
    again = []
    try:
        with concurrent.futures.ThreadPoolExecutor(asked.at_once) as pool:
            runs = [pool.submit(session, desk, asked.program, pathlib.Path(asked.keep)) for desk in chosen]
            for run in concurrent.futures.as_completed(runs):
                desk, code, took, said = run.result()
                found = list(faults(desk, code, said))
                again += [desk] if found else []
                print(f"{'wrong' if found else 'right'} {desk.name:16} {took:4.0f} s  {desk.truth}", *found, sep="\n      ", flush=True)
        # A busy machine may cost a session its takes, not its answer: what is wrong alone as well is wrong.
        for desk in again:
            _, code, took, said = session(desk, asked.program, pathlib.Path(asked.keep) / "again")
            found = list(faults(desk, code, said))
            wrong += bool(found)
            print(f"{'wrong' if found else 'right'} {desk.name:16} {took:4.0f} s  again, alone", *found, sep="\n      ", flush=True)
    finally:
        for process in busy:
            process.kill()
    print(f"{len(chosen) - wrong} of {len(chosen)} desks right")
    return int(wrong > 0)


if __name__ == "__main__":
    sys.exit(main())
