#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The Modbus side against python3-pymodbus as a server (TCP, RTU on a
pseudo-terminal, RTU framing over TCP) and against a unit that misbehaves. Each
reading must be right or absent, and only functions 3 and 4 may be asked. What
measures speed counts as skipped where it fails on a machine that has other work:
a poll that waits for a processor is no late poll."""

import os
import subprocess
import sys
import tempfile
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))
from checks import Run, check, check_pace, finish, read, skip, told_at_other_times  # noqa: E402
from modbus_unit import Unit, crc  # noqa: E402

try:
    from modbus_server import Supply
except ImportError as missing:
    Supply = None
    WHY = str(missing)

FOLDER = tempfile.mkdtemp(prefix="wakedraw-modbus-")


def profile(name, function, voltage, current, extra="", timeout_s=0.3):
    path = os.path.join(FOLDER, name + ".ini")
    with open(path, "w") as file:
        file.write("[supply]\nspeaks = modbus\nrated_voltage_V = 40\nrated_current_A = 10\n"
                   "reply_timeout_s = %g\n[modbus]\nfunction = %d\nvoltage = %s\ncurrent = %s\n%s"
                   % (timeout_s, function, voltage, current, extra))
    return path


def wrong_readings(supply, readings, step_V, step_A):
    wrong, right = [], []
    for reading in readings:
        if not reading["valid"]:
            continue
        k = round(reading["current_A"] / 0.001)
        if k not in supply.told:
            wrong.append((reading, "told never"))
            continue
        told_s, volts, amperes = supply.told[k]
        if abs(volts - reading["voltage_V"]) > step_V / 2 + 2e-6 or \
           abs(amperes - reading["current_A"]) > step_A / 2 + 2e-7:
            wrong.append((reading, (volts, amperes)))
        right.append((reading, told_s))
    return wrong + told_at_other_times(right)


MAPS = [
    # function, layout, flags in the profile
    (4, {"voltage": (0, "f32", "big", 1), "current": (2, "f32", "big", 1), "flags": 4}, "4"),
    (3, {"voltage": (16, "u16", "big", 0.01), "current": (17, "u16", "big", 0.001), "flags": 18},
     "18"),
    (3, {"voltage": (100, "f32", "little", 1), "current": (110, "f32", "little", 1),
         "flags": 300, "idle": list(range(102, 110))}, "300"),
    (4, {"voltage": (7, "u32", "little", 0.001), "current": (5, "s32", "big", 0.0001)}, None),
    (3, {"voltage": (40, "s16", "big", 0.01), "current": (60, "s16", "big", 0.001)}, None),
    (3, {"voltage": (40, "u16", "big", 0.01), "current": (9000, "u16", "big", 0.001)}, None),
]


# Maps whose keys state functions of their own: layout, keys, what they must say.
OWN = [
    ("a state by coil, the limit by discrete input",
     {"voltage": (5, "f32", "big-swapped", 1), "current": (7, "f32", "little-swapped", 1),
      "states": {(1, 3): 1, (2, 9): 1}},
     "voltage = 5,f32,big-swapped,1\ncurrent = 7,f32,little-swapped,1\n"
     "output_on = 3\noutput_on_function = 1\nlimited = 9,0\nlimited_function = 2\n",
     True, True),
    ("coils that say no, one of them upside down",
     {"voltage": (5, "s32", "big", 0.001), "current": (7, "s32", "little", 0.001),
      "states": {(1, 3): 1, (1, 4): 0}},
     "voltage = 5,s32,big,0.001\ncurrent = 7,s32,little,0.001\n"
     "output_on = 3,inverted\noutput_on_function = 1\nlimited = 4\nlimited_function = 1\n",
     False, False),
    ("voltage and current by different functions, modes as numbers",
     {"voltage": (5, "u16", "big", 0.01, 3), "current": (5, "s16", "big-swapped", 0.001, 4),
      "states": {(4, 6): 0xA5, (3, 6): 0x2F30}},
     "voltage = 5,u16,big,0.01\nvoltage_function = 3\n"
     "current = 5,s16,big-swapped,0.001\ncurrent_function = 4\n"
     "output_on = 6\noutput_on_value = 0x5A,0xA5\n"
     "limited = 6,4-5\nlimited_function = 3\nlimited_value = 3\n",
     True, True),
    ("a mode that is another number",
     {"voltage": (5, "u16", "big", 0.01), "current": (6, "u16", "big", 0.001),
      "states": {(4, 7): 1, (4, 8): 2}},
     "voltage = 5,u16,big,0.01\ncurrent = 6,u16,big,0.001\n"
     "output_on = 7\nlimited = 8\nlimited_value = 1,3\n",
     True, False),
    ("set points read back elsewhere tell the limit",
     {"voltage": (5, "u16", "big", 0.01), "current": (6, "u16", "big", 0.001),
      "states": {(4, 7): 1, (4, 40): 2, (4, 42): 6000}},
     "voltage = 5,u16,big,0.01\ncurrent = 6,u16,big,0.001\noutput_on = 7\n"
     "query_voltage = 42,u16,big,0.01\nquery_voltage_function = 4\n"
     "query_limit = 40,u16,big,0.001\nquery_limit_function = 4\n",
     True, True),
]


def functions():
    for number, (name, layout, keys, on, limited) in enumerate(OWN):
        supply = Supply(layout, 4, values=lambda k: (10 + (k % 10) * 0.01,
                                                     0.002 + (k % 3000) * 0.001))
        link = supply.start_tcp()
        path = os.path.join(FOLDER, "own%d.ini" % number)
        with open(path, "w") as file:
            file.write("[supply]\nspeaks = modbus\nrated_voltage_V = 40\nrated_current_A = 10\n"
                       "[modbus]\nfunction = 4\n" + keys)
        run = read(link, 60, path)
        supply.stop()
        check(name + ": 60 readings", len(run.readings) == 60, run.error)
        told = {round(r["current_A"] / 0.001) - 2: r["voltage_V"] for r in run.readings}
        check(name + ": every reading right", all(
            k in supply.told and abs(supply.told[k][1] - volts) < 1e-3
            for k, volts in told.items()), list(told.items())[:3])
        check(name + ": its states", run.readings and
              all((r["output_on"], r["limited"]) == (on, limited) for r in run.readings[-10:]),
              run.readings[-1:])
        check(name + ": nothing written", not supply.writes)


def maps():
    for number, (function, layout, flags) in enumerate(MAPS):
        supply = Supply(layout, function)
        link = supply.start_tcp(unit=number + 1)
        extra = "output_on = %s,0\nlimited = %s,1\n" % (flags, flags) if flags else ""
        text = {name: "%d,%s,%s,%g" % layout[name] for name in ("voltage", "current")}
        path = profile("map%d" % number, function, text["voltage"], text["current"], extra)
        run = read(link, 100, path)
        supply.stop()
        name = "map %d (function %d, %s, %s)" % (number, function, layout["voltage"][1],
                                                 layout["voltage"][2])
        check(name + ": 100 readings", run.status == 0 and len(run.readings) == 100, run.error)
        wrong = wrong_readings(supply, run.readings, 0.01 if "16" in text["voltage"] else 1e-5,
                               0.001 if "16" in text["current"] else 1e-6)
        check(name + ": every reading right", not wrong, wrong[:2])
        check(name + ": nothing written", not supply.writes)
        if flags:
            told = [r["output_on"] for r in run.readings]
            check(name + ": output on, not limited", True in told and False not in told and
                  not any(r["limited"] for r in run.readings), run.readings[-1:])
    near = supply_requests(0)
    check("voltage, current and flags in one request", near, near)


def supply_requests(number):
    function, layout, _ = MAPS[number]
    supply = Supply(layout, function)
    path = profile("one", function, "0,f32,big,1", "2,f32,big,1", "output_on = 4,0\n")
    read(supply.start_tcp(), 30, path)
    supply.stop()
    return supply.requests.count((0, 5)) >= 30


def over_tcp_framing_and_serial():
    layout, function = MAPS[0][1], 4
    supply = Supply(layout, function)
    run = read(supply.start_tcp(unit=17, rtu=True), 100, "modbus-input-f32")
    supply.stop()
    check("RTU framing over TCP: 100 readings right", len(run.readings) == 100 and
          not wrong_readings(supply, run.readings, 1e-5, 1e-6), run.error)
    ours, theirs = os.path.join(FOLDER, "ours"), os.path.join(FOLDER, "theirs")
    pair = subprocess.Popen(["socat", "PTY,raw,echo=0,link=" + ours,
                             "PTY,raw,echo=0,link=" + theirs])
    while not (os.path.exists(ours) and os.path.exists(theirs)):
        time.sleep(0.02)
    supply = Supply(layout, function)
    supply.start_serial(theirs, unit=9)
    run = read("modbus-rtu:" + ours + "?address=9", 60, "modbus-input-f32")
    check("RTU on a pseudo-terminal: 60 readings right", len(run.readings) == 60 and
          not wrong_readings(supply, run.readings, 1e-5, 1e-6), run.error)
    run = read("modbus-rtu:" + ours + "?address=8", 5, "modbus-input-f32")
    check("another unit: exit 69, by name", run.status == 69 and "unit 8 does not answer" in
          run.error, run.error)
    run = read("modbus-rtu:" + ours + "?address=9", 5,
               profile("absent", 4, "500,u16,big,1", "501,u16,big,1"))
    check("registers that do not exist: exit 69, the exception named", run.status == 69 and
          "Illegal data address" in run.error, run.error)
    supply.stop()
    pair.kill()
    pair.wait()


def scaled(k):
    return {16: 1000 + k % 1000, 17: k % 3000, 18: 1, 0: 1400, 1: 2000, 2: 1}


class UnitTold:
    """A unit's words as the values that a reading is compared with."""

    def __init__(self, unit):
        self.told = {k: (at, words[16] * 0.01, words[17] * 0.001)
                     for k, (at, words) in unit.told.items()}


