#!/bin/sh
# Installs what building and running need on Debian and its relatives, and only what is missing.
# With the argument "tests" also what the tests need: private audio servers, a virtual display, audio effects, Python.
set -eu

build="pkg-config libasound2-dev gcc libc6-dev"
window="libgl1 libegl1 libgl1-mesa-dri libx11-6 libx11-xcb1 libxkbcommon-x11-0 libxcursor1 libxi6 libxrandr2"
tests="libjack-jackd2-dev jackd2 pulseaudio pulseaudio-utils libasound2-plugins pipewire pipewire-bin pipewire-pulse wireplumber dbus swh-plugins sox alsa-utils python3-numpy flac python3-venv xvfb x11-utils xdotool imagemagick"

wanted="$build $window"
if [ "${1:-}" = tests ]; then wanted="$wanted $tests"; fi

if ! command -v dpkg-query >/dev/null 2>&1; then
    echo "This is no Debian system; install the equivalents of: $wanted" >&2
    exit 0
fi

missing=""
for package in $wanted; do
    if ! dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q "install ok installed"; then
        missing="$missing $package"
    fi
done
if [ -z "$missing" ]; then exit 0; fi

echo "installing:$missing"
if [ "$(id -u)" = 0 ]; then as_root="env"; else as_root="sudo env"; fi
$as_root DEBIAN_FRONTEND=noninteractive apt-get update -qq
# The list is split into words on purpose.
# shellcheck disable=SC2086
$as_root DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends $missing
