#!/usr/bin/env bash
# Builds soakproof_VERSION_ARCH.deb with cargo-deb; what goes where stands in Cargo.toml. usage: packaging/build.sh OUT
# [PROGRAM]. PROGRAM is a built `soakproof`; without it one is built (profile `dist`). Man pages and shell completions are
# made by the program itself, so that they always fit it.
set -euo pipefail
out=$(realpath "$1")
program=${2:+$(realpath "$2")}
cd "$(dirname "${BASH_SOURCE[0]}")/.."
if [ -z "$program" ]; then
    cargo build --profile dist --locked
    program=${CARGO_TARGET_DIR:-target}/dist/soakproof
fi
stage=target/packaging
rm -rf "$stage"
install -D "$program" "$stage/soakproof"
"$program" manual "$stage/manual"
cargo deb --quiet --no-build --no-strip --output "$out/"
