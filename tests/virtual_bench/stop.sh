#!/bin/bash
# stop.sh STATE_DIR: ends the two processes that start.sh recorded there, and no others.
[ $# -eq 1 ] || { echo "usage: stop.sh STATE_DIR" >&2; exit 2; }
S=$(cd "$1" 2>/dev/null && pwd) || exit 0
name=$(cat "$S/name" 2>/dev/null); name=${name:-none}
ours() { { tr '\0' ' ' < "/proc/$1/cmdline"; } 2>/dev/null | grep -qFe "$S/" -e "$S " -e "-n $name "; }
pids=
for who in handset server; do
    p=$(tr -dc 0-9 2>/dev/null < "$S/$who.pid") || continue
    [ -n "$p" ] && ours "$p" && pids="$pids $p" && kill "$p" && kill -CONT "$p"
done 2>/dev/null
for i in $(seq 100); do
    left=
    for p in $pids; do ours "$p" && left="$left $p"; done
    [ -z "$left" ] && break
    [ "$i" = 20 ] && kill -9 $left 2>/dev/null
    sleep 0.05
done
rm -f "$S/handset.pid" "$S/server.pid" "$S/name" /dev/shm/jack_sem.*_"${name}"_* /dev/shm/jack_"${name}"_*
exit 0
