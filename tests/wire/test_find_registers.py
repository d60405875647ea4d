#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The register finder on supplies that pymodbus serves, their maps drawn at random:
on the command line, over TCP, RTU over TCP and a serial line; what it wrote is read
through and held against the supply; only functions 3 and 4 went out."""

import json
import os
import random
import subprocess
import sys
import tempfile

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))

from checks import PATIENCE_S, PROGRAM, Run, check, finish, read
from panel_supply import PanelSupply

SEED = int(os.environ.get("SEED", "1"))


def find(supply, link, path, load, typed=False, slips=()):
    """Speaks to the finder as a person at the panel would; (status, findings, steps,
    standard error). `slips`: what is typed at a step before it is done as asked."""
    command = [PROGRAM, "identify", "--find-registers", "--json", "--write", path,
               "--rated-voltage", str(supply.rated_V), "--rated-current", str(supply.rated_A),
               "--most-voltage", str(0.8 * supply.rated_V), "--most-current", "3",
               "--panel-step-voltage", "0.01", "--panel-step-current", "0.001", "--load", load,
               link]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                               stderr=subprocess.PIPE, text=True)
    findings, steps, slips = {}, [], list(slips)
    for line in process.stdout:
        item = json.loads(line)
        if "quantity" in item:
            findings[item["quantity"]] = item
            continue
        steps.append(item)
        with supply.lock:
            supply.set_V, supply.set_A = item["set_voltage_V"], item["set_limit_A"]
            supply.on, supply.connected = item["output_on"], item["connected"]
            volts, amperes, limited = supply.measured()
        if limited != item["limited"]:
            findings["asked for what cannot be"] = item
        answer = slips.pop(0) if slips else ""
        if not answer and typed and item["output_on"]:
            answer = "%.2f %.3f" % (volts, amperes)
        process.stdin.write(answer + "\n")
        process.stdin.flush()
    error = process.stderr.read()
    return process.wait(PATIENCE_S), findings, steps, error


def values_hold(name, supply, link, path):
    """What it wrote, read through in states that the finder never saw."""
    draw = random.Random(9)
    wrong = []
    for _ in range(4):
        with supply.lock:
            supply.set_V = round(draw.uniform(1, supply.rated_V), 2)
            supply.set_A = round(draw.uniform(0.1, supply.rated_A), 3)
            supply.on, supply.connected = True, draw.choice(["nothing", "resistor"])
            volts, amperes, limited = supply.measured()
        run = read(link, 2, path)
        for item in run.readings or [{}]:
            if not (abs(item.get("voltage_V", -1) - volts) < 0.011 and
                    abs(item.get("current_A", -1) - amperes) < 0.0011 and
                    item.get("output_on") is True and item.get("limited") is limited):
                wrong.append((supply.set_V, supply.set_A, supply.connected, item, run.error))
    check(name + ": reads the truth elsewhere", not wrong, wrong[:2])


def whole(name, supply, link, load, typed=False, slips=()):
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "found.ini")
        status, findings, steps, error = find(supply, link, path, load, typed, slips)
        check(name + ": found and written", status == 0 and os.path.exists(path),
              (status, findings, error[-600:]))
        check(name + ": all that there is", len(findings) == 6 and
              all(item["state"] == "found" for item in findings.values()), findings)
        check(name + ": functions 3 and 4 alone", set(supply.functions) <= {3, 4} and
              len(supply.functions) > 20, set(supply.functions))
        check(name + ": nothing above what is allowed", all(
            step["set_voltage_V"] <= 0.8 * supply.rated_V and step["set_limit_A"] <= 3
            for step in steps))
        if not os.path.exists(path):
            return
        text = open(path).read()
        check(name + ": passes its check", Run(["--check", path]).status == 0, text)
        check(name + ": accuracy left to be filled in", "TO BE FILLED IN" in text and
              "\ncurrent_accuracy" not in text)
        check(name + ": nothing writes before it was tried", not any(
            line.startswith(("set_", "remote")) for line in text.splitlines()), text)
        values_hold(name, supply, link, path)


def over_tcp():
    for i in range(6):
        supply = PanelSupply(SEED * 100 + i)
        link = supply.start_tcp(unit=1 + i)
        whole("map %d over TCP (%s, %s)" % (i, supply.map["volts"], "joined" if i % 2 else "8.2"),
              supply, link, "joined" if i % 2 else "8.2,60", typed=i % 3 == 0)
        supply.stop()


def framed():
    supply = PanelSupply(SEED * 100 + 50)
    whole("RTU frames over TCP", supply, supply.start_tcp(rtu=True), "8.2,60")
    supply.stop()


def serial():
    with tempfile.TemporaryDirectory() as folder:
        ends = [os.path.join(folder, name) for name in ("ours", "theirs")]
        socat = subprocess.Popen(["socat"] + ["PTY,raw,echo=0,link=" + end for end in ends])
        while not all(os.path.exists(end) for end in ends):
            assert socat.poll() is None
        supply = PanelSupply(SEED * 100 + 60)
        supply.start_serial(ends[1])
        whole("a serial line", supply, "modbus-rtu:%s?baud=115200&address=1" % ends[0], "joined")
        supply.stop()
        socat.terminate()
        socat.wait()


def slips():
    supply = PanelSupply(SEED * 100 + 70)
    whole("slips of the hand", supply, supply.start_tcp(), "8.2,60",
          slips=["what?", "set 99 1", "", "back", "", ""])
    supply.stop()


def no_load():
    supply = PanelSupply(SEED * 100 + 80)
    link = supply.start_tcp()
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "found.ini")
        status, findings, _, error = find(supply, link, path, "none")
        check("no load: current is not made up, and said", status == 65 and
              findings["current"]["state"] == "none" and "not both known" in error,
              (status, findings, error[-300:]))
        check("no load: no file", not os.path.exists(path))
        open(path, "w").write("mine\n")
        status, _, _, error = find(supply, link, path, "joined")
        check("a file that is there stays", status == 74 and open(path).read() == "mine\n",
              (status, error[-300:]))
    supply.stop()


def nobody():
    with tempfile.TemporaryDirectory() as folder:
        supply = PanelSupply(1)
        link = supply.start_tcp(unit=7).replace("address=7", "address=8")
        status, _, _, error = find(supply, link, os.path.join(folder, "x.ini"), "none")
        check("another unit: exit 69, said", status == 69 and "unit 8 does not answer" in error,
              (status, error))
        supply.stop()
    run = Run(["--find-registers", "--write", "x.ini", "tcp:127.0.0.1:1"])
    check("no Modbus link: refused", run.status == 64, run.error)


def main():
    for part in (over_tcp, framed, serial, slips, no_load, nobody):
        print(part.__name__)
        part()
    finish()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        for name in sys.argv[1:]:
            globals()[name]()
        finish()
    main()
