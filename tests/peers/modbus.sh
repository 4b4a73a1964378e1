#!/usr/bin/env bash
# The daemon reads a meter and cuts at a relay board, both by pymodbus, over a pair of pseudo-terminals and over TCP.
set -euo pipefail
for kind in rtu tcp; do
    timeout 120 "$PYTHON" tests/peers/modbus_peer.py "$kind" "$CHECKRAIL_BIN" "$(mktemp -d "$WORK/modbus-$kind.XXXX")"
done
