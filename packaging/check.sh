#!/usr/bin/env bash
# Holds the package to what it promises, without root: the units are well formed and as closed as written down,
# the package installs, upgrades, removes and purges cleanly in a folder that stands for a machine.
# usage: packaging/check.sh [PROGRAM], a built `soakproof`; without it one is built (profile `dist`). What lacks a tool
# is passed over, and said.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
program=${1:-}

have() {
    for tool in "$@"; do
        command -v "$tool" >/dev/null || { echo "passed over: \`$tool\` is not here"; return 1; }
    done
}

die() {
    echo "packaging: $*" >&2
    exit 1
}

have dpkg dpkg-deb dpkg-shlibdeps fakeroot strip systemd-analyze systemd-sysusers systemd-tmpfiles || exit 0
if ! command -v cargo-deb >/dev/null; then
    tools=$(realpath "${CARGO_TARGET_DIR:-target}")/tools
    cargo install --quiet --locked --root "$tools" cargo-deb --version 3.8.0
    export PATH=$tools/bin:$PATH
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
root=$work/root
if [ -n "$program" ]; then
    # As the release profile does; packing hundreds of megabytes of symbols twice shows nothing.
    strip -o "$work/soakproof" "$program"
    program=$work/soakproof
fi
packaging/build.sh "$work" "$program"
package=$(echo "$work"/*.deb)
# Read whole before it is searched: a reader that stops early would end `dpkg-deb` by a signal.
[[ $(dpkg-deb --field "$package" Depends) == *libc6* ]] || die "the package does not say that it needs libc6"

# A second version, for the upgrade.
dpkg-deb --raw-extract "$package" "$work/newer"
sed -i 's/^Version: .*/&+newer/' "$work/newer/DEBIAN/control"
dpkg-deb --root-owner-group --build "$work/newer" "$work/newer.deb" >/dev/null

mkdir -p "$root"/{etc,usr,var/lib/dpkg/{info,updates,triggers},var/log}
touch "$root"/var/lib/dpkg/{status,available} "$root"/etc/{passwd,group}
# One fakeroot session, so that owners are remembered from step to step.
on_machine() {
    fakeroot -i "$work/owners" -s "$work/owners" -- "$@"
}
touch "$work/owners"
dpkg_there() {
    on_machine dpkg --root="$root" --force-script-chrootless --force-depends --force-bad-path \
        --log="$work/dpkg.log" "$@" >"$work/dpkg.out" 2>&1 || { cat "$work/dpkg.out"; die "dpkg $*"; }
}

dpkg_there --install "$package"
for path in usr/bin/soakproof etc/soakproof/soakproof.toml usr/lib/systemd/system/soakproof.service \
    usr/share/man/man1/soakproof-run.1.gz usr/share/bash-completion/completions/soakproof; do
    [ -e "$root/$path" ] || die "/$path was not installed"
done
grep -q '^soakproof:' "$root/etc/group" || die "no group"
grep -q '^soakproof-notices:' "$root/etc/passwd" || die "no user"
[ "$(on_machine stat -c %a "$root/var/lib/soakproof")" = 2770 ] || die "the record's folder is open"
"$root/usr/bin/soakproof" config check "$root/etc/soakproof/soakproof.toml" >/dev/null
[ -z "$(find "$root/etc/systemd" -name 'soakproof*' 2>/dev/null)" ] || die "a service was switched on unasked"

echo '# a word of the person' >>"$root/etc/soakproof/soakproof.toml"
touch "$root/var/lib/soakproof/soakproof.sqlite" "$root/etc/soakproof/token"
dpkg_there --install "$work/newer.deb"
grep -q 'a word of the person' "$root/etc/soakproof/soakproof.toml" || die "an upgrade overwrote the configuration"
[ -e "$root/var/lib/soakproof/soakproof.sqlite" ] || die "an upgrade lost the record"

dpkg_there --remove soakproof
[ ! -e "$root/usr/bin/soakproof" ] || die "removing left the program"
[ -e "$root/var/lib/soakproof/soakproof.sqlite" ] || die "removing took the record"
[ -e "$root/etc/soakproof/soakproof.toml" ] || die "removing took the configuration"
dpkg_there --purge soakproof
[ ! -e "$root/var/lib/soakproof" ] || die "purging left the record"
[ ! -e "$root/etc/soakproof/soakproof.toml" ] || die "purging left the configuration"
[ -e "$root/etc/soakproof/token" ] || die "purging took a file that the package did not bring"
rm "$root/etc/soakproof/token"
left=$(find "$root" -name '*soakproof*' -not -path "$root/etc/soakproof")
[ -z "$left" ] || die "purging left: $left"
echo "package: installs, upgrades, removes and purges"

# The units, seen on a machine where the package is installed.
dpkg_there --install "$package"
units=$root/usr/lib/systemd/system
for target in multi-user network-online time-sync sysinit basic shutdown; do
    printf '[Unit]\nDescription=%s\n' "$target" >"$units/$target.target"
done
for unit in soakproof.service soakproof-notices.service; do
    said=$(systemd-analyze verify --root="$root" --man=no "$unit" 2>&1) || die "$unit: $said"
    [ -z "$said" ] || die "$unit: $said"
    echo "$unit: well formed"
done

# Exposure as written down in DEVELOPERS.md: 0 is closed, 10 is open. A unit that opens further is refused.
exposure() { # UNIT MOST
    local level
    level=$(systemd-analyze security --offline=true --no-pager "$units/$1" |
        sed -n 's/.*Overall exposure level for [^:]*: \([0-9.]*\).*/\1/p')
    [ -n "$level" ] || die "$1: no exposure level"
    echo "$1: exposure $level of 10 (at most $2)"
    awk -v a="$level" -v b="$2" 'BEGIN { exit !(a <= b) }' || die "$1 is more open than written down"
}
exposure soakproof.service 2.8
exposure soakproof-notices.service 1.1
