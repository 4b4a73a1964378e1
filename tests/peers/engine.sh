#!/usr/bin/env bash
# Builds the container image with podman and runs it by the very command of deploy/README.md: well, without rights, its
# history kept over a restart, stopped in good order. Images and volumes lie in a folder of the test's own. Where the
# machine lets nobody run a container, it says so and only builds.
set -euo pipefail
folder=$WORK/engine
strip -o "$WORK/checkrail-engine" "$CHECKRAIL_BIN"
deploy/container/stage --binary "$WORK/checkrail-engine" --out "$folder" >/dev/null
documented=$(sed -n '/^podman run --detach/,/checkrail$/p' deploy/README.md)
[ -n "$documented" ] || { echo "deploy/README.md shows no podman run"; exit 1; }

sudo=
[ "$(id -u)" -eq 0 ] || sudo=sudo
$sudo env FOLDER="$folder" DOCUMENTED="$documented" PYTHON="${PYTHON:-python3}" TESTS="$PWD/tests/peers" \
    unshare --mount bash -euo pipefail <<'INSIDE'
# Read as a whole before it runs: an engine takes what it finds on its standard input.
{
cd "$FOLDER"
fail() { echo "$*"; podman logs checkrail 2>&1 | tail -n 20; exit 1; }
# Checks of health are asked for here, not by a timer of systemd.
export DISABLE_HC_SYSTEMD=true
store=$FOLDER/store
podman() { command podman --root "$store" --runroot "$FOLDER/run" --storage-driver vfs --cgroup-manager cgroupfs \
    --log-level error "$@"; }
forget() {
    podman rm --force checkrail >/dev/null 2>&1 || true
    rm -rf "$store" "$FOLDER/run" 2>/dev/null || true
}
trap forget EXIT
forget
podman build --quiet --format docker --tag checkrail . >/dev/null

# A machine of containers needs less than this: no cgroups, no new limits, no network but its own.
if [ "$(stat -fc %T /sys/fs/cgroup)" = tmpfs ]; then
    umount -R /sys/fs/cgroup && mount -t cgroup2 none /sys/fs/cgroup || true
fi
sandbox=(--cgroups disabled --ulimit nofile=1024:4096 --ulimit nproc=1024:4096 --network none)
if ! podman run --rm "${sandbox[@]}" checkrail --version; then
    echo "-- SKIPPED: built, but no container can be run on this machine"
    exit 0
fi

mkdir -p club
cp "$OLDPWD/config/starter.toml" club/layout.toml
printf '\n[dashboard]\noperator-token-file = "/etc/checkrail/operator-token"\n' >>club/layout.toml
printf 'a token of this test alone, and long' >club/operator-token
chmod 0400 club/operator-token
chown 65532:65532 club/operator-token
# The documented command, with a device that every machine has and the limits of a sandbox.
command=${DOCUMENTED//$'\\\n'/ }
command=${command//--publish 127.0.0.1:8080:8080/}
command=${command//\/dev\/serial\/by-id\/YOUR-NODE/\/dev\/null}
eval "${command/podman run/podman run ${sandbox[*]}}" >/dev/null

well() {
    local tries=0
    # No node is there, which it may tell behind.
    until [[ $(podman exec checkrail /usr/bin/checkrail health 2>/dev/null) =~ ^ok(\;|$) ]]; do
        tries=$((tries + 1))
        [ "$tries" -lt 100 ] || fail "not well: $(podman exec checkrail /usr/bin/checkrail health 2>&1)"
        sleep 0.2
    done
    podman healthcheck run checkrail >/dev/null || fail "its check of health fails"
}
stopped() {
    podman stop checkrail >/dev/null
    local code
    code=$(podman inspect --format '{{.State.ExitCode}}' checkrail)
    [ "$code" -eq 0 ] || fail "the stop ended with $code"
}
well
pid=$(podman inspect --format '{{.State.Pid}}' checkrail)
grep -qP '^Uid:\t65532\t65532\t65532\t65532$' "/proc/$pid/status" || fail "it runs as $(grep ^Uid "/proc/$pid/status")"
grep -qP '^CapEff:\t0+$' "/proc/$pid/status" || fail "it has rights: $(grep ^CapEff "/proc/$pid/status")"
! podman exec checkrail /usr/bin/checkrail sheets /etc/checkrail/layout.toml --out /usr/here 2>/dev/null ||
    fail "it can write"
echo "-- resident: $(awk '/^VmRSS/ {print $2, $3}' "/proc/$pid/status")"
stopped
podman start checkrail >/dev/null
well
stopped
starts=$("$PYTHON" "$TESTS/starts.py" "$store/volumes/checkrail/_data/history.db")
[ "$starts" -eq 2 ] || fail "two starts, and the history knows of $starts"
echo "-- stopped in good order twice, one history"
exit 0
} </dev/null
INSIDE
