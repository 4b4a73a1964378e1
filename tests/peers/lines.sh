#!/usr/bin/env bash
# The line protocol's parser and writer against a Python reading of its grammar; see lines.py.
set -euo pipefail
cd "$(dirname "$0")/../.."
"${PYTHON:-python3}" tests/peers/lines.py "${TARGET:-target/debug}/examples/lines" \
    daemon/links/tests/data/line-protocol-vectors.txt
