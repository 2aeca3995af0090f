#!/usr/bin/env bash
# A shop on one machine, in about a minute: a message server, a hub and three invented machines, of which one passes,
# one gets too hot and one dies in mid-job. usage: packaging/fleet-demo.sh [PROGRAM]
# Puts ordinary load on this machine for half a minute, at the lowest priority. Only one program at a time may put load on
# a machine: while another one does, the demo says so and waits. It ends by itself, after ten minutes at the latest.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
if [ $# -gt 0 ]; then
    program=$(realpath "$1")
else
    cargo build --release
    program=$PWD/${CARGO_TARGET_DIR:-target}/release/soakproof
    [ -n "${CARGO_TARGET_DIR:-}" ] && program=$CARGO_TARGET_DIR/release/soakproof
fi
command -v nats-server > /dev/null || { echo "nats-server is missing: apt-get install nats-server" >&2; exit 1; }
work=$(mktemp -d)
processes=()
clean() {
    for pid in "${processes[@]}"; do kill "$pid" 2> /dev/null || true; done
    sleep 1
    rm -rf "$work"
}
trap clean EXIT
port=$((20000 + RANDOM % 20000))
export SOAKPROOF_HUB=$work/hub SOAKPROOF_CONFIG=/dev/null
end=$((SECONDS + 600))
run() { timeout 660 "$@" > "$work/log" 2>&1 & processes+=($!); disown $!; }
# What the hub says of a machine, one phrase a line: its state, and why.
word() { "$program" hub board --json | grep -A 40 "\"machine\": \"$1\"" | sed -n "s/^ *\"$2\": \"\(.*\)\",\?$/\1/p" | head -n 1; }
# Waits until a command is true and says meanwhile what the machine waits for: MACHINE WHAT COMMAND...
until_true() {
    local name=$1 what=$2 told="" why
    shift 2
    until "$@"; do
        why=""
        [ "$(word "$name" state)" = waiting ] && why=$(word "$name" why)
        [ -n "$why" ] && [ "$why" != "$told" ] && echo "$name waits: $why"
        told=$why
        if [ $SECONDS -ge $end ]; then
            echo "ten minutes are over and $name is not $what; this is how it stands:" >&2
            "$program" hub board >&2
            return 1
        fi
        sleep 0.2
    done
}
is() { [ "$(word "$1" state)" = "$2" ]; }
await() { until_true "$1" "$2" is "$1" "$2"; }
has_result() { "$program" hub results --machine "$1" --json | grep -q '"grade": "'; }
judged() { until_true "$1" judged has_result "$1"; }
machine() {
    local name=$1
    SOAKPROOF_CONFIG=$work/$name.toml run "$program" serve --machine "$work/$name" --store "$work/$name.store" \
        --socket "$work/$name.socket" --notice 1s --settle 1s
}
board() { echo; echo "== $*"; echo; "$program" hub board; }

"$program" hub init --listen "127.0.0.1:$port" > /dev/null 2>&1
run nats-server -c "$work/hub/server.conf"
sleep 1
"$program" hub circuit B2 --most 1
run "$program" hub serve
for name in bench-1 bench-2 bench-3; do
    "$program" hub enrol $name --group floor --circuit B2 --serial "DEMO-${name#bench-}" > /dev/null
    cp -r tests/machines/desktop-core-labels "$work/$name"
    echo "7200.00 1000.00" > "$work/$name/proc/uptime"
    sed "s|/etc/soakproof/$name.nk|$work/hub/machines/$name.nk|" "$work/hub/machines/$name.toml" > "$work/$name.toml"
    machine $name
done
dead=${processes[-1]}
cat > "$work/bench.toml" << SUITE
about = "a few seconds for a demonstration"
asserts = ["answers"]

[[stage]]
name = "warm up"
time = "3s"

[[stage.load]]
kernels = ["int-streams.reg"]
cores = "all"

[[stage]]
name = "work"
time = "8s"

[[stage.load]]
kernels = ["int-streams.reg"]
cores = "all"
SUITE
for name in bench-1 bench-2 bench-3; do await $name idle; done
"$program" hub order "$work/bench.toml" --group floor
await bench-1 running
board "the first one runs; its circuit bears one at a time"
await bench-2 running
sleep 2
for sensor in "$work"/bench-2/sys/class/hwmon/hwmon*/temp1_input; do echo 104000 > "$sensor"; done
judged bench-2
await bench-2 idle
board "the second one got too hot"
await bench-3 running
sleep 2
# The service and its workers end like the machine would.
kill -9 "$(ps -o pid= --ppid "$dead")"
await bench-3 vanished
board "the third one vanished in mid-job"
echo "7a5c0000-0000-4000-8000-00000000beef" > "$work/bench-3/proc/sys/kernel/random/boot_id"
machine bench-3
judged bench-3
await bench-3 idle
board "it is back, and says why"
echo
"$program" hub results
