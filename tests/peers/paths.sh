#!/usr/bin/env bash
# What deploy/cargo builds names no folder of this machine: neither the clone, nor the target, nor the home of the crates.
# Looked for in a library and in all that it is built of; the whole program takes the same flags.
set -euo pipefail
folder=$WORK/paths
mkdir -p "$folder"
CARGO_TARGET_DIR=$folder deploy/cargo build --quiet --locked --package wiring
home=${CARGO_HOME:-$HOME/.cargo}
shopt -s nullglob
libraries=("$folder"/debug/deps/*.rlib)
[ ${#libraries[@]} -gt 1 ] || { echo "nothing was built"; exit 1; }
# The crates are named all the same, by what stands for their home.
grep -lE "/crates/[a-z0-9_-]+-[0-9]+\.[0-9]" "${libraries[@]}" >/dev/null || { echo "no crate names its files: nothing was looked at"; exit 1; }
for path in "$PWD/" "$folder/" "$home/"; do
    if grep -lF "$path" "${libraries[@]}"; then
        echo "the above name $path"
        exit 1
    fi
done
