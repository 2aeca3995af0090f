#!/usr/bin/env bash
# Builds the program that is installed (profile `dist`) twice, from two copies of the last commit in folders of different
# names and lengths, and compares the two. usage: packaging/reproduce.sh [PROGRAM], a third one to compare, built in the
# same way (RUSTFLAGS and CFLAGS below) somewhere else. Takes two whole builds.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cargo_home=${CARGO_HOME:-$HOME/.cargo}
SOURCE_DATE_EPOCH=$(git log -1 --format=%ct)
export SOURCE_DATE_EPOCH
for folder in "$work/first" "$work/another/one"; do
    mkdir -p "$folder"
    git archive HEAD | tar x -C "$folder"
    # What a compiler writes of the folders that it worked in is the same everywhere then.
    RUSTFLAGS="--remap-path-prefix=$folder=/soakproof --remap-path-prefix=$cargo_home=/cargo" \
        CFLAGS="-ffile-prefix-map=$folder=/soakproof -ffile-prefix-map=$cargo_home=/cargo" \
        CARGO_TARGET_DIR=$folder/target \
        cargo build --quiet --locked --profile dist --manifest-path "$folder/Cargo.toml"
    rm -rf "$folder/target/dist/deps" "$folder/target/dist/build"
done
sha256sum "$work/first/target/dist/soakproof" "$work/another/one/target/dist/soakproof" ${1:+"$1"} | tee "$work/sums"
[ "$(cut -d ' ' -f 1 "$work/sums" | sort -u | wc -l)" = 1 ] || { echo "they differ" >&2; exit 1; }
echo "the same, bit for bit"
