#!/usr/bin/env bash
# Checks what Checkrail gives to Prometheus with Prometheus' own tools: the metrics page with `promtool check metrics`,
# the rules with `promtool test rules`, and the whole chain by letting a real Prometheus scrape a demo in which a frog is
# shorted, until its alert fires.
set -euo pipefail
folder="$WORK/prometheus"
rm -rf "$folder"
mkdir -p "$folder"
rules=deploy/prometheus

promtool check config "$rules/scrape.yml"
promtool test rules "$rules/checkrail.test.yml"

# Every metric that a rule or the page names is one that the program has.
named=$(grep -ohE '\bcheckrail_[a-z_]+' "$rules"/checkrail.rules.yml "$rules"/checkrail.html | sed 's/_bucket$//' | sort -u)
for name in $named; do
    grep -q "\"$name\"" daemon/dashboard/src/metrics.rs || { echo "no such metric: $name"; exit 1; }
done

pids=()
finish() { for pid in "${pids[@]}"; do kill "$pid" 2>/dev/null || true; done; wait 2>/dev/null || true; }
trap finish EXIT

# Waits until a command says yes; it is asked again whenever the world may have changed, 60 s at most.
until_true() {
    local tries=0
    until "$@"; do
        tries=$((tries + 1))
        [ "$tries" -lt 240 ] || { echo "not within 60 s: $*"; return 1; }
        sleep 0.25
    done
}

"$CHECKRAIL_BIN" demo --listen 127.0.0.1:0 --faults F01 --speed 4 >"$folder/demo.txt" 2>&1 &
pids+=($!)
address() { address=$(grep -oE 'http://127\.0\.0\.1:[0-9]+' "$folder/demo.txt" | head -n 1); [ -n "$address" ]; }
until_true address
scrape() { curl -fsS -m 2 "$address/metrics" -o "$folder/metrics.txt"; }
until_true scrape
promtool check metrics <"$folder/metrics.txt"

port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
sed "s#127.0.0.1:8080#${address#http://}#" "$rules/scrape.yml" >"$folder/scrape.yml"
cp "$rules/checkrail.rules.yml" "$folder/"
prometheus --config.file="$folder/scrape.yml" --storage.tsdb.path="$folder/data" --log.level=warn \
    --web.listen-address="127.0.0.1:$port" --web.console.templates="$PWD/$rules" >"$folder/prometheus.txt" 2>&1 &
pids+=($!)

asks() { curl -fsS -m 2 -G "http://127.0.0.1:$port/api/v1/query" --data-urlencode "query=$1" 2>/dev/null | grep -q '"value"'; }
until_true asks 'checkrail_up == 1'
until_true asks 'checkrail_locked_out == 1'
until_true asks 'sum(checkrail_cuts_total) > 0'
until_true asks 'ALERTS{alertname="CheckrailLockedOut"}'
curl -fsS -m 5 "http://127.0.0.1:$port/consoles/checkrail.html" >"$folder/page.html"
grep -q 'Tamarrow Valley' "$folder/page.html"
grep -q '<td>district/' "$folder/page.html"
