#!/bin/sh
# Times the analysis against numpy and scipy in one run, on one core. Words pick timings: `sh tests/bench/run.sh T1b T4`.
set -eu
cd "$(dirname "$0")/../.."
LOUDENOUGH_PEER_PYTHON=$(sh tests/reference/venv.sh)
export LOUDENOUGH_PEER_PYTHON
cargo bench --features jack,pulseaudio --bench speed -- "$@"
