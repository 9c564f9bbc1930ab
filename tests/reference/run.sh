#!/bin/sh
# Holds stored numbers against the same quantities computed by numpy and scipy from the same WAVs: a rehearsed session,
# and the foreign signals that the integration tests left ($LOUDENOUGH_FOREIGN, where set). Needs the built program.
set -eu
cd "$(dirname "$0")/../.."
target=${CARGO_TARGET_DIR:-target}
venv=$target/reference-venv

# A folder that holds exactly the pinned packages is kept between runs.
if ! cmp -s tests/reference/requirements.txt "$venv/installed.txt"; then
    began=$(date +%s)
    rm -rf "$venv"
    python3 -m venv "$venv"
    "$venv/bin/pip" install --quiet --disable-pip-version-check -r tests/reference/requirements.txt
    cp tests/reference/requirements.txt "$venv/installed.txt"
    echo "reference: packages took $(($(date +%s) - began)) s to install"
fi

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT INT TERM
"$target/debug/loudenough" rehearse --step 9 --sine 997,73 --sessions "$scratch" --id rehearsed --no-progress \
    >"$scratch/told" || { cat "$scratch/told"; exit 1; }
set -- "$scratch/rehearsed"
if [ -n "${LOUDENOUGH_FOREIGN:-}" ]; then set -- "$@" "$LOUDENOUGH_FOREIGN"; fi
"$venv/bin/python" tests/reference/compare.py "$@"
