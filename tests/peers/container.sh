#!/usr/bin/env bash
# Checks the container image: what it copies is there, it runs as nobody special, keeps its history, and its check of
# health works. Without an engine: the root file system as the COPY lines make it, read-only and with no other file in
# sight. What a real engine makes of it is engine.sh's.
set -euo pipefail
folder=$WORK/container
fail() { echo "$*"; exit 1; }

strip -o "$WORK/checkrail-stripped" "$CHECKRAIL_BIN"
deploy/container/stage --binary "$WORK/checkrail-stripped" --out "$folder" >/dev/null
file=$folder/Containerfile
# The value of an instruction; the last one counts.
of() { sed -n "s/^$1 //p" "$file" | tail -n 1; }

[ "$(of FROM)" = scratch ] || fail "the image has a base that somebody else keeps"
grep -oE '^COPY .*' "$file" | while read -r line; do
    set -- $line
    while [ $# -gt 2 ]; do
        shift
        case $1 in --*) continue ;; esac
        [ $# -eq 1 ] || [ -e "$folder/$1" ] || fail "COPY names $1, which is not there"
    done
done
user=$(of USER)
[[ $user =~ ^[1-9][0-9]*:[1-9][0-9]*$ ]] || fail "it runs as '$user', which may be root"
case " $(of EXPOSE) " in *" 8080 "*) ;; *) fail "it does not name the port of the dashboard" ;; esac
sudo=
[ "$(id -u)" -eq 0 ] || sudo=sudo

# The root file system, by the rule of every builder: an entry that --chown names gets that owner, a folder that is there
# already keeps its own.
image=$folder/image
$sudo rm -rf "$image"
$sudo install -d "$image"
grep -E '^COPY ' "$file" | while read -r _ from to last; do
    owner=root:root
    case $from in --chown=*) owner=${from#--chown=} from=$to to=$last ;; esac
    mapfile -t new < <(cd "$folder/$from" && find . -mindepth 1 -printf '%P\n' | while read -r entry; do
        [ -d "$image$to$entry" ] || echo "$image$to$entry"
    done)
    $sudo cp -r --preserve=mode "$folder/$from." "$image$to"
    [ ${#new[@]} -eq 0 ] || printf '%s\0' "${new[@]}" | $sudo xargs -0 chown "$owner"
done
for volume in $(of VOLUME | tr -d '[],"'); do $sudo test -d "$image$volume" || fail "no folder for the volume $volume"; done
entry=$(of ENTRYPOINT | tr -d '[]"')
[ -x "$image$entry" ] || fail "nothing to run at $entry"
[ "$(of STOPSIGNAL)" = SIGTERM ] || fail "a stop does not cut in good order"
size=$($sudo du -sm "$image" | cut -f1)
echo "-- $size MB in $($sudo find "$image" -type f -not -path '*/zoneinfo/*' | wc -l) files beside the time zones"

echo "-- the image's files alone, read-only, as $user"
cp config/starter.toml "$folder/layout.toml"
printf '\n[links.mqtt]\nembedded = "127.0.0.1:0"\n' >>"$folder/layout.toml"
health=$(sed -n 's/.* CMD \[\(.*health.*\)\]$/\1/p' "$file" | tr -d '",')
[ -n "$health" ] || fail "no check of health"
$sudo env HEALTH="$health" USER_IDS="$user" unshare --mount --net bash -euo pipefail -s -- "$folder" <<'INSIDE'
folder=$1 root=$folder/image
ip link set lo up
mount --bind "$root" "$root"
# A new volume takes owner and mode of the folder that it covers.
data=$root/var/lib/checkrail
as=$(stat -c 'uid=%u,gid=%g,mode=%a' "$data")
mount -t tmpfs -o "$as" none "$data"
cp "$folder/layout.toml" "$root/etc/checkrail/layout.toml"
# Every engine gives a container its devices.
mkdir -p "$root/dev"
mount --rbind /dev "$root/dev"
mount -o remount,ro,bind "$root"
inside() { chroot --userspec="$USER_IDS" "$root" "$@"; }
! inside /usr/bin/checkrail sheets /etc/checkrail/layout.toml --out /usr/here 2>/dev/null || { echo "it can write"; exit 1; }
inside /usr/bin/checkrail --version
! inside $HEALTH 2>/dev/null || { echo "well, though nothing runs"; exit 1; }
export STATE_DIRECTORY=/var/lib/checkrail TZ=Europe/Vienna
for start in first second; do
    chroot --userspec="$USER_IDS" "$root" /usr/bin/checkrail run /etc/checkrail/layout.toml --listen 0.0.0.0:8080 \
        2>"$folder/log.txt" &
    daemon=$!
    trap 'kill "$daemon" 2>/dev/null || true' EXIT
    tries=0
    # Well altogether: a daemon that cannot write its history answers, too.
    # No node is there, which it may tell behind.
    until [[ $(inside $HEALTH 2>/dev/null) =~ ^ok(\;|$) ]]; do
        tries=$((tries + 1))
        [ "$tries" -lt 150 ] && kill -0 "$daemon" || { inside $HEALTH; cat "$folder/log.txt"; exit 1; }
        sleep 0.2
    done
    kill -TERM "$daemon"
    status=0
    wait "$daemon" || status=$?
    [ "$status" -eq 0 ] || { echo "the $start ended with $status"; cat "$folder/log.txt"; exit 1; }
done
cp "$data/history.db" "$folder/history.db"
INSIDE

starts=$("${PYTHON:-python3}" tests/peers/starts.py "$folder/history.db")
[ "$starts" -eq 2 ] || fail "two starts, and the history knows of $starts"
