#!/bin/sh
# Do whole sessions find the true values? Many simulated benches and a table; needs no hardware. The number of benches and the
# first seed can be given: sh tests/sessions.sh 1000 5000000. Without a seed it comes from the commit, as in tests/run.sh.
set -eu
cd "$(dirname "$0")/.."
export LOUDENOUGH_SESSIONS="${1:-1000}" LOUDENOUGH_SEED="${2:-commit}"
exec cargo test --release --test it --no-default-features --features command-line -- sessions::sessions_on_seeded --nocapture
