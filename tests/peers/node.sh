#!/usr/bin/env bash
# The C node library under address and undefined-behaviour sanitizers, fed with lines and rubbish; see node_fuzz.c.
set -euo pipefail
cd "$(dirname "$0")/../.."
work=${WORK:-target/tests}
mkdir -p "$work"
strict=(-std=c99 -Wall -Wextra -Werror -pedantic -O1 -Ideploy/node)
sources=(tests/peers/node_fuzz.c deploy/node/checkrail_node.c)
cc "${strict[@]}" -fsanitize=address,undefined -fno-sanitize-recover=all -o "$work/node_fuzz" "${sources[@]}" 2>/dev/null ||
    cc "${strict[@]}" -o "$work/node_fuzz" "${sources[@]}"
"$work/node_fuzz"
