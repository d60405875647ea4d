# SPDX-License-Identifier: GPL-3.0-or-later
"""A bench in a temporary directory for the wire tests: simulated supplies, the
daemon, its API and its live events. Standard library only."""
import http.client
import json
import os
import pathlib
import queue
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest

# How long anything may take to come about: no claim about speed, a loaded machine
# with a slow disk takes its time. What must be fast says so where it is checked.
PATIENCE_S = 90

ROOT = pathlib.Path(__file__).resolve().parents[2]
WAKEDRAW = os.path.abspath(os.environ.get("WAKEDRAW", ROOT / "build" / "wakedraw"))
# A program of another build directory finds none of them beside itself.
os.environ.setdefault("WAKEDRAW_MODULES", str(ROOT / "signatures" / "harbour-lane" / "modules"))
os.environ.setdefault("WAKEDRAW_WEB", str(ROOT / "web"))
os.environ.setdefault("WAKEDRAW_PROFILES", str(ROOT / "daemon" / "profiles"))


def run(*arguments, **options):
    """The command's finished process, with its output as text."""
    return subprocess.run([WAKEDRAW, *map(str, arguments)], capture_output=True, text=True,
                          timeout=options.pop("timeout", PATIENCE_S), **options)


class Process:
    """A started command whose first line on standard output says it is ready."""

    def __init__(self, *arguments, ready, log):
        self.log = open(log, "ab")
        self.process = subprocess.Popen([WAKEDRAW, *map(str, arguments)], stdin=subprocess.DEVNULL,
                                        stdout=subprocess.PIPE, stderr=self.log, text=True)
        self.first_line = ""
        deadline = time.monotonic() + PATIENCE_S
        while ready not in self.first_line:
            self.first_line = self.process.stdout.readline()
            if not self.first_line or time.monotonic() > deadline:
                self.process.kill()
                raise RuntimeError(f"not ready: {arguments}: " + open(log).read()[-2000:])

    def stop(self, how=signal.SIGTERM):
        if self.process.poll() is None:
            self.process.send_signal(how)
        status = self.process.wait(timeout=PATIENCE_S)
        self.process.stdout.close()
        self.log.close()
        return status


class Supply(Process):
    """A simulated supply with its front panel."""

    def __init__(self, folder, name, *options, link="tcp:127.0.0.1:0", profile="scpi"):
        self.panel = str(folder / f"{name}.panel")
        super().__init__("simulate", "--link", link, "--profile", profile, "--panel", self.panel,
                         *options, ready="ready", log=folder / f"{name}.log")
        self.link = self.first_line.split()[1]

    def say(self, *lines):
        """Does at the front panel what the lines say; the last answer."""
        with socket.socket(socket.AF_UNIX) as panel:
            panel.connect(self.panel)
            stream = panel.makefile("rw")
            answer = ""
            for line in lines:
                stream.write(line + "\n")
                stream.flush()
                answer = stream.readline().strip()
                if answer.startswith("error"):
                    raise RuntimeError(f"{line}: {answer}")
            return answer


class Events(threading.Thread):
    """The live stream, read in a thread: (name, data, monotonic time); of the page that
    calls itself so, where it does."""

    def __init__(self, port, page=None):
        super().__init__(daemon=True)
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
        path = "/api/v1/live" + (f"?page={page}" if page else "")
        self.connection.request("GET", path, headers={"Accept": "text/event-stream"})
        self.response = self.connection.getresponse()
        self.items = queue.Queue()
        self.seen = []
        self.start()

    def run(self):
        name, data = "", []
        try:
            while True:
                line = self.response.readline()
                if not line:
                    return
                line = line.decode().rstrip("\r\n")
                if line.startswith("event:"):
                    name = line[6:].strip()
                elif line.startswith("data:"):
                    data.append(line[5:].strip())
                elif not line and data:
                    self.items.put((name, json.loads("\n".join(data)), time.monotonic()))
                    name, data = "", []
        except (OSError, ValueError, http.client.HTTPException, AttributeError):
            return

    def wait(self, name, fits=lambda data: True, timeout=PATIENCE_S):
        """The next event of this name that fits; earlier ones are kept in seen."""
        deadline = time.monotonic() + timeout
        while True:
            left = deadline - time.monotonic()
            if left <= 0:
                raise AssertionError(f"no {name} event that fits within {timeout} s")
            try:
                item = self.items.get(timeout=left)
            except queue.Empty:
                continue
            self.seen.append(item)
            if item[0] == name and fits(item[1]):
                return item[1]

    def close(self):
        try:
            self.connection.sock.shutdown(socket.SHUT_RDWR)
        except (OSError, AttributeError):
            pass


