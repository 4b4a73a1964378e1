#!/usr/bin/env bash
# Installs, starts, upgrades, removes and purges the Debian package with dpkg, in a throw-away copy of this machine's
# files (an overlay: nothing outside it changes), and asks systemd what it thinks of the unit.
set -euo pipefail
folder=$WORK/package
rm -rf "$folder"
mkdir -p "$folder"

# 15 stands for an exposure of 1.5 of 10. It fails above; a new capability has to be argued for here.
systemd-analyze security --offline=true --threshold=15 --no-pager deploy/checkrail.service | tail -n 1

strip -o "$folder/checkrail" "$CHECKRAIL_BIN"
first=$(deploy/package --binary "$folder/checkrail" --out "$folder" --revision 1)
second=$(deploy/package --binary "$folder/checkrail" --out "$folder" --revision 2)
# The same program in the same bytes: from a copy of the tree elsewhere, written at another time, with another umask and zone.
mkdir "$folder/copy"
git ls-files -co --exclude-standard | tar -c --mtime=2001-01-01 -T - | tar -x -C "$folder/copy"
again=$(export SOURCE_DATE_EPOCH && SOURCE_DATE_EPOCH=$(git log -1 --format=%ct) && umask 077 && cd "$folder/copy" &&
    TZ=Asia/Tokyo deploy/package --binary "$folder/checkrail" --out "$folder/again" --revision 1)
cmp "$first" "$again"
# It says which libc it needs: an older system would take the package, and the program would not start.
dpkg-deb -f "$first" Depends | grep -qE '(^|, )libc6 \(>= [0-9.]+\)' || { dpkg-deb -f "$first" Depends; exit 1; }

sudo=
[ "$(id -u)" -eq 0 ] || sudo=sudo
$sudo unshare --mount bash -euo pipefail -s -- "$PWD/config/starter.toml" "$first" "$second" <<'INSIDE'
layout=$1 first=$2 second=$3
root=$(mktemp -d)
mount -t tmpfs none "$root"
mkdir "$root"/{files,work,all}
mount -t overlay overlay -o "lowerdir=/,upperdir=$root/files,workdir=$root/work" "$root/all"
root=$root/all
mount -t tmpfs none "$root/tmp"
mount --rbind /dev "$root/dev"
mount -t proc proc "$root/proc"
cp "$layout" "$root/tmp/layout.toml"
cp "$first" "$root/tmp/first.deb"
cp "$second" "$root/tmp/second.deb"

inside() { chroot "$root" "$@"; }
must() { "$@" || { echo "failed: $*"; exit 1; }; }
must_not() { if "$@"; then echo "should have failed: $*"; exit 1; fi; }
# systemd does not run in there: what would start or stop the service is told that policy forbids it.
printf '#!/bin/sh\nexit 101\n' >"$root/usr/sbin/policy-rc.d"
chmod +x "$root/usr/sbin/policy-rc.d"
rm -rf "$root/var/lib/checkrail" "$root/etc/checkrail"

echo "-- install"
inside dpkg -i /tmp/first.deb >/dev/null
must inside checkrail --version
must inside getent passwd checkrail
must test "$(stat -c '%U:%G %a' "$root/etc/checkrail/operator-token" | sed "s/UNKNOWN/checkrail/")" = "root:checkrail 640"
must test "$(wc -c <"$root/etc/checkrail/operator-token")" -eq 40
must test -L "$root/etc/systemd/system/multi-user.target.wants/checkrail.service"
must inside systemd-analyze verify /lib/systemd/system/checkrail.service
must inside sh -c 'zcat /usr/share/man/man1/checkrail-study.1.gz | grep -q coordination'
must inside bash -c 'source /usr/share/bash-completion/completions/checkrail && complete -p checkrail'
must inside checkrail check /usr/share/doc/checkrail/examples/starter.toml
must inside test -x /usr/share/doc/checkrail/examples/mosquitto/certificates

echo "-- start and stop, as the unit does it"
cp "$root/tmp/layout.toml" "$root/etc/checkrail/layout.toml"
mkdir -p "$root/var/lib/checkrail"
inside chown checkrail:checkrail /var/lib/checkrail
cat >"$root/tmp/start.py" <<'PYTHON'
import os, signal, socket, subprocess, sys

ready = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
ready.bind("/tmp/notify")
os.chmod("/tmp/notify", 0o777)
ready.settimeout(30)
daemon = subprocess.Popen(
    ["/usr/bin/checkrail", "run", "/etc/checkrail/layout.toml", "--listen", "127.0.0.1:0"],
    env={"NOTIFY_SOCKET": "/tmp/notify", "STATE_DIRECTORY": "/var/lib/checkrail", "WATCHDOG_USEC": "2000000"},
    user="checkrail",
    group="checkrail",
    extra_groups=[],
)
said = ""
while "READY=1" not in said or "WATCHDOG=1" not in said:
    said += ready.recv(4096).decode() + "\n"
daemon.send_signal(signal.SIGTERM)
code = daemon.wait(20)
while "STOPPING=1" not in said:
    said += ready.recv(4096).decode() + "\n"
os.unlink("/tmp/notify")
sys.exit(code)
PYTHON
must inside python3 /tmp/start.py
before=$(inside sh -c 'cat /etc/checkrail/operator-token /etc/checkrail/layout.toml; ls /var/lib/checkrail' | sha256sum)
must test -n "$(ls "$root/var/lib/checkrail")"

echo "-- upgrade"
inside dpkg -i /tmp/second.deb >/dev/null
must test "$(inside dpkg-query -W -f '${Version}' checkrail)" = "$(inside dpkg-deb -f /tmp/second.deb Version)"
after=$(inside sh -c 'cat /etc/checkrail/operator-token /etc/checkrail/layout.toml; ls /var/lib/checkrail' | sha256sum)
must test "$before" = "$after"
must inside python3 /tmp/start.py

echo "-- remove, then purge"
inside dpkg --remove checkrail >/dev/null
must_not test -e "$root/usr/bin/checkrail"
must test -s "$root/etc/checkrail/operator-token"
must test -n "$(ls "$root/var/lib/checkrail")"
inside dpkg --purge checkrail >/dev/null
must_not test -e "$root/etc/checkrail/operator-token"
must_not test -e "$root/var/lib/checkrail"
must_not inside getent passwd checkrail
must test -s "$root/etc/checkrail/layout.toml"
must_not inside dpkg-query -W checkrail
INSIDE
