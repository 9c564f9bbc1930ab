#!/bin/sh
# How often does a comparison of two outputs say the wrong word? Seeded benches with and without a planted difference, a
# table; needs no hardware. The number of benches can be given: sh tests/comparison.sh 150
set -eu
cd "$(dirname "$0")/.."
export LOUDENOUGH_COMPARISONS="${1:-150}"
exec cargo test --release --test it --no-default-features --features command-line -- comparison_rates:: --nocapture --test-threads 2