def misbehaving():
    fast = profile("fast", 3, "16,u16,big,0.01", "17,u16,big,0.001",
                   "output_on = 18,0\nbyte_timeout_s = 0.1\n")
    every = set(range(20, 400, 17))
    cases = [
        ("sound", {}, ()),
        ("one CRC in a hundred wrong", {"crc": {40, 97, 133, 188}}, ("garbled",)),
        ("CRC errors", {"crc": every}, ("garbled", "resynchronised")),
        ("missing answers", {"silent": {30, 70}}, ("timeouts", "resynchronised")),
        ("late answers", {"late": {30: 0.45, 60: 0.45, 90: 0.55}}, ("timeouts", "resynchronised")),
        ("very late answers", {"late": {30: 0.8}}, ("timeouts",)),
        ("half answers", {"half": {30, 70}}, ("timeouts",)),
        ("answers of another unit", {"other": every}, ("garbled",)),
        ("busy exceptions", {"busy": every}, ("supply_errors",)),
        ("noise in front", {"noise": every}, ("garbled", "resynchronised")),
        ("in pieces", {"pieces": True}, ()),
    ]
    for name, faults, counted in cases:
        count = 60 if faults.get("pieces") else 200
        unit = Unit(scaled, 16, **faults)
        run = read("modbus-rtu:%s?baud=115200" % unit.path, count, fast)
        unit.stop()
        check(name + ": %d readings" % count, run.status == 0 and len(run.readings) == count,
              (run.status, run.error, len(run.readings)))
        wrong = wrong_readings(UnitTold(unit), run.readings, 1e-6, 1e-6)
        check(name + ": every reading right", not wrong, wrong[:2])
        check(name + ": only functions 3 and 4 asked", all(f[1] in (3, 4) for f in unit.frames))
        for what in counted:
            check(name + ": %s counted" % what, run.wire.get(what, 0) > 0, run.wire)


