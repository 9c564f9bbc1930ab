#!/bin/sh
# Do the stated 95 % intervals hold the truth as often as they claim? Many random takes and a table; needs no hardware.
# The number of cases can be given: sh tests/coverage.sh 1000
set -eu
cd "$(dirname "$0")/.."
export LOUDENOUGH_CASES="${1:-10000}"
exec cargo test --release --lib --no-default-features -- analysis::tests::coverage --nocapture --test-threads 1
