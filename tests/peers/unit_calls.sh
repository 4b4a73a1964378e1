#!/usr/bin/env bash
# Asks strace which system calls the daemon makes from its start to its stop, and systemd which the unit allows: one that
# it does not allow kills the service. As systemd expands the names of its sets, so does this.
set -euo pipefail
folder=$WORK/unit_calls
rm -rf "$folder"
mkdir -p "$folder"
unit=deploy/checkrail.service

expand() {
    local name
    for name in "$@"; do
        case $name in
        @*) expand $(systemd-analyze syscall-filter "$name" | sed -n '2,$s/^ *\(@\?[a-z_0-9-]\+\)$/\1/p') ;;
        *) echo "$name" ;;
        esac
    done
}

# systemd.exec(5): the first line names what is allowed (with @default), the later ones take away (~) or add.
allowed=$folder/allowed
expand @default >"$allowed"
while read -r line; do
    case $line in
    '~'*) expand ${line#'~'} | sort -u | comm -23 <(sort -u "$allowed") - >"$allowed.next" ;;
    *) expand $line | sort -u - "$allowed" >"$allowed.next" ;;
    esac
    mv "$allowed.next" "$allowed"
done < <(sed -n 's/^SystemCallFilter=//p' "$unit")
[ "$(wc -l <"$allowed")" -gt 200 ] || { echo "systemd's sets were not understood"; exit 1; }

strace -f -c -S name -o "$folder/count" "$CHECKRAIL_BIN" run config/starter.toml --listen 127.0.0.1:0 \
    --data "$folder/data" 2>"$folder/said" &
traced=$!
trap 'kill "$traced" 2>/dev/null || true' EXIT
for _ in $(seq 200); do
    address=$(sed -n 's|.*\(http://[0-9.:]*\)/.*|\1|p' "$folder/said" | head -n 1)
    [ -z "$address" ] || break
    sleep 0.1
done
curl -fsS "$address/api/v1/state" >/dev/null
pid=$(ps -o pid= --ppid "$traced" | tr -d ' ')
kill -TERM "$pid"
wait "$traced" || true

awk '$NF ~ /^[a-z_0-9]+$/ && $1 ~ /^[0-9.]+$/ && $NF != "total" {print $NF}' "$folder/count" | sort -u >"$folder/used"
[ "$(wc -l <"$folder/used")" -gt 20 ] || { cat "$folder/count"; exit 1; }
# Only root gives its database to the folder's owner; the service is never root.
forbidden=$(comm -23 "$folder/used" <(sort -u "$allowed") | { [ "$(id -u)" -eq 0 ] && grep -vx fchown || cat; })
[ -z "$forbidden" ] || { echo "the unit kills the service for: $forbidden"; exit 1; }
echo "$(wc -l <"$folder/used") system calls, all allowed by the unit"
