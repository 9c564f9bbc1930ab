#!/bin/sh
# Is whatever a real audio server loses said, and does anything grow? Seconds can be given, and the server: sh tests/soak.sh 7200 pipewire
set -eu
cd "$(dirname "$0")/.."
[ "${2:-}" != pipewire ] || export LOUDENOUGH_SOAK_PIPEWIRE=1
export LOUDENOUGH_SOAK_S="${1:-600}" LOUDENOUGH_REQUIRE_AUDIO=1
exec cargo test --features jack,pulseaudio --test live_audio -- --ignored --nocapture a_long_run
