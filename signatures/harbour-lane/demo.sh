#!/bin/bash
# SPDX-License-Identifier: GPL-3.0-or-later
#
# The Harbour Lane bench, simulated, in the middle of a week (week.py makes it, once,
# in BUILD/demo-week): two supplies, a hand that wakes a module on each every few
# seconds, a third for the visitor to switch, the daemon. usage: demo.sh BUILD [PORT]
# What it keeps lies in BUILD/demo. WAKEDRAW_DEMO_WEEK=small takes a handful of units.
# Ends, with all it started, on Ctrl-C, and with the make that started it.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
build=$(cd "$1" && pwd)
port=${2:-${WAKEDRAW_DEMO_PORT:-8460}}
wakedraw=$build/wakedraw
demo=$build/demo
mkdir -p "$demo"

children=()
end() {
    trap - EXIT INT TERM
    [ ${#children[@]} -eq 0 ] || kill "${children[@]}" 2>/dev/null || :
    wait 2>/dev/null || :
    exit "${1:-0}"
}
trap 'end 0' INT TERM
trap 'end $?' EXIT

# A pause without a process of its own, so that nothing is left behind.
exec {never}<> <(:)
pause() { read -rt "$1" -u "$never" _ || :; }

# The signals that our parent holds back; "" where it is gone.
parent_blocks() {
    local key value
    { while read -r key value; do
        [ "$key" != SigBlk: ] || { echo "$value"; return; }
    done <"/proc/$PPID/status"; } 2>/dev/null || :
}
blocked_at_start=$(parent_blocks)

# A signal to make alone does not come to us: make waits for our end in its handler
# for SIGINT, and meanwhile holds that signal back.
parent_ends() {
    local now
    now=$(parent_blocks)
    [ -z "$now" ] || [ $(((16#$now & ~16#$blocked_at_start) & 2)) -ne 0 ]
}

# supply NAME LINK OPTION...: starts one; its link as it came up goes to $link.
supply() {
    local name=$1
    : >"$demo/$name.ready"
    "$wakedraw" simulate --link "$2" --panel "$demo/$name.panel" "${@:3}" \
        >"$demo/$name.ready" 2>"$demo/$name.log" &
    children+=($!)
    for _ in $(seq 100); do
        read -r _ link <"$demo/$name.ready" && [ -n "$link" ] && return
        kill -0 "${children[-1]}" 2>/dev/null || break
        pause 0.05
    done
    echo "the simulated supply $name did not start:" >&2
    cat "$demo/$name.log" >&2
    exit 1
}

say() { "$wakedraw" simulate --panel "$demo/$1.panel" --say "$2" >/dev/null; }

# put_on SUPPLY TYPE UNIT: tells the daemon what the hand has connected.
put_on() {
    local body="{\"module_type\": \"$2\", \"unit\": \"$3\", \"work_order\": null, \"stage\": \"intake\"}"
    exec {http}<>"/dev/tcp/127.0.0.1/$port" || return 0
    printf 'PUT /api/v1/supplies/%s/on-bench HTTP/1.1\r\nHost: 127.0.0.1:%s\r\nContent-Type: application/json\r\nContent-Length: %d\r\nConnection: close\r\n\r\n%s' \
        "$1" "$port" "${#body}" "$body" >&"$http"
    while read -rt 5 -u "$http" _; do :; done
    exec {http}>&-
}

# What somebody has chosen to be on a supply (put-on writes it); "" where nobody has.
chosen() {
    local line=
    [ ! -e "$demo/$1.chosen" ] || read -r line <"$demo/$1.chosen" || :
    echo "$line"
}

# wake SUPPLY ON_S TYPE UNIT FAULT: connects that and powers it once; ends early where
# another is chosen meanwhile.
wake() {
    local name=$1 on_s=$2 now
    now=$(chosen "$name")
    say "$name" "module $3"
    say "$name" "unit $4"
    say "$name" "fault $5"
    put_on "$name" "$3" "$4"
    pause 2
    say "$name" "output on"
    for ((; on_s > 0; on_s--)); do
        pause 1
        [ "$(chosen "$name")" = "$now" ] || break
    done
    say "$name" "output off"
    pause 3
}

# hand SUPPLY TYPE ON_S UNIT/FAULT...: connects unit after unit, for ever, or the
# chosen one.
hand() {
    local name=$1 type=$2 on_s=$3 each line
    shift 3
    trap 'exit 0' INT TERM
    while :; do
        for each in "$@"; do
            line=$(chosen "$name")
            # Of words of its own.
            # shellcheck disable=SC2086
            wake "$name" "$on_s" ${line:-$type ${each%%/*} ${each#*/}}
        done
    done
}

# The week, made where there is none or by another program than this.
"$here/week.py" "$build" ${WAKEDRAW_DEMO_WEEK:+"--$WAKEDRAW_DEMO_WEEK"} &
children+=($!)
while kill -0 "${children[-1]}" 2>/dev/null; do
    pause 0.2
    ! parent_ends || end 0
done
wait "${children[-1]}"
unset 'children[-1]'
# Ours goes on from it; an older one is laid aside.
if ! cmp -s "$build/demo-week/made-by" "$demo/made-by"; then
    rm -rf "$demo/data.before"
    [ ! -e "$demo/data" ] || mv "$demo/data" "$demo/data.before"
    cp -r "$build/demo-week/data" "$demo/data"
    cp "$build/demo-week/made-by" "$demo/made-by"
fi
rm -f "$demo"/*.chosen
simulated_from=$("$here/week.py" "$build" --goes-on-at "$demo/data")

supply left tcp:127.0.0.1:0 --profile scpi --module reefer-controller --conversion-hz 50 --seed 11
left=$link
supply rear tcp:127.0.0.1:0 --profile scpi --module bilge-pump-controller --unit HL-1611 \
    --conversion-hz 50 --gain 0.042 --seed 13
rear=$link
supply right modbus-tcp:127.0.0.1:0?address=1 --profile modbus-input-f32 \
    --module crane-joystick-node --conversion-hz 50 --seed 12
right=$link

cat >"$demo/wakedraw.ini" <<END
[bench]
name = Harbour Lane
data = $demo/data
listen = 127.0.0.1:$port
simulated_from = $simulated_from

[supply left]
link = $left
profile = scpi

[supply right]
link = $right
profile = modbus-input-f32

[supply rear]
link = $rear
profile = scpi
control = on
END

echo "$port" >"$demo/port"
: >"$demo/daemon.ready"
"$wakedraw" serve --config "$demo/wakedraw.ini" >"$demo/daemon.ready" 2>"$demo/daemon.log" &
children+=($!)
daemon=$!
until grep -q listening "$demo/daemon.ready" 2>/dev/null; do
    kill -0 "$daemon" 2>/dev/null || { tail -5 "$demo/daemon.log" >&2; exit 1; }
    pause 0.05
done
echo "The Harbour Lane bench (simulated) is at http://127.0.0.1:$port/ - Ctrl-C ends it"
echo "To choose the unit and its fault: $here/put-on --help"

hand left reefer-controller 14 HL-2041/none HL-2042/none HL-2043/stall:2 HL-2044/none \
    HL-2045/low:15 HL-2046/none HL-2047/restart:1.2 &
children+=($!)
hand right crane-joystick-node 14 HL-3310/none HL-3311/late:3:2.5 HL-3312/none HL-3313/none HL-3314/short &
children+=($!)
while kill -0 "$daemon" 2>/dev/null; do
    pause 0.4
    ! parent_ends || end 0
done
wait "$daemon"
