#!/bin/sh
# Holds stored numbers against the same quantities computed by numpy and scipy from the same WAVs: rehearsed sessions,
# the same with recordings that are limited by known limits here, and the foreign signals that the integration tests left
# ($LOUDENOUGH_FOREIGN, where set). Needs the built program.
set -eu
cd "$(dirname "$0")/../.."
target=${CARGO_TARGET_DIR:-target}
python=$(sh tests/reference/venv.sh)

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT INT TERM
"$target/debug/loudenough" rehearse --step 9 --sine 997,73 --sessions "$scratch" --id rehearsed --no-progress \
    >"$scratch/told" || { cat "$scratch/told"; exit 1; }
# Other sounds, loud enough for their distortion to stand over the noise.
"$target/debug/loudenough" rehearse --step 10 --output "field recorder" --headphone "in-ear 16 Ω" --at 104 \
    --beside sweep,modulation,difference --sessions "$scratch" --id beside --no-progress \
    >"$scratch/told" || { cat "$scratch/told"; exit 1; }
set -- "$scratch/rehearsed" "$scratch/beside"
if [ -n "${LOUDENOUGH_FOREIGN:-}" ]; then set -- "$@" "$LOUDENOUGH_FOREIGN"; fi
"$python" tests/reference/compare.py "$@"
"$python" tests/reference/format.py assets/guide/format.md "$scratch/rehearsed"
"$python" tests/reference/limits.py "$target/debug/loudenough" "$scratch/rehearsed" "$scratch/limits"
"$python" tests/reference/music.py "$target/debug/loudenough" "$scratch/rehearsed"
# Two outputs, three seats each.
for output in "console phones socket" "desk amplifier"; do
    "$target/debug/loudenough" rehearse --quick --seats 3 --output "$output" --headphone "closed 80 Ω" \
        --sessions "$scratch" --id "$(echo "$output" | tr ' ' '-')" --no-progress >"$scratch/told" \
        || { cat "$scratch/told"; exit 1; }
done
"$python" tests/reference/seats.py "$target/debug/loudenough" "$scratch/console-phones-socket" "$scratch/desk-amplifier"
