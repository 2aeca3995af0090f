#!/usr/bin/env bash
# Builds soakproof_VERSION_ARCH.deb. usage: packaging/build.sh OUT [PROGRAM]
# PROGRAM is a built `soakproof`; without it one is built for release. Man pages and shell completions are
# made by the program itself, so that they always fit it.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
out=$1
program=${2:-}
if [ -z "$program" ]; then
    cargo build --release --locked
    program=${CARGO_TARGET_DIR:-target}/release/soakproof
fi
version=$("$program" --version | cut -d' ' -f2)
architecture=$(dpkg --print-architecture)
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
tree=$work/tree

put() { # MODE FROM TO
    install -D -m "$1" "$2" "$tree/$3"
}

put 755 "$program" usr/bin/soakproof
for unit in soakproof.service soakproof-notices.service; do
    put 644 "packaging/$unit" "usr/lib/systemd/system/$unit"
done
put 644 packaging/sysusers.conf usr/lib/sysusers.d/soakproof.conf
put 644 packaging/tmpfiles.conf usr/lib/tmpfiles.d/soakproof.conf
put 644 packaging/soakproof.toml etc/soakproof/soakproof.toml
put 644 README.md usr/share/doc/soakproof/README.md
put 644 packaging/copyright usr/share/doc/soakproof/copyright
put 644 LICENSE-MIT usr/share/doc/soakproof/LICENSE-MIT
put 644 LICENSE-APACHE usr/share/doc/soakproof/LICENSE-APACHE

"$program" manual "$work/manual"
for page in "$work"/manual/man/*.1; do
    put 644 "$page" "usr/share/man/man1/$(basename "$page")"
done
gzip -9n "$tree"/usr/share/man/man1/*.1
completions=$work/manual/completions
put 644 "$completions/soakproof.bash" usr/share/bash-completion/completions/soakproof
put 644 "$completions/_soakproof" usr/share/zsh/vendor-completions/_soakproof
put 644 "$completions/soakproof.fish" usr/share/fish/vendor_completions.d/soakproof.fish

for script in postinst prerm postrm; do
    put 755 "packaging/debian/$script" "DEBIAN/$script"
done
echo /etc/soakproof/soakproof.toml >"$tree/DEBIAN/conffiles"

# The newest version of libc's symbols that the program asks for.
libc=$(objdump -T "$program" | grep -o 'GLIBC_[0-9.]*' | sort -uV | tail -1)
libc=${libc#GLIBC_}
cat >"$tree/DEBIAN/control" <<EOF
Package: soakproof
Version: $version
Architecture: $architecture
Maintainer: the soakproof authors <soakproof@localhost>
Section: utils
Priority: optional
Installed-Size: $(du -sk --exclude=DEBIAN "$tree" | cut -f1)
Depends: libc6 (>= $libc), libgcc-s1
Pre-Depends: systemd
Recommends: ca-certificates
Description: proves that a tuned machine computes without mistakes and stays cool
 Puts load on every core whose every answer is checked against a known one, in
 stages of growing length, watches temperatures, clocks and hardware errors, and
 ends with a graded verdict. It never sets a clock or a voltage.
 .
 The load makes heat and draws power, and an unstable machine can lose data: save
 your work first, and mind the limits of the makers of its parts.
EOF
mkdir -p "$out"
dpkg-deb --root-owner-group --build "$tree" "$out/soakproof_${version}_${architecture}.deb"
