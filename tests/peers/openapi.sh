#!/usr/bin/env bash
# Asks the running program what its own description says can be asked, and much that it does not, with Schemathesis.
# Nothing may end in a status of 500 or above except a 503 that the description names, and every answer must fit it.
set -euo pipefail
folder="$WORK/openapi"
rm -rf "$folder"
mkdir -p "$folder"
"$CHECKRAIL_BIN" demo --listen 127.0.0.1:0 --token openapi-check --data "$folder/data" >"$folder/out" 2>"$folder/err" &
demo=$!
trap 'kill -INT "$demo" 2>/dev/null; wait "$demo" 2>/dev/null || true' EXIT
url=
for _ in $(seq 100); do
    url=$(sed -n 's|^dashboard: *\(http://[0-9.:]*\)/$|\1|p' "$folder/out")
    [ -n "$url" ] && break
    sleep 0.1
done
[ -n "$url" ] || { cat "$folder/err"; exit 1; }
# It keeps a folder of its own beside itself.
cd "$folder"
ask() {
    timeout 60 "$PYTHON" -m schemathesis.cli run "$url/api/v1/openapi.json" \
        --header "Authorization: Bearer openapi-check" --generation-with-security-parameters false \
        --checks not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance \
        --phases examples,coverage,fuzzing --seed 1 --generation-deterministic \
        --request-timeout 5 --continue-on-failure --warnings off --no-color "$@"
}
# The stream never ends. Signing in is asked last: its wrong tokens make the program refuse the right one for a minute.
ask --exclude-path /api/v1/stream --exclude-path /api/v1/session --max-examples 15 --max-time 20
ask --include-path /api/v1/session --max-examples 5 --max-time 5
