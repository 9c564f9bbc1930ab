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

# Rehearses a session; any answer will do, short or not determined as well (exit codes 4 and 5).
rehearsed() {
    code=0
    "$target/debug/loudenough" rehearse "$@" --sessions "$scratch" --no-progress >"$scratch/told" || code=$?
    case $code in
    0 | 4 | 5) ;;
    *) cat "$scratch/told"; exit 1 ;;
    esac
}

rehearsed --step 9 --sine 997,73 --id rehearsed
# Other sounds, loud enough for their distortion to stand over the noise.
rehearsed --step 10 --output "field recorder" --headphone "in-ear 16 Ω" --at 104 --beside sweep,modulation,difference --id beside
set -- "$scratch/rehearsed" "$scratch/beside"
if [ -n "${LOUDENOUGH_FOREIGN:-}" ]; then set -- "$@" "$LOUDENOUGH_FOREIGN"; fi
"$python" tests/reference/compare.py "$@"
"$python" tests/reference/limits.py "$target/debug/loudenough" "$scratch/rehearsed" "$scratch/limits"
"$python" tests/reference/music.py "$target/debug/loudenough" "$scratch/rehearsed"
# Two outputs, three seats each.
for output in "console phones socket" "desk amplifier"; do
    rehearsed --quick --seats 3 --output "$output" --headphone "closed 80 Ω" --id "$(echo "$output" | tr ' ' '-')"
done
simulated="--playback simulated:bench --capture simulated:bench --left-ear 1 --sessions $scratch"
# The list is split into words on purpose.
# shellcheck disable=SC2086
{
    "$target/debug/loudenough" chain check $simulated --right-ear 2 --id checked >/dev/null
    "$target/debug/loudenough" swap "console phones socket" "desk amplifier" $simulated --offset 130 --headphone "closed 80 Ω" --id swapped --json >/dev/null
    "$target/debug/loudenough" plan --out "$scratch/elsewhere.wav" >/dev/null
    "$target/debug/loudenough" ingest "$scratch/elsewhere.wav" --plan "$scratch/elsewhere.json" --offset 121 --left-ear 1 \
        --sessions "$scratch" --id ingested --no-progress >/dev/null || test $? -ge 4
}
"$target/debug/loudenough" notebook note "$scratch/rehearsed" "a note" >/dev/null
"$python" tests/reference/format.py assets/guide/format.md "$target/debug/loudenough" "$scratch/rehearsed" \
    "$scratch/console-phones-socket" "$scratch/desk-amplifier" "$scratch/beside" "$scratch/checked" "$scratch/swapped-first" \
    "$scratch/swapped-second" "$scratch/ingested" tests/data/session-v1
"$python" tests/reference/seats.py "$target/debug/loudenough" "$scratch/console-phones-socket" "$scratch/desk-amplifier"
