#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The SCPI side against a supply that shares no code with it: the standard's
own manners, and the ones that real supplies have beside it. In every scenario
each reading must be right (voltage and current of one conversion, told at the
instant that the reading is stamped with) or absent, and nothing but queries and
*CLS may have gone out. What measures speed counts as skipped where it fails on a
machine that has other work: a poll that waits for a processor is no late poll."""

import os
import re
import struct
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))
from checks import (PATIENCE_S, PROFILES, PROGRAM, Run, check, check_pace, finish,  # noqa: E402
                    read, told_at_other_times)
from scpi_instrument import Instrument, Traps, waking  # noqa: E402

FOLDER = tempfile.mkdtemp(prefix="wakedraw-scpi-")
# `scpi` with a short reply time, and the ratings of the supply that is played.
FAST = os.path.join(FOLDER, "fast.ini")


def write_profile(path, base, timeout_s):
    source = open(os.path.join(PROFILES, base + ".ini")).read()
    source = source.replace("reply_timeout_s = 1\n",
                            "reply_timeout_s = %g\nrated_voltage_V = 30\n"
                            "rated_current_A = 5\n" % timeout_s)
    with open(path, "w") as file:
        file.write(source)


write_profile(FAST, "scpi", 0.3)


def only_asks(instrument):
    """Every part of every message ends its first word in ?, or is *CLS."""
    for message in instrument.received:
        for part in message.decode("latin-1").split(";"):
            word = part.strip().split(" ")[0]
            if word and not word.endswith("?") and word.upper() != "*CLS":
                return message
    return None


def wrong_readings(instrument, readings):
    """Readings that are not what one conversion told at that instant."""
    wrong, right = [], []
    for reading in readings:
        if not reading["valid"]:
            continue
        k = round(reading["current_A"] / 0.0001)
        if k not in instrument.told:
            wrong.append((reading, "current told never"))
            continue
        told_s, volts, amperes = instrument.told[k]
        if abs(volts - reading["voltage_V"]) > 1e-6 or abs(amperes - reading["current_A"]) > 1e-7:
            wrong.append((reading, "told %r" % (instrument.told[k],)))
        right.append((reading, told_s))
    return wrong + told_at_other_times(right)


def wait_until(what):
    deadline = time.monotonic() + PATIENCE_S
    while not what():
        if time.monotonic() > deadline:
            raise RuntimeError("it did not come about")
        time.sleep(0.01)


def judge(name, instrument, run, count, least_ok=None):
    check(name + ": ends well", run.status == 0, run.error)
    check(name + ": %d readings" % count, len(run.readings) == count, len(run.readings))
    wrong = wrong_readings(instrument, run.readings)
    check(name + ": every reading right", not wrong, wrong[:2])
    valid = sum(r["valid"] for r in run.readings)
    check(name + ": readings valid", valid >= (count if least_ok is None else least_ok), valid)
    check(name + ": nothing but questions sent", only_asks(instrument) is None,
          only_asks(instrument))


def over_tcp(name, traps, count=60, profile="scpi", look=None, **more):
    instrument = Instrument(traps, **more)
    run = read(instrument.start_tcp(), count, profile)
    instrument.stop()
    judge(name, instrument, run, count)
    if look:
        look(instrument, run)
    return instrument, run


def over_pty(name, traps, count=60, profile="scpi", look=None, keys="", **more):
    instrument = Instrument(traps, **more)
    run = read("serial:" + instrument.start_pty() + keys, count, profile)
    instrument.stop()
    judge(name, instrument, run, count)
    if look:
        look(instrument, run)
    return instrument, run


def asked(instrument, text):
    return sum(m.upper().startswith(text) for m in instrument.received)


# -- manners ------------------------------------------------------------------

def manners():
    def joined(instrument, run):
        used = [m for m in instrument.received if m.count(b"MEAS:VOLT?;CURR?")]
        check("one round trip a reading", len(used) >= len(run.readings), len(used))
    over_tcp("plain tcp", Traps(), 200, look=joined)
    over_pty("plain pseudo-terminal", Traps(), 200, look=joined)
    for form in ("nr2", "nr3"):
        for end in (b"\n", b"\r\n", b"\r"):
            over_tcp("%s, %r" % (form, end), Traps(number_form=form, terminator=end))
    over_pty("NR3 with CR LF on a pseudo-terminal", Traps(number_form="nr3", terminator=b"\r\n"))
    over_tcp("in pieces", Traps(pieces=True))
    over_pty("in pieces on a pseudo-terminal", Traps(pieces=True, terminator=b"\r\n"))
    over_tcp("two lines instead of one", Traps(two_lines=True))
    over_tcp("only ;: between queries", Traps(refuse_inherited=True))
    over_tcp("no compound queries", Traps(refuse_compound=True))
    over_tcp("first value twice over", Traps(repeat_first=True), profile=FAST)
    over_tcp("echo", Traps(echo=True))
    over_pty("echo with CR LF", Traps(echo=True, terminator=b"\r\n"))
    over_tcp("no flags to be had", Traps(no_flags=True), profile=FAST)
    over_tcp("strict message exchange", Traps(strict=True, turnaround_s=0.004))
    # No USBTMC hardware here: a pseudo-terminal stands in for the kernel's device,
    # so this holds for the link's own code, not for the driver's calls.
    stand_in = Instrument(Traps())
    run = read("usbtmc:" + stand_in.start_pty(), 60)
    stand_in.stop()
    judge("stand-in for a USBTMC device", stand_in, run, 60)
    integers = Instrument(Traps(number_form="nr1"), values=lambda k, t: (12.0, 3.0))
    run = read(integers.start_tcp(), 20)
    integers.stop()
    check("NR1: read as told", len(run.readings) == 20 and
          all(r["voltage_V"] == 12 and r["current_A"] == 3 for r in run.readings), run.error)


def errors_queued():
    instrument = Instrument(Traps())
    for _ in range(20):
        instrument.error(-113, "Undefined header")
    run = read(instrument.start_tcp(), 20)
    instrument.stop()
    judge("errors queued before", instrument, run, 20)
    check("errors queued before: cleared", not instrument.errors, instrument.errors)


def overflow():
    """9.91E37 is SCPI-1999's not-a-number, 9.9E37 its infinity (vol. 1, 7.2.1)."""
    def values(k, _t):
        volts, amperes = 10 + (k % 1000) * 0.001, (k % 20000) * 0.0001
        if k > 20 and k % 5 == 0:
            amperes = ("9.91E37", "9.9E+37", "-9.900000E+37", "+9.910000E+37")[k // 5 % 4]
        return volts, amperes
    instrument = Instrument(Traps(), values=values)
    run = read(instrument.start_tcp(), 80)
    instrument.stop()
    check("overflow: ends well", run.status == 0, run.error)
    invalid = [r for r in run.readings if not r["valid"]]
    check("overflow: shown as invalid readings", 10 <= len(invalid) <= 20, len(invalid))
    check("overflow: without a number",
          all(r["current_A"] is None and r["voltage_V"] is not None for r in invalid), invalid[:1])
    check("overflow: no value past the ratings",
          all(abs(r["current_A"]) < 100 for r in run.readings if r["valid"]))


# -- faults -------------------------------------------------------------------

def faults():
    """Most of their time is waiting: several at once."""
    start = 30
    pool = ThreadPoolExecutor(4)
    runs = []

    def tcp(*arguments):
        runs.append(pool.submit(over_tcp, *arguments))

    def port(*arguments):
        runs.append(pool.submit(over_pty, *arguments))

    def counts(*names):
        def look(_instrument, run):
            for name in names:
                check("  %s counted" % name, run.wire.get(name, 0) > 0, run.wire)
        return look
    every = range(start, 400, 23)
    tcp("late replies", Traps(late={k: 0.45 for k in range(start, 200, 37)}), 120, FAST,
             counts("timeouts", "resynchronised"))
    port("late replies on a pseudo-terminal",
             Traps(late={k: 0.45 for k in range(start, 200, 37)}), 120, FAST,
             counts("timeouts", "resynchronised"))
    tcp("late replies, strict", Traps(strict=True, late={k: 0.45 for k in (35, 70)}), 80,
             FAST, counts("timeouts"))
    tcp("very late replies", Traps(late={k: 0.85 for k in (40, 80)}), 100, FAST,
             counts("timeouts", "resynchronised"))
    tcp("missing replies", Traps(silent=set(every)), 100, FAST, counts("timeouts"))
    port("half replies", Traps(half=set(every)), 100, FAST, counts("timeouts"))
    tcp("noise in front", Traps(noise={k: b"\x00\xff#" for k in every}), 150, FAST,
             counts("garbled", "resynchronised"))
    tcp("a stray line in front", Traps(noise={k: b"12.5\n" for k in every}), 150, FAST,
             counts("garbled"))
    tcp("a stray line behind", Traps(after={k: b"12.5;0.5\n" for k in every}), 150, FAST,
             counts("garbled"))
    port("garbage instead", Traps(instead={k: b"~x;~y\n" for k in every}), 150, FAST,
             counts("garbled"))
    tcp("a value past the ratings", Traps(instead={k: b"999.9;0.5\n" for k in every}), 150,
             FAST, counts("garbled"))
    tcp("one field missing", Traps(instead={k: b"12.1\n" for k in every}), 150, FAST,
             counts("garbled"))
    tcp("an error text instead", Traps(instead={k: b'-113,"Undefined header"\n' for k in
                                                    every}), 150, FAST, counts("garbled"))

    def reopened(instrument, _run):
        check("  connected again", instrument.connections >= 3, instrument.connections)
    tcp("closed in mid-reply", Traps(close_at={40, 80}), 120, FAST, reopened)
    for run in runs:
        run.result()


def refused(name, run, words):
    check(name + ": exit 69", run.status == 69, run.status)
    check(name + ": one line", run.error.count("\n") == 1 and
          run.error.startswith("wakedraw: "), run.error)
    check(name + ": says why", re.search(words, run.error) is not None, run.error)


def nobody_there():
    mute = Instrument(Traps(mute=True))
    link = mute.start_tcp()
    refused("silence", read(link, 5, FAST), r"no answer to \*IDN\? within 0.3 s")
    refused("silence, identify", Run([link]), r"nothing answers \*IDN\?")
    mute.stop()
    refused("nothing listens", read(link, 5), "refused")
    refused("no such port", read("serial:/dev/no-such-port", 5), "No such file")
    with open(os.path.join(FOLDER, "file"), "w") as file:
        file.write("x")
    refused("not a port", read("serial:" + file.name, 5), "not a serial port")
    babbler = Instrument(Traps(babble=True))
    run = read(babbler.start_tcp(), 5, FAST)
    babbler.stop()
    refused("babble", run, "nobody asked for|answered")
    check("babble: no readings", not run.readings)


def in_use():
    instrument = Instrument(Traps())
    link = "serial:" + instrument.start_pty()
    first = subprocess.Popen([PROGRAM, "identify", "--profile", "scpi", "--readings", "1e6", link],
                             stdout=subprocess.DEVNULL)
    wait_until(lambda: instrument.readings > 10)
    run = read(link, 5)
    refused("port in use", run, "in use by another process")
    check("port in use: the first goes on", first.poll() is None)
    first.kill()
    first.wait()
    run = read(link, 5)
    check("port in use: free after a kill", run.status == 0 and len(run.readings) == 5, run.error)
    instrument.stop()


def replugged():
    path = os.path.join(FOLDER, "port")
    first = Instrument(Traps())
    first.start_pty(path)
    second = Instrument(Traps())

    def swap():
        wait_until(lambda: first.readings > 200)
        first.unplug()
        time.sleep(0.7)
        second.start_pty(path)
    thread = threading.Thread(target=swap)
    thread.start()
    run = read("serial:" + path, 900, FAST)
    thread.join()
    check("unplug, replug: goes on", run.status == 0 and len(run.readings) == 900, run.error)
    check("unplug, replug: both read", first.readings > 100 and second.readings > 100,
          (first.readings, second.readings))
    check("unplug, replug: nothing but questions sent",
          only_asks(first) is None and only_asks(second) is None)
    first.stop()
    second.stop()


# -- outputs --------------------------------------------------------------------

def outputs():
    instrument = Instrument(Traps(), outputs=3, dialect="list")
    link = instrument.start_tcp()
    run = read(link, 30, "scpi-channel-list", output=2)
    check("channel list: output 2 read", len(run.readings) == 30 and
          all(r["voltage_V"] >= 12 for r in run.readings), run.error)
    check("channel list: named in each question",
          any(b"MEAS:VOLT? (@2);CURR? (@2)" in m for m in instrument.received),
          instrument.received[-1])
    check("channel list: nothing but questions sent", only_asks(instrument) is None)
    run = read(link, 3, "scpi-channel-list", output=5)
    check("an output too many: exit 64", run.status == 64 and "outputs 1 to 4" in run.error,
          run.error)
    instrument.stop()
    instrument = Instrument(Traps(), outputs=3, dialect="nselect")
    link = instrument.start_tcp()
    run = read(link, 30, "scpi-nselect", output=1)
    check("selected output: read", len(run.readings) == 30, run.error)
    run = read(link, 3, "scpi-nselect", output=2)
    refused("another output is selected", run, "output 1 is selected .* control = on")
    check("another output is selected: no readings", not run.readings)
    check("selection: nothing but questions sent", only_asks(instrument) is None and
          instrument.selected == 1)

    told_before = instrument.readings

    def turn():
        wait_until(lambda: instrument.readings > told_before + 200)
        instrument.selected = 2
    thread = threading.Thread(target=turn)
    thread.start()
    run = read(link, 5000, "scpi-nselect", output=1)
    thread.join()
    check("a hand selects another: readings stop",
          run.status == 69 and 50 < len(run.readings) < 5000 and
          all(r["voltage_V"] < 12 for r in run.readings), run.error)
    instrument.stop()


def terse():
    """Messages and replies with no end but silence."""
    for output in (1, 2):
        instrument = Instrument(Traps(terminator=b""), outputs=2, dialect="terse")
        run = read("serial:" + instrument.start_pty(), 25, "terse", output=output)
        instrument.stop()
        check("terse, output %d: 25 readings" % output, len(run.readings) == 25, run.error)
        check("terse, output %d: asked by number" % output,
              asked(instrument, b"VOUT%d?" % output) >= 25, instrument.received[-3:])
        check("terse, output %d: nothing but questions sent" % output,
              only_asks(instrument) is None)
        if output == 1:
            wrong = wrong_readings(instrument, run.readings)
            check("terse: every reading right", not wrong, wrong[:2])
        check("terse: set points known, so is the limit",
              all(r["limited"] is False for r in run.readings[-10:]), run.readings[-1:])


def terse_status():
    """A status byte: of the whole output's state, and of the limit where no set points
    tell of it."""
    def steady(k, _t):
        return 13.8, 0.25 + k % 7 * 0.001
    bare = os.path.join(FOLDER, "bare.ini")
    with open(bare, "w") as file:
        file.write("".join(line for line in open(os.path.join(PROFILES, "terse-status.ini"))
                           if not line.startswith(("query_", "set_"))))
    for profile, limited in (("terse-status", False), (bare, False), (bare, True)):
        for on in (True, False):
            instrument = Instrument(Traps(terminator=b""), dialect="terse", values=steady)
            instrument.output_on, instrument.limited = on, limited
            run = read("serial:" + instrument.start_pty(), 25, profile)
            instrument.stop()
            name = "%s, output %s, limit %s" % (os.path.basename(profile), on, limited)
            check(name + ": 25 readings", len(run.readings) == 25, run.error)
            # An output that is off is in no limit.
            limited = limited and on
            told = [(r["output_on"], r["limited"]) for r in run.readings[-10:]]
            check(name + ": told so", told == [(on, limited)] * 10, told[-1:])
            check(name + ": nothing but questions sent", only_asks(instrument) is None)


def array_profile(name, form, more=""):
    path = os.path.join(FOLDER, name + ".ini")
    text = open(os.path.join(PROFILES, "scpi-array.ini")).read()
    text = text.replace("array_form = f32,big", "array_form = " + form)
    text = text.replace("reply_timeout_s = 1\n", "reply_timeout_s = 0.3\nrated_voltage_V = 30\n"
                        "rated_current_A = 5\n")
    with open(path, "w") as file:
        file.write(text + more)
    return path


def lines_in_blocks(k, _t):
    """Floats whose bytes are line ends: 0x410A0D0A and its like are 8.62823..."""
    return (8.0 + k % 7 * 0.1 if k % 3 else struct.unpack(">f", b"\x41\x0a\x0d\x0a")[0],
            (k % 20000) * 0.0001)


def judge_array(name, instrument, run, count, interval_s):
    check(name + ": %d readings" % count, len(run.readings) == count, run.error)
    wrong, late, before = [], [], -1.0
    offset = None
    for r in run.readings:
        k = round(r["current_A"] / 0.0001)
        at, volts, amperes = instrument.told.get(k, (None, None, None))
        if at is None or abs(volts - r["voltage_V"]) > 2e-6 or abs(amperes - r["current_A"]) > 2e-7:
            wrong.append((r, instrument.told.get(k)))
            continue
        offset = at - r["time_s"] if offset is None else offset
        late.append(abs(at - r["time_s"] - offset))
        wrong += [r] if r["time_s"] <= before else []
        before = r["time_s"]
    check(name + ": every reading right, in order", not wrong, wrong[:2])
    check(name + ": nothing but questions sent", only_asks(instrument) is None)
    steps = sorted(b["time_s"] - a["time_s"] for a, b in zip(run.readings, run.readings[1:]))
    check(name + ": conversions one interval apart",
          steps and abs(steps[len(steps) // 2] - interval_s) < 2e-6, steps[len(steps) // 2:][:1])
    return late


def arrays():
    """Conversions that the supply takes by itself, at their own times."""
    cases = [("f32,big", "f32", "big"), ("f32,little", "f32", "little"),
             ("f64,big", "f64", "big"), ("f64,little", "f64", "little"), ("list", "list", "big")]
    for number, (form, kind, order) in enumerate(cases):
        for port in (False, True):
            instrument = Instrument(Traps(arrays=kind, array_order=order, pieces=port,
                                          array_interval_s=0.0008), values=lines_in_blocks)
            link = "serial:" + instrument.start_pty() if port else instrument.start_tcp()
            run = read(link, 400, array_profile("array%d" % number, form))
            instrument.stop()
            name = "array %s%s" % (form, " in pieces" if port else "")
            late = judge_array(name, instrument, run, 400, 0.0008)
            check(name + ": used", instrument.acquisitions >= 8, instrument.acquisitions)
            check_pace(name + ": told at their own times within 5 ms",
                       late and sorted(late)[int(0.9 * len(late))] < 0.005, sorted(late)[-3:])
            check(name + ": the renewal is the interval",
                  abs(run.wire["conversion_hz"] - 1250) < 1, run.wire)
            check(name + ": none is a repeat", run.wire["repeats"] == 0)
    silent = Instrument(Traps(arrays="f32", array_tells=False), values=lines_in_blocks)
    run = read(silent.start_tcp(), 200, array_profile("stated", "f32,big"))
    silent.stop()
    judge_array("an interval that only the profile states", silent, run, 200, 0.001)
    without = Instrument(Traps())
    run = read(without.start_tcp(), 60, array_profile("without", "f32,big"))
    without.stop()
    judge("a supply without arrays: read one by one", without, run, 60)
    other = Instrument(Traps(arrays="f32", array_order="little"))
    run = read(other.start_tcp(), 60, array_profile("other", "f32,big"))
    other.stop()
    judge("arrays in another byte order than stated: read one by one", other, run, 60)


def simulated_arrays():
    """The simulated supply takes them too: in each form, by TCP and on a line."""
    for number, form in enumerate(("f32,big", "f64,little", "list")):
        path = array_profile("simulated%d" % number, form)
        for link, more in (("tcp:127.0.0.1:0", []),
                           ("serial:" + os.path.join(FOLDER, "line"), ["--line-rate", "115200"])):
            supply = subprocess.Popen([PROGRAM, "simulate", "--link", link, "--profile", path,
                                       "--output-on", "--module", "none"] + more,
                                      stdout=subprocess.PIPE, text=True)
            ready = supply.stdout.readline().split()[1]
            run = read(ready, 200, path)
            supply.kill()
            supply.wait()
            name = "simulated, %s, %s" % (form, link.split(":")[0])
            check(name + ": 200 readings", len(run.readings) == 200, run.error)
            check(name + ": as arrays", run.wire.get("conversion_hz") == 1000, run.wire)
            times = [r["time_s"] for r in run.readings]
            check(name + ": times go up", all(a < b for a, b in zip(times, times[1:])))


def array_faults():
    for fault in ("short", "length", "one_more", "garbage", "indefinite", "early", "mad"):
        for form, kind in (("f32,big", "f32"), ("list", "list")):
            if fault == "indefinite" and kind == "list":
                continue
            instrument = Instrument(Traps(arrays=kind, array_fault={3: fault, 6: fault}),
                                    values=lines_in_blocks)
            run = read(instrument.start_tcp(), 400, array_profile("fault", form))
            instrument.stop()
            name = "array with %s, %s" % (fault, form)
            judge_array(name, instrument, run, 400, 0.001)
            counted = run.wire.get("timeouts", 0) + run.wire.get("garbled", 0)
            check(name + ": counted", counted >= 2, run.wire)
            check(name + ": used again after it", instrument.acquisitions >= 9,
                  instrument.acquisitions)


def flags():
    instrument = Instrument(Traps(), values=lambda k, t: (8.0, 2.0))
    instrument.limited = True
    run = read(instrument.start_tcp(), 30)
    check("in current limit: said", all(r["limited"] is True for r in run.readings[-20:]),
          run.readings[-1:])
    instrument.stop()
    # A family whose bit means the opposite: the set points show it.
    instrument = Instrument(Traps(), values=lambda k, t: (13.8, 0.25 + k % 3 * 0.001))
    instrument.limited = True
    run = read(instrument.start_tcp(), 100)
    check("a status bit that contradicts the set points is not believed",
          all(r["limited"] is False for r in run.readings[-20:]), run.readings[-1:])
    instrument.stop()
    instrument = Instrument(Traps(no_flags=True), values=lambda k, t: (8.0, 2.0))
    run = read(instrument.start_tcp(), 30, FAST)
    check("in current limit: derived from the set points",
          all(r["limited"] is True for r in run.readings[-20:]), run.readings[-1:])
    check("no output state: unknown", all(r["output_on"] is None for r in run.readings))
    instrument.stop()
    instrument = Instrument(Traps())
    instrument.output_on = False
    run = read(instrument.start_tcp(), 30)
    check("output off: said", all(r["output_on"] is False for r in run.readings[-20:]),
          run.readings[-1:])
    instrument.stop()


# -- speed ----------------------------------------------------------------------

def share(baud, turnaround_s, count):
    """Reached share of what the line allows, which the peer works out itself."""
    best = None
    for _ in range(4):
        instrument = Instrument(Traps(baud=baud, turnaround_s=turnaround_s))
        link = "serial:%s?baud=%d" % (instrument.start_pty(), baud)
        run = read(link, count)
        instrument.stop()
        check("%d baud: every reading right" % baud, not wrong_readings(instrument, run.readings))
        message = [m for m in instrument.received if m.startswith(b"MEAS:VOLT?;")][-1]
        reply = len("10.0000;0.0000") + 1
        ideal = 1 / ((len(message) + 1 + reply) * 10 / baud + turnaround_s)
        result = (run.wire["rate_hz"] / run.wire["limit_hz"], run.wire["limit_hz"] / ideal,
                  run.wire["limit_why"])
        if best is None or result[0] > best[0]:
            best = result
        if best[0] >= 0.97:
            break
    return best


def speed():
    for baud, turnaround_s, count in ((9600, 0.0, 150), (115200, 0.005, 700)):
        reached, stated, why = share(baud, turnaround_s, count)
        name = "%d baud, %g ms turnaround" % (baud, turnaround_s * 1e3)
        said = "%s: %.1f %% of the stated limit (%s)" % (name, 100 * reached, why)
        check_pace(said, reached >= 0.95)
        check_pace("%s: stated limit %.1f %% of the line's arithmetic" % (name, 100 * stated),
                   0.85 <= stated <= 1.02)


def scrambled(k):
    """Each block of 16 in another order, to and fro; the same function undoes it. (What
    goes on by one count each time might be a slow ramp, and teaches no renewal.)"""
    low = k & 15
    return k - low + int("{:04b}".format(low)[::-1], 2)


def renewal():
    instrument = Instrument(Traps(renewal_hz=20.0), values=lambda k, t: (
        10 + scrambled(k) % 1000 * 0.001, scrambled(k) % 20000 * 0.0001))
    run = read(instrument.start_tcp(), 2000, timeout=PATIENCE_S)
    instrument.stop()
    hz = run.wire.get("conversion_hz") or 0
    check_pace("renewal of 20 Hz learned: %.2f" % hz, 19.6 <= hz <= 20.4)
    tail = run.readings[-400:]
    ks = sorted({scrambled(round(r["current_A"] / 0.0001)) for r in tail})
    span = ks[-1] - ks[0] + 1
    check_pace("renewal: %d of %d conversions seen" % (len(ks), span), len(ks) >= 0.97 * span)
    seconds = tail[-1]["time_s"] - tail[0]["time_s"]
    check_pace("renewal: about four readings each", 3.4 <= len(tail) / (seconds * 20) <= 4.6,
          len(tail) / (seconds * 20))
    fresh, before, right = 0, None, 0
    for r in tail:
        k = scrambled(round(r["current_A"] / 0.0001))
        right += r["repeat"] == (k == before)
        before = k
    check_pace("renewal: repeats marked (%d of %d)" % (right, len(tail)), right >= 0.95 * len(tail))
    instrument = Instrument(Traps())
    run = read(instrument.start_tcp(), 600)
    instrument.stop()
    check("no renewal made up where each reading is fresh",
          run.wire.get("conversion_hz") is None and run.wire["repeats"] == 0, run.wire)


def wakes():
    instrument = Instrument(Traps(), values=waking)
    run = read(instrument.start_tcp(), 3000)
    instrument.stop()
    levels = [r["current_A"] for r in run.readings if r["valid"]]
    check("a module's wake read whole: rest, inrush, work",
          min(levels) == 0 and max(levels) > 1.3 and 0.25 < levels[-1] < 0.27,
          (min(levels), max(levels), levels[-1]))


def identify():
    instrument = Instrument(Traps(), identity="EXAMPLE,PSU-1,7,1.0")
    run = Run([instrument.start_tcp()])
    check("identify: says who answers", "EXAMPLE,PSU-1,7,1.0" in run.text, run.text)
    check("identify: proposes a profile", "--profile scpi" in run.text, run.text)
    check("identify: nothing but questions sent", only_asks(instrument) is None,
          only_asks(instrument))
    instrument.stop()


def main():
    for part in (manners, errors_queued, overflow, faults, nobody_there, in_use, replugged,
                 outputs, terse, terse_status, arrays, simulated_arrays, array_faults, flags, speed, renewal, wakes, identify):
        print(part.__name__)
        part()
    finish()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        for name in sys.argv[1:]:
            globals()[name]()
        finish()
    main()
