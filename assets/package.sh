#!/bin/sh
# Builds a .deb: program, menu entry, icon, manual pages, completions, guide and licences. Needs no root.
#   package.sh [FOLDER]          builds the program and writes the package into FOLDER (otherwise target/package)
# LOUDENOUGH_PROGRAM=FILE packages a program that is built already.
set -eu
cd "$(dirname "$0")/.."

features="--features pulseaudio"
out=${1:-${CARGO_TARGET_DIR:-target}/package}
program=${LOUDENOUGH_PROGRAM:-}
if [ -z "$program" ]; then
    LOUDENOUGH_COMMIT=${LOUDENOUGH_COMMIT:-$(git rev-parse --short=12 HEAD 2>/dev/null || true)}
    export LOUDENOUGH_COMMIT
    # The list is split into words on purpose.
    # shellcheck disable=SC2086
    cargo build --release --locked $features
    program=${CARGO_TARGET_DIR:-target}/release/loudenough
fi

version=$(sed -n 's/^version = "\(.*\)"/\1/p' Cargo.toml | head -n 1)
architecture=$(dpkg --print-architecture)
mkdir -p "$out"
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT INT TERM
chmod 755 "$root"
put() { install -D -m "$1" "$2" "$root/usr/$3"; }

put 755 "$program" bin/loudenough
strip "$root/usr/bin/loudenough" 2>/dev/null || true
put 644 assets/desktop/loudenough.desktop share/applications/loudenough.desktop
put 644 assets/desktop/loudenough.svg share/icons/hicolor/scalable/apps/loudenough.svg
put 644 assets/desktop/loudenough.metainfo.xml share/metainfo/loudenough.metainfo.xml
"$root/usr/bin/loudenough" pages --to "$root/usr/share" >/dev/null
find "$root/usr/share/man" -name '*.1' -exec gzip -9n {} +
doc=share/doc/loudenough
for page in assets/guide/*.md; do put 644 "$page" "$doc/guide/$(basename "$page")"; done
for schema in assets/guide/schemas/*.json; do put 644 "$schema" "$doc/guide/schemas/$(basename "$schema")"; done
put 644 CHANGELOG.md $doc/changelog
gzip -9n "$root/usr/$doc/changelog"
# shellcheck disable=SC2086
python3 assets/licences.py $features >"$root/usr/$doc/THIRD-PARTY.md"
{
    printf 'Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/\nUpstream-Name: loudenough\n\n'
    printf 'Files: *\nCopyright: the authors of loudenough\nLicense: Expat or Apache-2.0\n\n'
    printf 'License: Expat\n'
    sed 's/^$/./; s/^/ /' LICENSE-MIT
    printf '\nLicense: Apache-2.0\n On Debian systems: /usr/share/common-licenses/Apache-2.0\n'
    printf '\nComment: what is built in is listed in THIRD-PARTY.md beside this file.\n'
} >"$root/usr/$doc/copyright"

size=$(du -sk "$root/usr" | cut -f 1)
mkdir -p "$root/DEBIAN"
cat >"$root/DEBIAN/control" <<CONTROL
Package: loudenough
Version: $version
Architecture: $architecture
Maintainer: the authors of loudenough <loudenough@localhost>
Installed-Size: $size
Section: sound
Priority: optional
Depends: libc6, libgcc-s1, libasound2 | libasound2t64
Recommends: libgl1, libegl1, libx11-6, libx11-xcb1, libxkbcommon-x11-0, libxcursor1, libxi6, libxrandr2
Description: measures whether an output drives headphones loud enough
 A live measurement bench: stepped pink noise and sines through the sound
 card, a coupler's microphone, level, response and distortion at each step,
 and an answer in one sentence, with the interval of every number.
 .
 A simulated bench shows the whole job without hardware.
CONTROL
package="$out/loudenough_${version}_$architecture.deb"
dpkg-deb --root-owner-group --build "$root" "$package" >/dev/null
echo "$package"
