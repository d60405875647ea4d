#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""From a reading's last byte to the verdict's event, without the disk, and the
commit beside it. Four simulated supplies at 100 readings/s are switched on and
off by hand for a while; every power-up brings one verdict, at the end of a watch
of half a second.

Stated limits: 5 ms at the 99th percentile without the disk; 100 ms to the
screen, of which this measures the part up to a client of the event stream.
"""
import pathlib
import sys
import time

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "wire"))
from bench_process import Daemon, Supply, config_text, run, temporary_folder  # noqa: E402

SUPPLIES = 4
SECONDS = 40


def percentile(values, share):
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def line(name, values, limit_s=None):
    text = (f"{name:<46} {len(values):5} events  median {1e3 * percentile(values, .5):7.2f} ms"
            f"  99th {1e3 * percentile(values, .99):7.2f} ms")
    if limit_s:
        text += f"  = {percentile(values, .99) / limit_s:5.2f} of the limit {1e3 * limit_s:.0f} ms"
    print(text, flush=True)


def main():
    with temporary_folder() as name:
        folder = pathlib.Path(name)
        supplies = [Supply(folder, f"s{i}", "--module", "reefer-controller", "--unit", f"HL-{i}",
                           "--conversion-hz", "100", "--seed", str(i), "--cycle", "0.8:0.7")
                    for i in range(SUPPLIES)]
        daemon = Daemon(folder, config_text(folder, {
            f"s{i}": (supply.link, "profile = scpi\nrate_hz = 100")
            for i, supply in enumerate(supplies)}))
        reference = folder / "reference.json"
        run("build-reference", "--type", "reefer-controller", "--range", "0.01:5", "--watch", "0.5",
            "--out", reference).check_returncode()
        daemon.ask("POST", "references", reference.read_text())
        for i in range(SUPPLIES):
            daemon.ask("PUT", f"supplies/s{i}/on-bench",
                       {"module_type": "reefer-controller", "unit": f"HL-{i}",
                        "work_order": None, "stage": None})
        events = daemon.events()
        deadline = time.monotonic() + SECONDS
        without_disk, commits = [], []
        while time.monotonic() < deadline:
            try:
                told = events.wait("verdict", lambda data: data["kept"], 5)
            except AssertionError:
                break
            if told["told_after_s"] is None:
                continue
            without_disk.append(told["told_after_s"] - told["commit_s"])
            commits.append(told["commit_s"])
        status = daemon.get("supplies")["items"]
        events.close()
        daemon.stop()
        for supply in supplies:
            supply.stop()
    if not without_disk:
        print("no verdict was told: nothing was measured")
        return 1
    line("reading's last byte to verdict event, no disk", without_disk, 0.005)
    line("commit (waiting and fsync)", commits)
    line("reading's last byte to verdict event, kept",
         [a + b for a, b in zip(without_disk, commits)], 0.1)
    for item in status:
        print(f"{item['name']}: {item['rate_hz']:.1f} readings/s, jitter "
              f"{1e3 * item['jitter_s']:.2f} ms, longest gap {1e3 * item['longest_gap_s']:.1f} ms")
    return 0


sys.exit(main())
