#!/bin/sh
# Is distortion put down to where it was planted (output, headphone, input)? Many seeded benches and a table; needs no
# hardware. The number of benches can be given: sh tests/attribution.sh 50
set -eu
cd "$(dirname "$0")/.."
export LOUDENOUGH_ATTRIBUTIONS="${1:-500}"
exec cargo test --release --test it --no-default-features --features command-line -- attribution::planted --nocapture --test-threads 1
