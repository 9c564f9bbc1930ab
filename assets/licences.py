#!/usr/bin/env python3
"""Prints the licences of everything that is built into the program: licences.py FEATURES (as for cargo build).

Names, versions and licences come from `cargo metadata`, texts from the packages themselves. What cannot be found is named.
"""

import collections
import json
import pathlib
import subprocess
import sys

OWN = "loudenough"


def cargo(*words):
    return subprocess.run(["cargo", *words], check=True, capture_output=True, text=True).stdout


def built_in(features):
    """Names and versions of all packages that are linked: no build scripts, no tests, this target alone."""
    tree = cargo("tree", "--locked", *features, "-e", "normal", "--prefix", "none", "--format", "{p}")
    return {tuple(line.split()[:2]) for line in tree.splitlines() if line.strip()}


def texts(folder):
    files = sorted(file for file in folder.iterdir() if file.is_file())
    wanted = ("license", "licence", "copying", "notice", "unlicense")
    return [file for file in files if file.name.lower().startswith(wanted)]


def main():
    wanted = built_in(sys.argv[1:])
    packages = json.loads(cargo("metadata", "--locked", "--format-version", "1"))["packages"]
    packages = [p for p in packages if (p["name"], "v" + p["version"]) in wanted and p["name"] != OWN]
    print("# Third-party licences\n\nPackages that are built into this program, with their licences.\n")
    print("| package | version | licence |\n|---|---|---|")
    by_text = collections.defaultdict(list)
    missing = []
    for package in packages:
        name = f"{package['name']} {package['version']}"
        print(f"| {package['name']} | {package['version']} | {package['license'] or 'see its text'} |")
        found = texts(pathlib.Path(package["manifest_path"]).parent)
        for file in found:
            by_text[file.read_text(errors="replace").strip()].append(name)
        if not found:
            missing.append(name)
    for text, names in sorted(by_text.items(), key=lambda item: item[1]):
        print(f"\n## {', '.join(sorted(set(names)))}\n\n```text\n{text}\n```")
    if missing:
        print(f"\nNo text of a licence comes with: {', '.join(missing)}.")


main()
