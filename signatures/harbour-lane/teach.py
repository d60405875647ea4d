#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""Makes the Harbour Lane demo's references by the real path: simulated supplies
on real ports, the daemon catching what wakes, its export, build-reference.

usage: teach.py BUILD [OUT]  (OUT: this folder's references/)
Four known-good units of each module type, four power-ups each; a few minutes.
"""
import json
import os
import pathlib
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request

HERE = pathlib.Path(__file__).resolve().parent
UNITS, POWER_UPS = 4, 4
# Module type: the profile that reads it, conversions a second, watch in seconds.
TYPES = {
    "reefer-controller": ("scpi", 50, 8),
    "bilge-pump-controller": ("scpi", 20, 8),
    "hatch-actuator-controller": ("modbus-input-f32", 25, 8),
    "crane-joystick-node": ("modbus-input-f32", 50, 6),
    "genset-governor": ("scpi", 20, 8),
    "ice-machine-controller": ("modbus-input-f32", 25, 12),
    "winch-brake-controller": ("scpi", 50, 8),
}


def started(command, word, log):
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
    line = process.stdout.readline()
    if word not in line:
        process.kill()
        sys.exit(f"did not start: {' '.join(map(str, command))}")
    return process, line.split()


def say(panel, line):
    with socket.socket(socket.AF_UNIX) as connection:
        connection.connect(str(panel))
        stream = connection.makefile("rw")
        stream.write(line + "\n")
        stream.flush()
        answer = stream.readline()
    if answer.startswith("error"):
        sys.exit(f"{panel.name}: {line}: {answer}")


def put_on(port, supply, unit):
    body = json.dumps({"module_type": supply, "unit": unit, "work_order": None,
                       "stage": None}).encode()
    request = urllib.request.Request(
        f"http://127.0.0.1:{port}/api/v1/supplies/{supply}/on-bench", body,
        {"Content-Type": "application/json"}, method="PUT")
    urllib.request.urlopen(request, timeout=20).read()


def catch(wakedraw, folder):
    """Every unit of every type, powered again and again; a directory a unit."""
    log = open(folder / "log", "w")
    config = f"[bench]\nname = teaching\ndata = {folder}/data\nlisten = 127.0.0.1:0\n"
    processes = []
    for i, (name, (profile, conversion_hz, _)) in enumerate(TYPES.items()):
        kind = "modbus-tcp" if profile.startswith("modbus") else "tcp"
        process, words = started(
            [wakedraw, "simulate", "--link", f"{kind}:127.0.0.1:0", "--profile", profile,
             "--module", name, "--conversion-hz", str(conversion_hz), "--seed", str(100 + i),
             "--panel", folder / f"{name}.panel"], "ready", log)
        processes.append(process)
        config += f"\n[supply {name}]\nlink = {words[1]}\nprofile = {profile}\n"
    (folder / "config.ini").write_text(config)
    daemon, words = started([wakedraw, "serve", "--config", folder / "config.ini"], "listening",
                            log)
    port = int(words[-1].rstrip("/").rsplit(":", 1)[1])
    time.sleep(2)
    longest_s = max(watch_s for _, _, watch_s in TYPES.values())
    for unit in range(UNITS):
        for name in TYPES:
            say(folder / f"{name}.panel", f"unit HL-{9100 + unit}")
            put_on(port, name, f"HL-{9100 + unit}")
        for power_up in range(POWER_UPS):
            print(f"unit {unit + 1} of {UNITS}, power-up {power_up + 1} of {POWER_UPS}", flush=True)
            for name in TYPES:
                say(folder / f"{name}.panel", "output on")
            time.sleep(longest_s + 1.5)
            for name in TYPES:
                say(folder / f"{name}.panel", "output off")
            time.sleep(2.5)
    daemon.send_signal(signal.SIGTERM)
    daemon.wait(20)
    for process in processes:
        process.terminate()
        process.wait(20)


def build(wakedraw, folder, out):
    subprocess.run([wakedraw, "export", "--data", folder / "data", "--out", folder / "exported"],
                   check=True)
    for facts in sorted((folder / "exported").glob("power-up-*.json")):
        told = json.loads(facts.read_text())
        unit = folder / "units" / told["module_type"] / told["unit"]
        unit.mkdir(parents=True, exist_ok=True)
        shutil.copy(facts.with_suffix(".csv"), unit)
    out.mkdir(exist_ok=True)
    for name, (profile, _, watch_s) in TYPES.items():
        units = sorted((folder / "units" / name).iterdir())
        print(f"{name}:", flush=True)
        subprocess.run([wakedraw, "build-reference", "--type", name, "--profile", profile,
                        "--watch", str(watch_s), "--out", out / f"{name}.json", *units],
                       check=True)


def main():
    wakedraw = pathlib.Path(sys.argv[1]).resolve() / "wakedraw"
    out = pathlib.Path(sys.argv[2]) if len(sys.argv) > 2 else HERE / "references"
    kept = os.environ.get("WAKEDRAW_TEACH_FOLDER")
    with tempfile.TemporaryDirectory(prefix="wakedraw-teach-") as name:
        folder = pathlib.Path(kept or name)
        if not (folder / "data").exists():
            catch(wakedraw, folder)
        build(wakedraw, folder, out)


main()