def speed():
    best = 0
    for _ in range(3):
        unit = Unit(scaled, 16, baud=9600, turnaround_s=0.005)
        run = read("modbus-rtu:%s?baud=9600" % unit.path, 120, "modbus-holding-u16")
        unit.stop()
        ideal = 1 / ((8 + 11) * 10 / 9600 + 0.005 + 3.5 * 10 / 9600)
        reached = run.wire["rate_hz"] / run.wire["limit_hz"]
        stated = run.wire["limit_hz"] / ideal
        best = max(best, reached)
        if best >= 0.97:
            break
    said = "9600 baud, 5 ms turnaround: %.1f %% of the stated limit (%s)" % (
        100 * best, run.wire["limit_why"])
    check_pace(said, best >= 0.95)
    check_pace("stated limit %.1f %% of the line's arithmetic" % (100 * stated),
               0.85 <= stated <= 1.02)


def identify():
    unit = Unit(scaled, 16)
    run = Run(["modbus-rtu:%s" % unit.path])
    unit.stop()
    check("identify: says what answers", "unit 1 answers to function 3" in run.text, run.text)
    check("identify: only functions 3 and 4 asked",
          unit.frames and all(f[1] in (3, 4) for f in unit.frames), unit.frames)
    run = Run(["modbus-tcp:127.0.0.1:1"])
    check("identify: nothing there, exit 69", run.status == 69 and "refused" in run.error,
          run.error)
    run = read("modbus-tcp:127.0.0.1:1", 5, "scpi")
    check("a profile of the other kind: refused by name", run.status == 64 and
          "profile scpi speaks scpi" in run.error, run.error)


def checksum():
    # Modbus over serial line V1.02, 6.2.2: the worked example 02 07 -> 41 12.
    check("CRC of the specification's example", crc(b"\x02\x07") == b"\x41\x12")


def main():
    parts = [checksum, misbehaving, speed, identify]
    if Supply:
        parts += [maps, functions, over_tcp_framing_and_serial]
    else:
        skip("python3-pymodbus as a server (%s): maps, framing" % WHY)
    for part in parts:
        print(part.__name__)
        part()
    finish()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        for name in sys.argv[1:]:
            globals()[name]()
        finish()
    main()
