#!/usr/bin/env bash
# Our solver against ngspice, which shares no code with it: random layouts with faults, see ngspice_check.py.
set -euo pipefail
cd "$(dirname "$0")/../.."
exec "${PYTHON:-python3}" tests/peers/ngspice_check.py
