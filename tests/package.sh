#!/bin/sh
# Unpacks a .deb into an empty root and does the main job with what is there: package.sh FILE. Needs no root.
set -eu
package=$1
root=$(mktemp -d)
trap 'rm -rf "$root"' EXIT INT TERM
dpkg-deb --info "$package" | grep -q '^ Depends: ' || { echo "it names nothing that it depends on"; exit 1; }
dpkg -x "$package" "$root"
program=$root/usr/bin/loudenough
share=$root/usr/share
home=$root/home

# Every library that it needs is found.
if ldd "$program" | grep "not found"; then exit 1; fi
"$program" --version
env -i HOME="$home" LOUDENOUGH_HOME="$home" "$program" rehearse --quick --no-progress --id first
env -i HOME="$home" LOUDENOUGH_HOME="$home" "$program" judge first --details >/dev/null
env -i HOME="$home" LOUDENOUGH_HOME="$home" "$program" report first
test -s "$home/sessions/first/report/report.html"

test "$(gzip -dc "$share/man/man1/loudenough-run.1.gz" | grep -c '^\.SH')" -gt 2
if command -v man >/dev/null 2>&1; then man --warnings -l "$share/man/man1/loudenough.1.gz" 2>&1 >/dev/null | grep . && exit 1; fi
bash -n "$share/bash-completion/completions/loudenough"
grep -q 'taper' "$share/bash-completion/completions/loudenough"
# What bash completes after "judge fi" is the session that was measured above.
completed=$(env -i PATH="$root/usr/bin:$PATH" HOME="$home" LOUDENOUGH_HOME="$home" bash -c '
    . "$1"; COMP_WORDS=(loudenough judge fi) COMP_CWORD=2
    _loudenough_with_sessions loudenough fi judge; echo "${COMPREPLY[@]}"' bash "$share/bash-completion/completions/loudenough")
case " $completed " in *" first "*) ;; *) echo "bash completes \"judge fi\" to: $completed"; exit 1 ;; esac
grep -q '_loudenough_sessions' "$share/zsh/vendor-completions/_loudenough"
grep -q 'session-names' "$share/fish/vendor_completions.d/loudenough.fish"
test -s "$share/zsh/vendor-completions/_loudenough" && test -s "$share/fish/vendor_completions.d/loudenough.fish"
grep -q 'symphonia.*MPL-2.0' "$share/doc/loudenough/THIRD-PARTY.md"
for page in desk.md format.md schemas/session.schema.json; do test -s "$share/doc/loudenough/guide/$page"; done
if command -v desktop-file-validate >/dev/null 2>&1; then desktop-file-validate "$share/applications/loudenough.desktop"; fi
# The project has no domain of its own to name itself by.
if command -v appstreamcli >/dev/null 2>&1; then
    appstreamcli validate --no-net --override=cid-desktopapp-is-not-rdns=info "$share/metainfo/loudenough.metainfo.xml"
fi
echo "package: $(du -sk "$root/usr" | cut -f 1) kB installed, the main job runs"