class Daemon(Process):
    def __init__(self, folder, config, name="daemon"):
        path = folder / f"{name}.ini"
        path.write_text(config)
        super().__init__("serve", "--config", path, ready="listening", log=folder / f"{name}.log")
        self.port = int(self.first_line.strip().rstrip("/").rsplit(":", 1)[1])

    def ask(self, method, path, body=None, headers=None):
        """(status, parsed body) of one request."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        sent = dict(headers or {})
        if body is not None and not isinstance(body, (str, bytes)):
            body = json.dumps(body)
        if body is not None:
            sent.setdefault("Content-Type", "application/json")
        connection.request(method, "/api/v1/" + path, body=body, headers=sent)
        response = connection.getresponse()
        text = response.read().decode()
        connection.close()
        kind = response.getheader("Content-Type", "")
        return response.status, json.loads(text) if "json" in kind and text else text

    def get(self, path):
        status, body = self.ask("GET", path)
        if status != 200:
            raise AssertionError(f"GET {path}: {status} {body}")
        return body

    def supply(self, name):
        return next(item for item in self.get("supplies")["items"] if item["name"] == name)

    def wait_supply(self, name, fits, timeout=PATIENCE_S):
        deadline = time.monotonic() + timeout
        while time.monotonic() < deadline:
            item = self.supply(name)
            if fits(item):
                return item
            time.sleep(0.05)
        raise AssertionError(f"supply {name} did not come to fit: {item}")

    def wait_readings(self, *names, count=12, fits=lambda item: True):
        """Waits until so many readings more of each supply have gone through the
        chain, over 0.7 s at least, each look at it fitting; anything else starts anew."""
        deadline, since = time.monotonic() + PATIENCE_S, {}
        while time.monotonic() < deadline:
            now = time.monotonic()
            items = [item for item in self.get("supplies")["items"] if item["name"] in names]
            for item in items:
                if item["state"] != "reading" or item["age_s"] is None or not fits(item):
                    since.pop(item["name"], None)
                since.setdefault(item["name"], (now, item["readings"]))
            if all(now >= since[item["name"]][0] + 0.7 and
                   item["readings"] >= since[item["name"]][1] + count for item in items):
                return
            time.sleep(0.05)
        raise AssertionError(f"no readings that fit: {items}")

    def wait_newest(self, fits):
        """The newest power-up kept, once it fits."""
        deadline, items = time.monotonic() + PATIENCE_S, []
        while time.monotonic() < deadline:
            items = self.get("power-ups")["items"]
            if items and fits(items[0]):
                return items[0]
            time.sleep(0.05)
        raise AssertionError(f"no power-up came to fit: {items[:1]}")

    def events(self, page=None):
        return Events(self.port, page)


def is_off(item):
    """Fits a supply whose output has been read as off."""
    return item["voltage_V"] is not None and item["voltage_V"] < 0.4


def config_text(folder, supplies, listen="127.0.0.1:0", extra=""):
    """A configuration; supplies is {name: (link, further lines)}."""
    text = f"[bench]\nname = test bench\ndata = {folder}/data\nlisten = {listen}\n{extra}"
    for name, (link, more) in supplies.items():
        text += f"\n[supply {name}]\nlink = {link}\n{more}\n"
    return text


def temporary_folder():
    return tempfile.TemporaryDirectory(prefix="wakedraw-test-")


def main():
    """Runs the file's unittest cases, or those named behind it, and closes with the
    line the runner counts."""
    module, loader = sys.modules["__main__"], unittest.defaultTestLoader
    tests = (loader.loadTestsFromNames(sys.argv[1:], module) if sys.argv[1:]
             else loader.loadTestsFromModule(module))
    result = unittest.TextTestRunner(stream=sys.stdout, verbosity=2).run(tests)
    failed = len(result.failures) + len(result.errors)
    skipped = len(result.skipped)
    print(f"{result.testsRun - failed - skipped} passed, {failed} failed, {skipped} skipped")
    sys.exit(1 if failed else 0)
