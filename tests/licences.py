#!/usr/bin/env python3
"""Are the licences of all dependencies allowed, and does none come twice that need not?

Reads `cargo metadata` of this platform with every feature, build scripts and tests included. Licence expressions are SPDX's
(annex D of SPDX 2.3; `/` is the older way of writing OR). `assets/deny.toml` is the list, for cargo-deny as well.
"""

import collections
import json
import pathlib
import re
import subprocess
import sys
import tomllib

LICENCES = tomllib.loads((pathlib.Path(__file__).parent / "../assets/deny.toml").read_text())["licenses"]
"""What is allowed and what is excepted, as cargo-deny reads it; the reasons stand there."""
ALLOWED = set(LICENCES["allow"])
EXCEPTIONS = collections.defaultdict(set)
"""Licence: the packages that may have it."""
for exception in LICENCES["exceptions"]:
    for licence in exception["allow"]:
        EXCEPTIONS[licence].add(exception["crate"])

DUPLICATES = 18
"""Packages that are built in more than one version: window toolkits that have not moved on together, and the older
digests of the FLAC encoder (15 without it). It may only fall; write the
new number here when it does."""


def tokens(expression):
    words = re.findall(r"[()]|[^\s()]+", expression.replace("/", " OR "))
    joined = " ".join(words)
    return re.findall(r"[()]|\bOR\b|\bAND\b|(?:(?!\b(?:OR|AND)\b)[^()\s])+(?: WITH [^()\s]+)?", joined)


def refused(expression, allowed):
    """Licences that stand in the way; empty where one of the choices is allowed. AND binds closer than OR."""
    left = tokens(expression)

    def any_of():
        found = [all_of()]
        while left and left[0] == "OR":
            left.pop(0)
            found.append(all_of())
        return min(found, key=len)

    def all_of():
        found = one()
        while left and left[0] == "AND":
            left.pop(0)
            found = found | one()
        return found

    def one():
        word = left.pop(0)
        if word == "(":
            inner = any_of()
            left.pop(0)
            return inner
        return set() if word in allowed else {word}

    answer = any_of()
    assert not left, f"not understood: {expression}"
    return answer


def of_package(package):
    """What is wrong with it, in words."""
    exempt = {licence for licence, names in EXCEPTIONS.items() if package["name"] in names}
    expression = package["license"]
    if not expression:
        return "states no licence"
    found = refused(expression, ALLOWED | exempt)
    return f"{', '.join(sorted(found))} of `{expression}` is not allowed" if found else None


def twice(packages):
    versions = collections.defaultdict(set)
    for package in packages:
        versions[package["name"]].add(package["version"])
    return {name: sorted(all) for name, all in versions.items() if len(all) > 1}


def test_itself():
    for expression, expected in (
        ("MIT", set()), ("GPL-3.0-only", {"GPL-3.0-only"}), ("MIT/GPL-2.0", set()), ("GPL-2.0-only OR MIT AND ISC", set()),
        ("(MIT OR Apache-2.0) AND OFL-1.1", {"OFL-1.1"}), ("MIT AND GPL-2.0-only OR LGPL-2.1", {"GPL-2.0-only"}),
        ("Apache-2.0 WITH LLVM-exception", set()), ("GPL-2.0 WITH Classpath-exception-2.0", {"GPL-2.0 WITH Classpath-exception-2.0"}),
    ):
        found = refused(expression, ALLOWED)
        assert len(found) == len(expected) and (found == expected or " OR " in expression), f"{expression}: {found}"
    assert of_package({"name": "x", "license": "MPL-2.0"}) and not of_package({"name": "option-ext", "license": "MPL-2.0"})
    assert of_package({"name": "x", "license": None})
    assert twice([{"name": "a", "version": v} for v in "12"] + [{"name": "b", "version": "1"}]) == {"a": ["1", "2"]}


def main():
    test_itself()
    host = re.search(r"host: (\S+)", subprocess.run(["rustc", "-vV"], check=True, capture_output=True, text=True).stdout)[1]
    words = ["cargo", "metadata", "--format-version", "1", "--locked", "--all-features", "--filter-platform", host]
    metadata = json.loads(subprocess.run(words, check=True, capture_output=True, text=True).stdout)
    used = {node["id"] for node in metadata["resolve"]["nodes"]}
    packages = [package for package in metadata["packages"] if package["id"] in used]
    wrong = [f"{p['name']} {p['version']}: {why}" for p in packages if (why := of_package(p))]
    under = lambda licence: {p["name"] for p in packages if licence in tokens(p["license"] or "")}
    wrong += [
        f"{name} is excepted for {licence}, and no dependency of that name is under it any more"
        for licence, names in EXCEPTIONS.items() for name in sorted(names - under(licence))
    ]
    duplicates = twice(packages)
    if len(duplicates) != DUPLICATES:
        listed = ", ".join(f"{name} ({' and '.join(all)})" for name, all in sorted(duplicates.items()))
        more = "more than" if len(duplicates) > DUPLICATES else "fewer than, which is good: write it into this file;"
        wrong.append(f"{len(duplicates)} packages come in several versions, {more} {DUPLICATES}: {listed}")
    if wrong:
        sys.exit("\n".join(wrong))
    print(f"licences: {len(packages)} packages, all allowed; {len(duplicates)} in more than one version")


if __name__ == "__main__":
    main()
