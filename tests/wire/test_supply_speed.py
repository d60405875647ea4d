#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Every shipped dialect on a line of 9600 baud and on one of 115200 baud whose
supply takes 5 ms to answer: readings reach 97 % of what the line allows. What it
allows is worked out here, from the bytes that the supply saw and said: characters of
ten bits, its turnaround, the silences of Modbus (serial line V1.02, 2.5.1.1: 3.5
characters, 1.75 ms above 19200 baud), and where nothing ends a reply the gap that the
profile states. The limit that wakedraw computes for itself must agree with it.

A check of speed counts as skipped where it fails on a machine that has other work."""

import collections
import os
import re
import statistics
import sys

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))
from checks import PROFILES, busy, check, check_pace, finish, read  # noqa: E402
from modbus_unit import Unit  # noqa: E402
from scpi_instrument import Instrument, Traps  # noqa: E402

LINES = ((9600, 0.0, 6.0), (115200, 0.005, 6.0))  # baud, turnaround, seconds
SHARE = 0.97
ARRAY = (50, 0.05)  # of scpi-array: conversions, seconds that they take
# Silent between two frames, in characters of the line's own ten bits.
SILENCE_CHARACTERS = 3.5


def profile_number(profile, key):
    text = open(os.path.join(PROFILES, profile + ".ini")).read()
    return float(re.search(r"^%s = (.*)$" % key, text, re.M).group(1))


def transactions(log):
    """(question, reply, instant of the question) of each that was answered."""
    found = []
    for (at, way, asked), (_, back, told) in zip(log, log[1:]):
        if way == "<" and back == ">":
            found.append((asked, told, at))
    return found


def limit(log, count, baud, turnaround_s, messages, ends, extra_s):
    """Seconds that a reading takes at least: its `messages` are those asked most."""
    done = transactions(log)
    often = collections.Counter(asked for asked, _, _ in done).most_common(messages)
    asked = {text for text, _ in often}
    if min(n for _, n in often) < count:
        raise RuntimeError("%r asked less than %d times" % (often, count))
    characters = 0
    for text in asked:
        told = statistics.median(len(reply) for question, reply, _ in done if question == text)
        characters += len(text) + ends + told
    seconds = characters * 10 / baud + messages * (turnaround_s + extra_s)
    # Both of two questions are asked once a reading: either tells its pace.
    last = next(question for question, _, _ in reversed(done) if question in asked)
    begun = [at for question, _, at in done if question == last]
    # The first tenth asks what is set and how the output stands, once and for all.
    return seconds, begun[-(9 * count // 10):]


def judge(name, peer_run, messages, ends, silences, gap_s, line):
    baud, turnaround_s, seconds = line
    # Of an array, so many conversions come in one go, and take their time.
    at_once, acquisition_s = ARRAY if name == "scpi-array" else (1, 0.0)
    silence_s = 0.0
    if silences:
        silence_s = SILENCE_CHARACTERS * 10 / baud if baud <= 19200 else 0.00175
    best, said, stated = 0, "", 0
    for _ in range(4):
        log, run, count = peer_run(baud, turnaround_s, seconds)
        if not check("%s, %d baud: %d readings" % (name, baud, count),
                     len(run.readings) == count, run.error):
            return
        least_s, begun = limit(log, count // at_once, baud, turnaround_s, messages, ends,
                               silence_s + gap_s)
        least_s = (least_s + acquisition_s) / at_once
        pace_s = (begun[-1] - begun[0]) / (len(begun) - 1) / at_once
        share, ours = least_s / pace_s, run.wire["limit_computed_hz"] * least_s
        if share > best:
            best = share
            said = "%.1f readings/s are %.1f %% of %.1f; wakedraw: %.1f %% of %.1f (%s)" % (
                1 / pace_s, 100 * share, 1 / least_s, 100 * run.wire["limit_share"],
                run.wire["limit_computed_hz"], run.wire["limit_why"])
            stated = ours
        if best >= SHARE or busy():
            break
    print("          " + said)
    where = "%s, %d baud, %g ms turnaround" % (name, baud, 1e3 * turnaround_s)
    check_pace("%s: %.1f %% of the line" % (where, 100 * best), best >= SHARE, said)
    check_pace("%s: wakedraw's own limit is %.1f %% of that" % (where, 100 * stated),
               0.95 <= stated <= 1.02, said)


def scpi(name, dialect, least_s, terminator=b"\n", outputs=1, arrays=""):
    def run(baud, turnaround_s, seconds):
        instrument = Instrument(Traps(baud=baud, turnaround_s=turnaround_s, arrays=arrays,
                                      terminator=terminator), outputs=outputs, dialect=dialect)
        count = int(seconds / (least_s * 9600 / baud + turnaround_s))
        if arrays:
            count = 50 * int(seconds / (0.05 + least_s * 9600 / baud + 2 * turnaround_s))
        result = read("serial:%s?baud=%d" % (instrument.start_pty(), baud), count, name)
        instrument.stop()
        return instrument.line.log, result, count
    return run


def modbus(name, registers, voltage_at, bits=None):
    def run(baud, turnaround_s, seconds):
        unit = Unit(registers, voltage_at, bits=bits, baud=baud, turnaround_s=turnaround_s)
        count = int(seconds / (0.028 * 9600 / baud + turnaround_s))
        result = read("modbus-rtu:%s?baud=%d" % (unit.path, baud), count, name)
        unit.stop()
        return unit.line.log, result, count
    return run


def scaled(k):
    return {16: 1000 + k % 1000, 17: k % 3000, 18: 1, 0: 1400, 1: 2000, 2: 1}


def floats(k):
    words = {4: 1}
    for at, number in ((0, 0x41480000 + k % 1000), (2, 0x3E800000 + k % 1000)):
        words[at], words[at + 1] = number >> 16, number & 0xFFFF
    return words


def wholes(k):
    return {0x100: 13800 + k % 1000, 0x101: 0, 0x102: 2600 + k % 1000, 0x103: 0,
            0x10: 1380, 0x11: 2000, 0x110: 1380, 0x111: 2000}


PARTS = {
    "scpi": (scpi("scpi", "plain", 0.033), 1, 1, False),
    "scpi-nselect": (scpi("scpi-nselect", "nselect", 0.047, outputs=3), 1, 1, False),
    "scpi-channel-list": (scpi("scpi-channel-list", "list", 0.047, outputs=4), 1, 1, False),
    "terse": (scpi("terse", "terse", 0.069, terminator=b"", outputs=2), 2, 0, False),
    "terse-status": (scpi("terse-status", "terse", 0.069, terminator=b""), 2, 0, False),
    "scpi-array": (scpi("scpi-array", "plain", 0.47, arrays="f32"), 2, 1, False),
    "modbus-holding-u16": (modbus("modbus-holding-u16", scaled, 16), 1, 0, True),
    "modbus-input-f32": (modbus("modbus-input-f32", floats, 0), 1, 0, True),
    "modbus-coils": (modbus("modbus-coils", wholes, 0x100, bits={0: True, 1: False}), 1, 0,
                     True),
}


def main(names):
    for name in names:
        print(name)
        run, messages, ends, silences = PARTS[name]
        gap_s = profile_number(name, "reply_gap_s") if name.startswith("terse") else 0.0
        for line in LINES:
            judge(name, run, messages, ends, silences, gap_s, line)
    finish()


if __name__ == "__main__":
    main(sys.argv[1:] or list(PARTS))
