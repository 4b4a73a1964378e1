#!/usr/bin/env bash
# Checks the container image: what it copies is there, it runs as nobody special, and its check of health works. The
# files of the image are tried as they are, read-only and with no other file in sight; where buildah is installed, the
# image is built from them as well. No registry is needed.
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
for volume in $(of VOLUME | tr -d '[],"'); do [ -d "$folder/root$volume" ] || fail "no folder for the volume $volume"; done
entry=$(of ENTRYPOINT | tr -d '[]"')
[ -x "$folder/root$entry" ] || fail "nothing to run at $entry"
[ "$(of STOPSIGNAL)" = SIGTERM ] || fail "a stop does not cut in good order"
size=$(du -sm "$folder/root" | cut -f1)
echo "-- $size MB in $(find "$folder/root" -type f -not -path '*/zoneinfo/*' | wc -l) files beside the time zones"

echo "-- the image's files alone, read-only, as $user"
sudo=
[ "$(id -u)" -eq 0 ] || sudo=sudo
cp config/starter.toml "$folder/layout.toml"
printf '\n[links.mqtt]\nembedded = "127.0.0.1:0"\n' >>"$folder/layout.toml"
health=$(sed -n 's/.* CMD \[\(.*health.*\)\]$/\1/p' "$file" | tr -d '",')
[ -n "$health" ] || fail "no check of health"
$sudo env HEALTH="$health" USER_IDS="$user" unshare --mount --net bash -euo pipefail -s -- "$folder" <<'INSIDE'
folder=$1 root=$folder/root
ip link set lo up
mount --bind "$root" "$root"
mount -t tmpfs -o mode=0755 none "$root/var/lib/checkrail"
chown "$USER_IDS" "$root/var/lib/checkrail"
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
chroot --userspec="$USER_IDS" "$root" /usr/bin/checkrail run /etc/checkrail/layout.toml --listen 0.0.0.0:8080 \
    2>"$folder/log.txt" &
daemon=$!
trap 'kill "$daemon" 2>/dev/null || true' EXIT
tries=0
until inside $HEALTH 2>/dev/null; do
    tries=$((tries + 1))
    [ "$tries" -lt 150 ] && kill -0 "$daemon" || { cat "$folder/log.txt"; exit 1; }
    sleep 0.2
done
kill -TERM "$daemon"
status=0
wait "$daemon" || status=$?
[ "$status" -eq 0 ] || [ "$status" -eq 3 ] || { echo "ended with $status"; cat "$folder/log.txt"; exit 1; }
[ -s "$root/var/lib/checkrail/history.db" ] || { echo "no history"; exit 1; }
INSIDE

if command -v buildah >/dev/null; then
    echo "-- built by buildah"
    image=$($sudo buildah --storage-driver vfs build --isolation chroot --format docker --quiet "$folder")
    $sudo buildah --storage-driver vfs inspect --type image --format \
        '{{.Docker.Config.User}} {{.Docker.Config.Entrypoint}} {{.Docker.Config.Healthcheck.Test}}' "$image"
    work=$($sudo buildah --storage-driver vfs from "$image")
    $sudo buildah --storage-driver vfs run --isolation chroot "$work" -- /usr/bin/checkrail --version
    $sudo buildah --storage-driver vfs rm "$work" >/dev/null
    $sudo buildah --storage-driver vfs rmi "$image" >/dev/null
fi
