#!/usr/bin/env bash
# Reversing loops found by `check` against odd cycles found by networkx, on random track plans; see parity.py.
set -euo pipefail
cd "$(dirname "$0")/../.."
"${TARGET:-target/debug}/examples/plans" 7 1500 | "${PYTHON:-python3}" tests/peers/parity.py
