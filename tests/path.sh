#!/bin/sh
# Does the path check find nothing on clean benches, and each fault at its smallest size? Many random benches, two tables;
# needs no hardware. The number of clean benches can be given: sh tests/path.sh 1000
set -eu
cd "$(dirname "$0")/.."
cases="${1:-1000}"
run() { LOUDENOUGH_CASES="$2" cargo test --features jack,pulseaudio --test it -- "path::$1" --nocapture --test-threads 1; }
run clean_benches_show_no_fault "$cases"
run each_fault_is_found_at_its_smallest_size "$(((cases + 49) / 50))"
