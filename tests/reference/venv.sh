#!/bin/sh
# Prints the Python of a folder ($CARGO_TARGET_DIR/reference-venv) that holds exactly the pinned packages; kept between
# runs.
set -eu
cd "$(dirname "$0")/../.."
venv=${CARGO_TARGET_DIR:-$PWD/target}/reference-venv
if ! cmp -s tests/reference/requirements.txt "$venv/installed.txt"; then
    began=$(date +%s)
    rm -rf "$venv"
    python3 -m venv "$venv"
    "$venv/bin/pip" install --quiet --disable-pip-version-check -r tests/reference/requirements.txt >&2
    cp tests/reference/requirements.txt "$venv/installed.txt"
    echo "reference: packages took $(($(date +%s) - began)) s to install" >&2
fi
echo "$venv/bin/python"
