#!/bin/sh
# Walks through the real window by keyboard alone, as a newcomer does: a fresh home, the question, a verdict with Enter, a further
# seat, a second output, side by side, stock, notebook, report. Asserts what it leaves on the disk and how the program ends, and
# prints what each part took. The simulated bench plays in real time, so it takes about two minutes; it is not part of CI.
#
#   sh tests/window/walk.sh [PROGRAM] [FOLDER FOR PICTURES]
set -eu
cd "$(dirname "$0")/../.."

program=${1:-target/debug/loudenough}
pictures=${2:-}
# Pages, what is for all of them, and Stop come first.
TABS_TO_OUTPUT=10
scratch=$(mktemp -d)
home=$scratch/home
display_pid=""
window_pid=""
cleanup() {
    [ -n "$window_pid" ] && kill "$window_pid" 2>/dev/null || true
    [ -n "$display_pid" ] && kill "$display_pid" 2>/dev/null || true
    wait 2>/dev/null || true
    rm -rf "$scratch"
}
trap cleanup EXIT INT TERM

fail() {
    echo "walk: $*" >&2
    [ -n "$pictures" ] && import -window root "$pictures/failed.png" 2>/dev/null
    exit 1
}

# Waits for a condition: its name, seconds, and the command that is true once it holds.
wait_for() {
    what=$1 limit=$2
    shift 2
    began=$(date +%s)
    until "$@"; do
        [ $(($(date +%s) - began)) -lt "$limit" ] || fail "$what did not come within $limit s"
        if ended; then fail "the program ended before: $what"; fi
        sleep 0.2
    done
    printf '%4d s  %s\n' $(($(date +%s) - start)) "$what"
    if [ -n "$pictures" ]; then
        sleep 0.7
        import -window root "$pictures/$(printf '%03d' $(($(date +%s) - start)))-$(echo "$what" | tr ' /' '--').png"
    fi
}

press() {
    xdotool key --delay 80 "$@"
    sleep 0.3
}

# Sessions that climbed, the latest first.
climbs() { grep -ls '"extent": *"quick-look"' "$home"/sessions/*/session.json 2>/dev/null | sort -r; }
began() { climbs | grep -q .; }
another_began() { [ "$(climbs | wc -l)" -gt 1 ]; }
finished() { grep -qs '"ended"' "$(dirname "$(climbs | head -n 1)")"/events/*.json; }
steps_of() { find "$1/steps" -name step.json | wc -l; }
one_more_step() { [ "$(steps_of "$first")" -gt "$steps" ]; }
# The window remembers its page a moment after it was opened.
on_page() { grep -q "^page = \"$1\"" "$home/window.toml" 2>/dev/null; }
report_written() { find "$home" -name report.html | grep -q .; }
seen() { xdotool search --onlyvisible --pid "$window_pid" >/dev/null 2>&1; }
# A process that nobody has waited for yet is there, but it has ended.
ended() { case "$(ps -o stat= -p "$window_pid" 2>/dev/null)" in "" | Z*) true ;; *) false ;; esac; }

Xvfb -displayfd 3 -screen 0 1280x800x24 +extension GLX -nolisten tcp 3>"$scratch/display" >/dev/null 2>&1 &
display_pid=$!
while [ ! -s "$scratch/display" ]; do sleep 0.1; done
DISPLAY=":$(cat "$scratch/display")"
export DISPLAY LIBGL_ALWAYS_SOFTWARE=1 WINIT_X11_SCALE_FACTOR=1
unset WAYLAND_DISPLAY || true
[ -z "$pictures" ] || mkdir -p "$pictures"

start=$(date +%s)
LOUDENOUGH_HOME=$home "$program" &
window_pid=$!
wait_for "the window" 20 seen
xdotool windowfocus --sync "$(xdotool search --onlyvisible --pid "$window_pid" | tail -n 1)"
sleep 1

# A quick look, so that it stays short; then Enter and nothing else. While the bench is at work Enter means nothing.
press F7
presses=0
enter_until_it_climbs() {
    began && return 0
    presses=$((presses + 1))
    press Return
    sleep 1
    began
}
wait_for "cards, calibrator and path, by Enter alone" 75 enter_until_it_climbs
wait_for "a verdict" 60 finished
first=$(dirname "$(climbs | head -n 1)")
[ "$(find "$home/sessions" -name session.json | wc -l)" -eq 2 ] || fail "a path check and a climb were expected in $home/sessions"

steps=$(steps_of "$first")
press ctrl+h
sleep 4
press ctrl+h
wait_for "a further seat" 30 one_more_step
# The step is on the disk before the bench says that it is silent.
sleep 5

# The next question, about another output: the field that the keyboard reaches first on the page.
press Return
for _ in $(seq 1 "$TABS_TO_OUTPUT"); do press Tab; done
press ctrl+a
xdotool type --delay 30 "field recorder"
press F5
wait_for "a climb on another output" 30 another_began
wait_for "its verdict" 60 finished
grep -q '"output": *"field recorder"' "$(climbs | head -n 1)" || fail "the field of the output was not reached by Tab"

press ctrl+s
wait_for "side by side" 10 on_page side-by-side
press ctrl+t
wait_for "stock" 10 on_page stock
press ctrl+n
wait_for "notebook" 10 on_page notebook
xdotool type --delay 30 "console"
sleep 0.5
press Down
press Return
wait_for "the first session, opened from the notebook" 10 on_page climb
press ctrl+r
wait_for "a report" 30 report_written
find "$first" -name report.html | grep -q . || fail "the report is not that of the session that was opened"

press ctrl+q
began=$(date +%s)
until ended; do
    [ $(($(date +%s) - began)) -lt 10 ] || fail "the program did not end"
    sleep 0.1
done
status=0
wait "$window_pid" || status=$?
window_pid=""
[ "$status" -eq 0 ] || fail "the program ended with $status"
echo "walk: all of it by keyboard in $(($(date +%s) - start)) s, $presses times Enter up to the climb"
