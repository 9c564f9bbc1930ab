#!/bin/sh
# Does a real audio server lose a block in ten minutes? Seconds can be given: sh tests/soak.sh 60
set -eu
cd "$(dirname "$0")/.."
export LOUDENOUGH_SOAK_S="${1:-600}" LOUDENOUGH_REQUIRE_AUDIO=1
exec cargo test --features jack,pulseaudio --test live_audio -- --ignored --nocapture a_long_run
