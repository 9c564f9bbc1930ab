#!/bin/sh
# Runs every test: installs missing test packages, starts a private virtual display, requires the private audio
# servers (each test starts and stops its own), and stops what it started by process id.
set -eu
cd "$(dirname "$0")/.."

began=$(date +%s)
say() { echo "== $1 ($(($(date +%s) - began)) s so far)"; }

say "packages, 1 of 4"
sh assets/install-system-packages.sh tests

scratch=$(mktemp -d)
display_pid=""
cleanup() {
    [ -n "$display_pid" ] && kill "$display_pid" 2>/dev/null || true
    rm -rf "$scratch"
}
trap cleanup EXIT INT TERM

# The server picks a free display and writes its number.
Xvfb -displayfd 3 -screen 0 1280x800x24 +extension GLX -nolisten tcp 3>"$scratch/display" >/dev/null 2>&1 &
display_pid=$!
waited=0
while [ ! -s "$scratch/display" ] && [ "$waited" -lt 100 ]; do sleep 0.1; waited=$((waited + 1)); done
DISPLAY=":$(cat "$scratch/display")"
export DISPLAY
unset WAYLAND_DISPLAY || true
export LIBGL_ALWAYS_SOFTWARE=1 WINIT_X11_SCALE_FACTOR=1
# Nothing is skipped here: a missing server or display is a failure.
export LOUDENOUGH_REQUIRE_AUDIO=1 LOUDENOUGH_REQUIRE_DISPLAY=1
# Tests never touch the user's own sessions.
export LOUDENOUGH_HOME="$scratch/home"

# Signals of other people's tools are left here by the tests that analyse them, for the reference to analyse as well.
export LOUDENOUGH_FOREIGN="$scratch/foreign"

# Properties are tried on the same cases here and elsewhere; without it the seed is new each time and printed.
export PROPTEST_RNG_SEED="${PROPTEST_RNG_SEED:-20260301}"
# Fifty seeded benches from the commit; the first seed is printed.
export LOUDENOUGH_SEED="${LOUDENOUGH_SEED:-commit}" LOUDENOUGH_SESSIONS="${LOUDENOUGH_SESSIONS:-50}"

# A tenth of the comparisons that `tests/comparison.sh` counts.
export LOUDENOUGH_COMPARISONS="${LOUDENOUGH_COMPARISONS:-14}"

# Benches that distortion is planted on.
export LOUDENOUGH_ATTRIBUTIONS="${LOUDENOUGH_ATTRIBUTIONS:-24}"

say "building, 2 of 4"
cargo test --features jack,pulseaudio --no-run "$@"
say "tests, 3 of 4"
cargo test --features jack,pulseaudio --no-fail-fast "$@"
# The whole run also holds the numbers against other people's mathematics.
if [ $# -eq 0 ]; then
    say "reference, 4 of 4"
    sh tests/reference/run.sh
fi
say "done"
