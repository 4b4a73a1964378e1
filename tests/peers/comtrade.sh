#!/usr/bin/env bash
# Exports two faults and reads them with an independent COMTRADE reader.
set -euo pipefail
folder="$WORK/comtrade"
rm -rf "$folder"
"$TARGET/examples/export_sample" "$folder"
"$PYTHON" tests/peers/comtrade_check.py "$folder"
