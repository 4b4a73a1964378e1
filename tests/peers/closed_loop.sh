#!/usr/bin/env bash
# Closes the loop through `checkrail replay --lockstep` with a plant written from the contract.
set -euo pipefail
"$PYTHON" tests/peers/closed_loop.py "$@"
