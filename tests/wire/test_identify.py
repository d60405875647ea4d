#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""`wakedraw identify LINK`: rates and addresses walked over lines that give noise or
nothing at another rate, dialects told apart by questions alone."""

import json
import os
import subprocess
import sys

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "peers"))

from checks import PROGRAM, Run, check, finish
from rated_line import RatedLine, scpi_speaker, terse_speaker, unit_speaker
from scpi_instrument import Instrument, Traps


def forbidden(messages):
    """The first part of a message that does more than ask; *CLS is none either."""
    for message in messages:
        for part in message.decode("latin-1").split(";"):
            word = part.strip().split(" ")[0]
            if word and not word.endswith("?"):
                return message
    return None


def found(run):
    return [json.loads(line) for line in run.text.splitlines() if line.startswith("{")]


def walk(name, instrument, baud, speaker, profile, noise, keys="", look=None):
    line = RatedLine(baud, speaker, noise)
    run = Run(["--json", "--wait", "0.15", "serial:%s%s" % (line.path, keys)])
    line.stop()
    told = found(run)
    check(name + ": found, once", run.status == 0 and len(told) == 1, (run.text, run.error[-300:]))
    if not told:
        return None
    check("%s: at %d baud, by %s" % (name, baud, profile),
          (told[0]["baud"], told[0]["profile"]) == (baud, profile), told[0])
    check(name + ": the link's text says the rate",
          told[0]["link"] == "serial:%s?baud=%d&parity=none&stop=1" % (line.path, baud), told[0])
    check(name + ": nothing but questions", instrument.received and line.heard and
          forbidden(line.heard) is None, forbidden(line.heard))
    if look:
        look(line, run, told[0])
    return line


def rates():
    for baud, noise in ((9600, True), (115200, False), (19200, True), (4800, False), (300, True)):
        instrument = Instrument(Traps())
        walk("scpi, %s elsewhere" % ("noise" if noise else "silence"), instrument, baud,
             scpi_speaker(instrument), "scpi", noise)


def order():
    instrument = Instrument(Traps())
    line = walk("likeliest first", instrument, 2400, scpi_speaker(instrument), "scpi", True)
    want = [9600, 115200, 19200, 38400, 57600, 4800, 2400]
    check("likeliest first: 9600, 115200, 19200 ...", line and line.rates == want,
          line and line.rates)
    instrument = Instrument(Traps())
    line = walk("a given rate is kept", instrument, 38400, scpi_speaker(instrument), "scpi", True,
                "?baud=38400")
    check("a given rate is kept: no other is tried", line and line.rates == [38400],
          line and line.rates)


def endings():
    instrument = Instrument(Traps())
    walk("only after CR LF", instrument, 9600, scpi_speaker(instrument, b"\r\n", b"\r\n"), "scpi",
         True, look=lambda line, run, told: check(
             "only after CR LF: said so", "terminator = CRLF" in told["note"], told))
    instrument = Instrument(Traps(), outputs=2, dialect="terse")
    walk("terse, no line ends", instrument, 19200, terse_speaker(instrument), "terse", True)
    instrument = Instrument(Traps(), outputs=2, dialect="terse")
    instrument.identity = ""
    plain = instrument.execute_terse
    instrument.execute_terse = lambda m: [] if m.strip() == "*IDN?" else plain(m)
    walk("terse, knows no *IDN?", instrument, 9600, terse_speaker(instrument), "terse", False)


def dialects():
    for dialect, outputs, profile in (("plain", 1, "scpi"), ("nselect", 3, "scpi-nselect"),
                                      ("list", 1, "scpi-channel-list"), ("list", 2, "scpi-channel-list"),
                                      ("list", 4, "scpi-channel-list")):
        name = "%s, %d outputs" % (dialect, outputs)
        instrument = Instrument(Traps(), dialect=dialect, outputs=outputs)
        if dialect == "nselect":
            instrument.selected = 2
        run = Run(["--json", instrument.start_tcp()])
        instrument.stop()
        told = (found(run) or [{}])[0]
        check(name + ": by " + profile, told.get("profile") == profile, (run.text, run.error))
        if dialect == "list":
            check(name + ": counted", told.get("outputs") == outputs, told)
        check(name + ": nothing but questions", forbidden(instrument.received) is None,
              forbidden(instrument.received))
        check(name + ": the selection stands", dialect != "nselect" or instrument.selected == 2)


def behind_a_socket():
    """A terse supply on a serial server: no message ends but by a pause. And one output that
    takes channel lists but needs none."""
    for name in ("terse", "scpi"):
        supply = subprocess.Popen([PROGRAM, "simulate", "--link", "tcp:127.0.0.1:0", "--profile",
                                   name], stdout=subprocess.PIPE, text=True)
        run = Run(["--json", supply.stdout.readline().split()[1]])
        supply.kill()
        supply.communicate()
        told = (found(run) or [{}])[0]
        check("%s behind a socket: by %s" % (name, name), told.get("profile") == name,
              (run.text, run.error))


def arrays():
    instrument = Instrument(Traps())
    plain = instrument.output_unit
    block = b"".join(__import__("struct").pack(">f", 0.25) for _ in range(64))

    def unit(key, query, parameters):
        return plain(key, query, parameters)

    instrument.output_unit = unit
    answer = instrument.execute
    instrument.execute = lambda m: (["#3256" + block.decode("latin-1")]
                                    if m == "MEAS:ARR:CURR?" else answer(m))
    instrument.reply_bytes = lambda replies: (";".join(replies).encode("latin-1") + b"\n"
                                              if replies else b"")
    run = Run(["--json", instrument.start_tcp()])
    instrument.stop()
    told = (found(run) or [{}])[0]
    check("an array offered: said so", told.get("arrays") is True, (run.text, run.error))
    check("an array offered: the profile all the same", told.get("profile") == "scpi", told)


def lines():
    instrument = Instrument(Traps(), dialect="list", outputs=2)
    link = instrument.start_tcp()
    run = Run([link])
    instrument.stop()
    want = ["[supply supply-1]", "link = " + link, "profile = scpi-channel-list", "output = 1",
            "[supply supply-2]", "output = 2"]
    at = [run.text.find(text) for text in want]
    check("lines for the configuration, an output each", -1 not in at and at == sorted(at),
          run.text)


def units():
    registers = {(3, i): 0 for i in range(8)}
    for name, baud, address, noise in (("unit 1", 9600, 1, True), ("unit 1", 115200, 1, False),
                                       ("unit 1", 19200, 1, True), ("unit 5", 38400, 5, True),
                                       ("unit 16", 4800, 16, False)):
        frames = []
        line = RatedLine(baud, unit_speaker({address: registers}, frames), noise)
        run = Run(["--json", "--wait", "0.05", "modbus-rtu:%s" % line.path])
        line.stop()
        told = found(run)
        check("modbus %s at %d: found" % (name, baud), run.status == 0 and len(told) == 1 and
              (told[0]["baud"], told[0]["address"]) == (baud, address),
              (run.text, run.error[-300:]))
        check("modbus %s at %d: functions 3 and 4 alone" % (name, baud),
              frames and all(frame[1] in (3, 4) for frame in frames))
    frames = []
    line = RatedLine(9600, unit_speaker({200: registers}, frames))
    run = Run(["--json", "--wait", "0.03", "modbus-rtu:%s?baud=9600&parity=none&stop=1" % line.path])
    check("modbus unit 200, rate given: found",
          [item["address"] for item in found(run)] == [200] and line.rates == [9600], run.text)
    run = Run(["--wait", "0.03", "modbus-rtu:%s?baud=9600&address=7" % line.path])
    line.stop()
    check("an address given is kept: nothing else is asked", run.status == 69 and
          {frame[0] for frame in frames[-3:]} == {7}, (run.status, frames[-3:]))


def bus():
    frames = []
    speak = unit_speaker({3: {(3, 0): 1, (3, 1): 2}, 9: {(4, 0): 1}, 40: {}}, frames)
    line = RatedLine(9600, speak)
    link = "modbus-rtu:%s?baud=9600&parity=none&stop=1" % line.path
    one = Run(["--json", "--wait", "0.03", link])
    every = Run(["--json", "--all", "--wait", "0.03", link])
    line.stop()
    check("the first that answers ends the walk", [i["address"] for i in found(one)] == [3],
          one.text)
    check("--all: every unit on the bus", [i["address"] for i in found(every)] == [3, 9, 40],
          every.text)
    check("an exception is an answer", found(every)[-1]["answer"].startswith(
        "unit 40 makes an exception"), every.text)


def nobody():
    for kind, noise in (("serial", True), ("serial", False)):
        line = RatedLine(1200, lambda data: b"", noise)
        run = Run(["--wait", "0.05", "%s:%s" % (kind, line.path)])
        met = line.rates
        line.stop()
        check("nobody, %s: exit 69, every rate tried" % ("noise" if noise else "silence"),
              run.status == 69 and set(met) >= {9600, 115200, 921600, 300}, (run.status, met))
    run = Run(["--wait", "0.05", "serial:%s" % os.path.join(os.sep, "dev", "no-such-port")])
    check("no such port: exit 69", run.status == 69, run.error)
    check("opening toggles lines: said before", "toggles its lines" in run.error, run.error)


def main():
    for part in (rates, order, endings, dialects, behind_a_socket, arrays, lines, units, bus, nobody):
        print(part.__name__)
        part()
    finish()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        for name in sys.argv[1:]:
            globals()[name]()
        finish()
    main()
