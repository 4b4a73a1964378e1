#!/usr/bin/env bash
# Starts a real mosquitto with exactly the files of deploy/mosquitto, `checkrail run` at it, and lets mosquitto's own
# clients try what a node may and may not do. Under MQTT 5 the broker tells of each message whether it took it.
set -euo pipefail
folder="$WORK/mosquitto"
rm -rf "$folder"
mkdir -p "$folder"
deploy=deploy/mosquitto

"$deploy/certificates" "$folder/checkrail" 127.0.0.1 checkrail yard-east
# A second run adds a client and keeps the authority.
before=$(cksum "$folder/checkrail/ca.pem")
"$deploy/certificates" "$folder/checkrail" 127.0.0.1 checkrail yard-east quarry
[ "$before" = "$(cksum "$folder/checkrail/ca.pem")" ] || { echo "the authority was made anew"; exit 1; }
for user in checkrail yard-east quarry; do
    touch "$folder/checkrail.passwords"
    mosquitto_passwd -b "$folder/checkrail.passwords" "$user" "secret of $user"
done
cp "$deploy/checkrail.acl" "$folder/"
free_port() {
    "${PYTHON:-python3}" -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}
passwords=$(free_port) certificates=$(free_port)
sed -e "s|/etc/mosquitto/|$folder/|" \
    -e "s|listener 8883|listener $passwords 127.0.0.1|" \
    -e "s|listener 8884|listener $certificates 127.0.0.1|" \
    "$deploy/checkrail.conf" > "$folder/broker.conf"
# Started by root, mosquitto would change to a user who cannot read this folder.
printf 'user %s\nlog_dest stderr\n' "$(id -un)" >> "$folder/broker.conf"

pids=()
end() {
    for pid in "${pids[@]}"; do kill "$pid" 2>/dev/null || true; done
    for pid in "${pids[@]}"; do wait "$pid" 2>/dev/null || true; done
}
trap end EXIT
PATH=$PATH:/usr/sbin mosquitto -c "$folder/broker.conf" 2> "$folder/broker.log" &
pids+=($!)

printf 'secret of checkrail\n' > "$folder/password"
chmod 600 "$folder/password"
{
    cat tests/layouts/two-districts.toml
    printf '\n[links.mqtt]\nbroker = "mqtts://127.0.0.1:%s"\nversion = "5"\nuser = "checkrail"\n' "$passwords"
    printf 'password-file = "%s/password"\nca-file = "%s/checkrail/ca.pem"\n' "$folder" "$folder"
} > "$folder/layout.toml"
"$CHECKRAIL_BIN" run "$folder/layout.toml" --listen 127.0.0.1:0 --data "$folder/data" 2> "$folder/run.log" &
pids+=($!)

# as USER PROGRAM ARGUMENTS: with that user's certificate.
as() {
    local user=$1 program=$2
    shift 2
    timeout 10 "$program" -V mqttv5 -h 127.0.0.1 -p "$certificates" --cafile "$folder/checkrail/ca.pem" \
        --cert "$folder/checkrail/$user.pem" --key "$folder/checkrail/$user.key" -q 1 "$@"
}
tries=0
until as yard-east mosquitto_sub -t checkrail/-/daemon -C 1 -W 2 2>/dev/null | grep -q '"up":true'; do
    sleep 0.2
    tries=$((tries + 1))
    if [ "$tries" -ge 60 ] || ! kill -0 "${pids[1]}" 2>/dev/null; then
        cat "$folder/run.log" "$folder/broker.log"
        exit 1
    fi
done

# The broker's answer: RC:135 is "not authorized"; RC:0 and RC:16 (nobody listens) took it (MQTT 5.0, table 3-4).
failed=0
try() {
    local user=$1 want=$2 topic=$3 payload=$4 answer
    answer=$(as "$user" mosquitto_pub -d -t "$topic" -m "$payload" 2>&1 | grep -o 'RC:[0-9]*' | tail -n 1) || true
    case $want:$answer in
        may:RC:0 | may:RC:16 | not:RC:135) ;;
        *) echo "$user on $topic: wanted '$want', the broker said '${answer:-nothing}'"; failed=1 ;;
    esac
}
birth='{"id":"yard-east","boot":"9c41","permit_ms":3000,"channels":{"district/east/current":{"hz":50},"district/east/power":{"out":true}}}'
try yard-east may checkrail/yard-east/birth "$birth"
try yard-east may checkrail/yard-east/set '{"b":"9c41","n":1,"ms":5,"v":{"district/east/current":0.4}}'
try yard-east may checkrail/yard-east/reading/district/east/current 0.41
try yard-east may checkrail/yard-east/health '{"up":true,"boot":"9c41","ms":9}'
try yard-east may checkrail/yard-east/ack/district/east/power '{"id":"0000-0000","r":"ok"}'
try yard-east not checkrail/yard-east/order/district/east/power '{"id":"1","op":"on"}'
try yard-east not checkrail/quarry/order/district/east/power '{"id":"1","op":"on"}'
try yard-east not checkrail/-/order/district/east/power '{"id":"1","op":"on"}'
try yard-east not checkrail/quarry/reading/district/east/current 9
try yard-east not checkrail/quarry/set '{"v":{"district/east/current":9}}'
try yard-east not checkrail/quarry/birth "$birth"
try yard-east not checkrail/quarry/health '{"up":false}'
try yard-east not checkrail/quarry/ack/district/east/power '{"id":"1","r":"ok"}'
try yard-east not checkrail/yard-east/permit '{"b":"9c41","ms":5000}'
try yard-east not checkrail/-/cut '{}'
try yard-east not checkrail/-/state/district/east/power '{"v":"on"}'
try yard-east not checkrail/-/alarm/short-circuit/district/east ''
try yard-east not checkrail/-/daemon '{"up":false}'
try yard-east not checkrail/-/ask/cut/quarry 'district/east'
try yard-east not checkrail/-/ask/restore/yard-east 'district/east'
try yard-east not other/topic x
try quarry may checkrail/quarry/reading/district/east/current 0.4

# A request to cut under one's own name reaches Checkrail, and its order reaches the node.
as yard-east mosquitto_sub -t 'checkrail/yard-east/order/#' -C 1 -W 8 > "$folder/order" &
listener=$!
sleep 0.5
try yard-east may checkrail/-/ask/cut/yard-east district/east
wait "$listener" || { echo "the node did not hear its order"; cat "$folder/run.log"; failed=1; }
grep -q '"op":"cut"' "$folder/order" || { echo "no order to cut: $(cat "$folder/order")"; failed=1; }

# Another node hears neither that order nor its permits.
heard=$(as quarry mosquitto_sub -t 'checkrail/yard-east/#' -W 2 2>/dev/null) || true
[ -z "$heard" ] || { echo "another node's branch was heard: $heard"; failed=1; }
if as yard-east mosquitto_sub --cert /dev/null -t x -W 1 2>/dev/null; then echo "no certificate was taken"; failed=1; fi
grep -q "can be read by other users" "$folder/run.log" && { echo "a warning about a file of mode 600"; failed=1; }
grep -Ei "refuses (what|the)" "$folder/run.log" && { echo "the broker refused Checkrail itself"; failed=1; }
echo "mosquitto: $(mosquitto_pub --version | head -n 1): 22 permissions tried, order heard"
exit "$failed"
