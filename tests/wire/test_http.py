#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The daemon's HTTP side against clients that err or mean harm.

Runs build/wakedraw serve on a free port of 127.0.0.1 (another program by
WAKEDRAW). Sources beside the checks: RFC 9110 (HTTP semantics), RFC 9112
(HTTP/1.1), RFC 9457 (problem documents), OpenMetrics 1.0. What measures speed
counts as skipped where it fails on a machine that has other work: a thread that
waits for a processor is not slow.
"""
import datetime
import gzip
import http.client
import json
import os
import re
import shutil
import signal
import socket
import ssl
import subprocess
import sys
import tempfile
import threading
import time

import bench_process

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path.insert(0, os.path.join(HERE, "peers"))
from checks import busy  # noqa: E402

PATIENCE_S = bench_process.PATIENCE_S
TOP = os.path.dirname(os.path.dirname(HERE))
PROGRAM = os.environ.get("WAKEDRAW", os.path.join(TOP, os.environ.get("BUILD", "build"), "wakedraw"))
WEB = os.path.join(TOP, "web")
os.environ.setdefault("WAKEDRAW_PROFILES", os.path.join(TOP, "daemon", "profiles"))
CODE = "harbour-lane-7"
JSON = {"Content-Type": "application/json"}
passed = failed = skipped = 0


def check(name, holds, detail=""):
    global passed, failed
    if holds:
        passed += 1
    else:
        failed += 1
    print(f"{'ok' if holds else 'FAILED'}: {name}{'' if holds else f' ({detail})'}", flush=True)


def check_speed(name, holds, detail=""):
    global skipped
    if not holds and busy():
        skipped += 1
        print(f"SKIPPED: {name} ({detail}): the machine has other work", flush=True)
        return
    check(name, holds, detail)


def answer_is_whole(got):
    head, end, body = got.partition(b"\r\n\r\n")
    length = re.search(rb"(?i)^content-length: *(\d+)", head, re.M)
    return bool(end and length and len(body) >= int(length.group(1)))


class Daemon:
    """wakedraw serve with a configuration of its own; gone with the block."""

    def __init__(self, more="", link=None, control="off"):
        self.directory = tempfile.TemporaryDirectory()
        self.config = os.path.join(self.directory.name, "bench.ini")
        with open(os.path.join(self.directory.name, "code"), "w", encoding="utf-8") as code:
            code.write(CODE + "\n")
        text = f"[bench]\nname = Harbour Lane\ndata = {self.directory.name}/data\n"
        text += "listen = 127.0.0.1:0\n" if "listen" not in more else ""
        text += more.format(directory=self.directory.name)
        link = link or "tcp:127.0.0.1:1"  # nothing listens there
        text += f"\n[supply left]\nlink = {link}\nprofile = scpi\ncontrol = {control}\n"
        with open(self.config, "w", encoding="utf-8") as config:
            config.write(text)

    def __enter__(self):
        self.process = subprocess.Popen([PROGRAM, "serve", "--web", WEB, "--config", self.config],
                                        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        line = self.process.stdout.readline()
        found = re.search(r":(\d+)/", line)
        if not found:
            raise RuntimeError(f"no address told: {line!r} {self.process.stderr.read()}")
        self.port = int(found.group(1))
        self.errors = []
        threading.Thread(target=lambda: self.errors.extend(self.process.stderr), daemon=True).start()
        return self

    def __exit__(self, *_):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        self.directory.cleanup()

    def ask(self, method, path, body=None, headers=None):
        """(status, header fields, body) of one request on its own connection."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        try:
            if isinstance(body, dict):
                body = json.dumps(body)
            connection.request(method, path, body, headers or {})
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read()
        finally:
            connection.close()

    def raw(self, data, timeout=60.0):
        """What comes back for bytes sent as they are."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=timeout) as wire:
            try:
                wire.sendall(data)
                got = b""
                while not answer_is_whole(got) and (piece := wire.recv(65536)):
                    got += piece
            except (ConnectionError, socket.timeout):
                pass
            return got

    def cpu_s(self):
        with open(f"/proc/{self.process.pid}/stat", encoding="ascii") as stat:
            fields = stat.read().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def problem_is_right(answer, status):
    """RFC 9457: media type, title, status, detail."""
    got, headers, body = answer
    if got != status or headers.get_content_type() != "application/problem+json":
        return False
    problem = json.loads(body)
    return problem["status"] == status and problem["title"] and problem["detail"]


def check_problem(name, answer, status, field=None):
    holds = problem_is_right(answer, status)
    if holds and field:
        holds = json.loads(answer[2]).get("field") == field
    check(name, holds, answer)


# --- the document ---------------------------------------------------------

class Document:
    def __init__(self, document):
        self.document = document

    def resolve(self, node):
        while "$ref" in node:
            where = self.document
            for part in node["$ref"].lstrip("#/").split("/"):
                where = where[part]
            node = where
        return node

    TYPES = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None)}

    def faults(self, schema, value, where="$"):
        """What of the value is not as the schema (the part of it used) says."""
        schema = self.resolve(schema)
        found = []
        for part in schema.get("allOf", []):
            found += self.faults(part, value, where)
        if "oneOf" in schema:
            fits = [self.faults(part, value, where) for part in schema["oneOf"]]
            if sum(not fault for fault in fits) != 1:
                found.append(f"{where}: fits {sum(not f for f in fits)} of oneOf: {fits}")
        types = schema.get("type")
        types = [types] if isinstance(types, str) else types
        if types and not any(self.is_a(value, kind) for kind in types):
            return found + [f"{where}: {value!r} is no {types}"]
        if "enum" in schema and value not in schema["enum"]:
            found.append(f"{where}: {value!r} is not in {schema['enum']}")
        if "pattern" in schema and isinstance(value, str) and not re.search(schema["pattern"], value):
            found.append(f"{where}: {value!r} is not {schema['pattern']}")
        if schema.get("format") == "date-time" and isinstance(value, str) and not re.fullmatch(
                r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", value):
            found.append(f"{where}: {value!r} is no time")
        if isinstance(value, dict):
            for key in schema.get("required", []):
                if key not in value:
                    found.append(f"{where}: {key} is missing")
            for key, part in schema.get("properties", {}).items():
                if key in value:
                    found += self.faults(part, value[key], f"{where}.{key}")
        if isinstance(value, list):
            for index, item in enumerate(value):
                found += self.faults(schema.get("items", {}), item, f"{where}[{index}]")
        return found

    def is_a(self, value, kind):
        if kind == "integer":
            return isinstance(value, int) and not isinstance(value, bool)
        if kind == "number":
            return isinstance(value, (int, float)) and not isinstance(value, bool)
        return isinstance(value, self.TYPES[kind])

    def check(self, answer, method, path):
        """The answer's status, media type and content are among those told."""
        status, headers, body = answer
        operation = self.document["paths"][path][method.lower()]
        told = operation["responses"].get(str(status))
        if not told:
            return [f"status {status} is not told"]
        content = self.resolve(told).get("content", {})
        media_type = headers.get_content_type()
        if media_type not in content:
            return [f"{media_type} is not told"]
        if not media_type.endswith("json"):
            return []
        return self.faults(content[media_type]["schema"], json.loads(body))


def check_document(daemon):
    status, headers, body = daemon.ask("GET", "/api/v1/openapi.json")
    check("the document is there", status == 200 and headers.get_content_type() == "application/json",
          status)
    document = Document(json.loads(body))
    check("it is OpenAPI 3", document.document["openapi"].startswith("3."))
    check("the checker can fail", document.faults({"type": "object", "required": ["x"]}, {}) != []
          and document.faults({"type": ["string", "null"]}, 7) != [])
    paths = document.document["paths"]
    with open(os.path.join(TOP, "daemon", "http", "route.c"), encoding="utf-8") as source:
        rows = set(re.findall(r'\{METHOD_(\w+), \w+,\s*"([^"]+)"', source.read()))
    told = {(method.upper(), re.sub(r"\{\w+\}", "{}", path))
            for path, methods in paths.items() for method in methods}
    check("the document and the route table hold the same", rows == told and len(rows) > 20,
          rows ^ told)
    everything = json.dumps(paths) + json.dumps(document.document["components"])
    for reference in sorted(set(re.findall(r'"#(/[^"]+)"', everything))):
        try:
            document.resolve({"$ref": "#" + reference})
        except KeyError:
            check(f"{reference} is in the document", False)
    made = {}
    posts = {
        "/api/v1/module-types": {"name": "tank gauge", "nominal_voltage_V": 12.0, "watch_s": 20,
                                 "cautions": ["do not feed above 16 V"]},
        "/api/v1/units": {"serial": "TG-0042", "module_type": "tank gauge"},
        "/api/v1/work-orders": {"unit": "TG-0042", "complaint": "dead after rain"},
        "/api/v1/references": {"not": "a reference"},
    }
    for path, body in posts.items():
        answer = daemon.ask("POST", path, body, JSON)
        faults = document.check(answer, "POST", path)
        check(f"POST {path} answers as told", not faults, (faults, answer))
        if answer[0] == 201:
            made[path] = json.loads(answer[2])["id"]
            check(f"POST {path} tells where", answer[1].get("Location") == f"{path}/{made[path]}"
                  or path.endswith("module-types"), answer[1].get("Location"))
    check("three of them were made", len(made) == 3, made)
    put = "/api/v1/supplies/{name}/on-bench"
    answer = daemon.ask("PUT", put.format(name="left"),
                        {"module_type": "tank gauge", "unit": "TG-0042", "work_order": None,
                         "stage": "intake"}, JSON)
    faults = document.check(answer, "PUT", put)
    check("PUT on-bench answers as told", answer[0] == 200 and not faults, (faults, answer))
    answer = daemon.ask("PUT", put.format(name="n%20one"), {}, JSON)
    check("PUT on-bench of no supply is 404 as told", answer[0] == 404
          and not document.check(answer, "PUT", put), answer)
    put = "/api/v1/supplies/{name}/output"
    for name, status in (("left", 409), ("right", 404)):
        answer = daemon.ask("PUT", put.format(name=name), {"on": False}, JSON)
        check(f"PUT output of {name} is {status} as told", answer[0] == status
              and not document.check(answer, "PUT", put), answer)
    for path, methods in paths.items():
        if "get" not in methods or path.endswith("/live"):
            continue
        collection = path.split("/{")[0]
        answer = daemon.ask("GET", path.replace("{id}", made.get(collection, "1")))
        faults = document.check(answer, "GET", path)
        check(f"GET {path} answers as told", not faults, faults)
        if "{id}" in path:
            answer = daemon.ask("GET", path.replace("{id}", "999999"))
            check(f"GET {path} of none is 404 as told",
                  answer[0] == 404 and not document.check(answer, "GET", path), answer)
    for path in paths:
        plain = path.replace("{id}", "1").replace("{name}", "left")
        status, headers, _ = daemon.ask("DELETE", plain)
        told = {method.upper() for method in paths[path]}
        allowed = set(re.findall(r"[A-Z]+", headers.get("Allow", "")))
        check(f"DELETE {path} is 405, and Allow says what the document says",
              status == 405 and allowed - {"HEAD"} == told, (status, allowed))


# --- bad input ------------------------------------------------------------

def check_codings(daemon):
    """A page's text comes plain, or as gzip (RFC 1952) to whoever takes that alone."""
    for path in ("/", "/views/bench.js", "/style/paper.css"):
        plain = daemon.ask("GET", path)
        packed = daemon.ask("GET", path, headers={"Accept-Encoding": "gzip, deflate"})
        check(f"{path} comes as gzip, is shorter and the same",
              plain[0] == packed[0] == 200 and
              packed[1]["Content-Encoding"] == "gzip" and
              len(packed[2]) < 0.7 * len(plain[2]) and
              gzip.decompress(packed[2]) == plain[2])
        check(f"{path} says that it depends on what is taken",
              "Accept-Encoding" in packed[1].get("Vary", "") and
              packed[1]["ETag"] != plain[1]["ETag"])
        again = daemon.ask("GET", path, headers={"Accept-Encoding": "gzip",
                                                 "If-None-Match": packed[1]["ETag"]})
        check(f"{path} is not sent again", again[0] == 304 and not again[2])


def check_addresses(daemon):
    for path in ("/..", "/../etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "/..%2f..%2fetc%2fpasswd",
                 "/views/../../daemon/main.c", "//etc/passwd", "/package.json", "/.git/config",
                 "/node_modules/uplot/package.json", "/vendor/uplot/../package.json",
                 "/index.html/", "/api", "/api/v1", "/api/v2/health", "/api/v1/health/",
                 "/api/v1/supplies/left"):
        answer = daemon.ask("GET", path)
        check(f"{path} is 404", answer[0] == 404, answer[0])
    for path in ("/%", "/%zz", "/%00", "/index.html%00.js", "/%C0%AF", "/a%0d%0aSet-Cookie:x"):
        check_problem(f"{path} is 400", daemon.ask("GET", path), 400)
    check_problem("an address of 3000 bytes is 414", daemon.ask("GET", "/" + 3000 * "a"), 414)
    answer = daemon.raw(b"GET /" + 200000 * b"a" + b" HTTP/1.1\r\nHost: localhost\r\n\r\n")
    check("an address of 200 kB is refused or dropped",
          answer == b"" or re.match(rb"HTTP/1\.[01] 4\d\d", answer), answer[:60])
    for query, field in (("limit=0", "limit"), ("limit=501", "limit"), ("limit=-1", "limit"),
                         ("limit=1e2", "limit"), ("limit=", "limit"), ("before=abc", "before"),
                         ("before=0", "before"), ("before=99999999999999999999", "before"),
                         ("colour=red", "colour"), ("limit=1&limit=2", "limit"),
                         ("module_type=" + 200 * "x", "module_type")):
        check_problem(f"power-ups?{query[:40]} is 400 naming {field}",
                      daemon.ask("GET", f"/api/v1/power-ups?{query}"), 400, field)
    for name in ("abc", "-1", "1%2f2", "1.0", "0x1"):
        answer = daemon.ask("GET", f"/api/v1/power-ups/{name}")
        check(f"power-ups/{name} is 404", answer[0] == 404, answer[0])
    status, _, body = daemon.ask("HEAD", "/api/v1/health")
    check("HEAD is GET without the body (RFC 9110 9.3.2)", status == 200 and body == b"", status)


def check_bodies(daemon):
    units = "/api/v1/units"
    for body in ("", "{", "nothing", '{"serial":"a"', '{"serial":"a"}}', '{"serial":"a","serial":"b"}',
                 '{"serial":"\\ud800"}', "[" * 500 + "]" * 500):
        check_problem(f"{body[:24]!r} is 400", daemon.ask("POST", units, body, JSON), 400)
    check_problem("bytes that are not UTF-8 are 400",
                  daemon.ask("POST", units, b'{"serial":"\xff\xfe"}', JSON), 400)
    for body, field in (({}, "serial"), ({"serial": 7}, "serial"), ({"serial": None}, "serial"),
                        ({"serial": ""}, "serial"), ({"serial": 200 * "x"}, "serial"),
                        ({"serial": "a\nb"}, "serial"), ({"serial": "a", "colour": 1}, "colour"),
                        ({"serial": "a", "module_type": []}, "module_type")):
        check_problem(f"units {str(body)[:40]} is 422 naming {field}",
                      daemon.ask("POST", units, body, JSON), 422, field)
    for body in ("[]", "[1]"):
        check_problem(f"units {body} is 422", daemon.ask("POST", units, body, JSON), 422)
    for field, value in (("nominal_voltage_V", -12), ("nominal_voltage_V", "12"), ("watch_s", 0),
                         ("watch_s", 1e9), ("look_voltage_V", 0), ("look_limit_A", "low"),
                         ("limit_longest_s", 3601), ("feeds", "battery"), ("feeds", [1]),
                         ("cautions", 40 * ["x"]), ("current_limit_A", True)):
        check_problem(f"module-types {field} = {str(value)[:20]} is 422",
                      daemon.ask("POST", "/api/v1/module-types", {"name": "x", field: value}, JSON),
                      422, field)
    check_problem("a reference that is none is 422",
                  daemon.ask("POST", "/api/v1/references", {"module_type": "x"}, JSON), 422)
    check_problem("on-bench with an unknown key is 422 naming it",
                  daemon.ask("PUT", "/api/v1/supplies/left/on-bench", {"operator": "x"}, JSON), 422,
                  "operator")
    for media_type in (None, "text/plain", "application/x-www-form-urlencoded", "application/jsonx"):
        headers = {"Content-Type": media_type} if media_type else {}
        check_problem(f"a body of {media_type} is 415",
                      daemon.ask("POST", units, '{"serial":"a"}', headers), 415)
    status, _, _ = daemon.ask("POST", units, '{"serial":"a"}',
                              {"Content-Type": "Application/JSON; charset=utf-8"})
    check("a media type may have parameters and capitals", status == 201, status)
    head = f"POST {units} HTTP/1.1\r\nHost: localhost:{daemon.port}\r\n" \
           "Content-Type: application/json\r\n"
    answer = daemon.raw((head + "Content-Length: 1048577\r\n\r\n").encode() + b"x")
    check("a body announced as larger than 1 MiB is 413 at once", b" 413 " in answer[:20], answer[:60])
    answer = daemon.raw((head + "Content-Length: 99999999999999999999\r\n\r\n").encode() + b"x")
    check("a length past all bounds is refused",
          re.match(rb"HTTP/1\.[01] 4\d\d", answer), answer[:60])
    answer = daemon.raw((head + "Content-Length: 5\r\nContent-Length: 6\r\n\r\nabcdef").encode())
    check("two lengths do not crash it", daemon.ask("GET", "/api/v1/health")[0] == 200, answer[:60])
    large = b"80000\r\n" + b"x" * 0x80000 + b"\r\n"
    answer = daemon.raw((head + "Transfer-Encoding: chunked\r\n\r\n").encode() + 3 * large + b"0\r\n\r\n")
    check("chunks of 1.5 MB in all are 413", b" 413 " in answer[:20], answer[:60])
    answer = daemon.raw((head + "Transfer-Encoding: chunked\r\n\r\n").encode() + b"zz\r\nx\r\n")
    check("a chunk without a size is refused or dropped",
          answer == b"" or re.match(rb"HTTP/1\.[01] 4\d\d", answer), answer[:60])
    with socket.create_connection(("127.0.0.1", daemon.port), timeout=PATIENCE_S) as wire:
        wire.sendall((head + "Transfer-Encoding: chunked\r\n\r\n").encode())
        sent = 0
        try:
            while sent < 64:
                wire.sendall(large)
                sent += 1
        except ConnectionError:
            pass
        check("chunks without end are dropped", 1 < sent < 64, f"{sent} chunks of 512 KiB taken")


def check_senders(daemon):
    port = daemon.port
    for host in (f"harbour.example:{port}", "localhost", f"localhost:{port + 1}", "",
                 f"127.0.0.1.example:{port}"):
        check_problem(f"Host {host!r} is 421", daemon.ask("GET", "/api/v1/supplies", headers={"Host": host}),
                      421)
    for host in (f"localhost:{port}", f"LOCALHOST:{port}", f"[::1]:{port}"):
        check(f"Host {host} is answered",
              daemon.ask("GET", "/api/v1/supplies", headers={"Host": host})[0] == 200)
    answer = daemon.raw(b"GET /api/v1/supplies HTTP/1.1\r\nConnection: close\r\n\r\n")
    check("no Host is refused (RFC 9112 3.2)", re.match(rb"HTTP/1\.[01] 4\d\d", answer), answer[:60])
    for method, path in (("GET", "/api/v1/supplies"), ("GET", "/"), ("GET", "/api/v1/live"),
                         ("POST", "/api/v1/units"), ("OPTIONS", "/api/v1/units")):
        for origin in ("http://harbour.example", "null", f"https://127.0.0.1:{port}",
                       f"http://127.0.0.1:{port}.example"):
            check_problem(f"{method} {path} from {origin} is 403",
                          daemon.ask(method, path, headers={"Origin": origin, **JSON}), 403, "Origin")
    status, headers, _ = daemon.ask("GET", "/api/v1/supplies",
                                    headers={"Origin": f"http://127.0.0.1:{port}"})
    check("its own Origin is answered", status == 200, status)
    check("nothing is opened to other origins", "Access-Control-Allow-Origin" not in headers)
    check("the API is not to be stored", headers.get("Cache-Control") == "no-store")
    _, headers, _ = daemon.ask("GET", "/")
    check("the page has a content policy", "default-src 'self'" in headers.get("Content-Security-Policy", ""))
    check("types are not to be guessed", headers.get("X-Content-Type-Options") == "nosniff")


def check_hostile_clients(daemon):
    answer = daemon.raw(b"GET / HTTP/1.1\r\nHost: localhost\r\n" +
                        b"".join(b"X-%d: %s\r\n" % (i, 1000 * b"a") for i in range(300)) + b"\r\n")
    check("300 kB of header fields are refused or dropped",
          answer == b"" or re.match(rb"HTTP/1\.[01] 4\d\d", answer), answer[:60])
    for junk in (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200), b"\r\n\r\n", b"\x00" * 50,
                 b"GET\r\n\r\n", b"GET / HTTP/9.9\r\n\r\n", b"G" * 100000, b"GET / HTTP/1.1\r\n: x\r\n\r\n"):
        daemon.raw(junk, timeout=0.5)
    check("it stands junk", daemon.ask("GET", "/api/v1/health")[0] == 200)
    idle = [socket.create_connection(("127.0.0.1", daemon.port)) for _ in range(100)]
    began = time.monotonic()
    status, _, _ = daemon.ask("GET", "/api/v1/health")
    # They are given up after 20 s.
    check("100 idle connections do not keep the next from its answer",
          status == 200 and time.monotonic() - began < 15, time.monotonic() - began)
    slow = idle.pop()
    slow.sendall(f"GET /api/v1/health HTTP/1.1\r\nHost: localhost:{daemon.port}\r\n".encode())
    began = time.monotonic()
    gone = None
    slow.settimeout(1)
    while time.monotonic() - began < 80 and gone is None:
        try:
            slow.sendall(b"X")
            if slow.recv(1000) == b"":
                gone = time.monotonic() - began
        except socket.timeout:
            continue
        except ConnectionError:
            gone = time.monotonic() - began
    check("a request that drips in is given up after 20 s", gone and 15 < gone < 60, gone)
    for wire in idle + [slow]:
        wire.close()
    answers = []

    def many():
        for _ in range(20):
            answers.append(daemon.ask("GET", "/api/v1/power-ups?limit=500")[0])

    threads = [threading.Thread(target=many) for _ in range(20)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    check("400 requests by 20 clients at once are all answered",
          len(answers) == 400 and set(answers) <= {200, 503} and answers.count(200) > 300,
          {status: answers.count(status) for status in set(answers)})


# --- metrics, streams, code -----------------------------------------------

def check_metrics(daemon):
    status, headers, body = daemon.ask("GET", "/metrics")
    text = body.decode()
    check("metrics have the media type of OpenMetrics 1.0",
          status == 200 and headers["Content-Type"] ==
          "application/openmetrics-text; version=1.0.0; charset=utf-8", headers["Content-Type"])
    check("they end with # EOF", text.endswith("\n# EOF\n"))
    families, order, faults = {}, [], []
    for line in text.splitlines()[:-1]:
        if line.startswith("# "):
            kind, name, rest = line[2:].split(" ", 2)
            if kind == "TYPE":
                if name in families:
                    faults.append(f"{name} comes twice")
                families[name] = rest
                order.append(name)
            elif name != order[-1]:
                faults.append(line)
            elif kind == "UNIT" and not name.endswith("_" + rest):
                faults.append(line)
            continue
        sample = re.fullmatch(r'([a-z_]+)(\{([a-z_]+="(\\.|[^"\\])*",?)+\})? (NaN|[-+]?[0-9.e+-]+)', line)
        if not sample:
            faults.append(line)
            continue
        suffixes = {"counter": ("_total",), "gauge": ("",), "stateset": ("",), "info": ("_info",),
                    "histogram": ("_bucket", "_count", "_sum")}[families[order[-1]]]
        if sample.group(1) not in [order[-1] + suffix for suffix in suffixes]:
            faults.append(f"{line} under {order[-1]}")
    check("every line of them is as OpenMetrics 1.0 says", not faults, faults)
    for name in ("readings", "gaps", "timeouts", "garbled", "dropped", "power_ups", "verdicts",
                 "commit_seconds", "event_write_seconds", "stream_queue_bytes"):
        check(f"they have wakedraw_{name}", f"wakedraw_{name}" in families)
    buckets = [int(n) for n in re.findall(r"event_write_seconds_bucket\{.*\} (\d+)", text)]
    check("a histogram's buckets add up", buckets == sorted(buckets) and len(buckets) == 12, buckets)


def open_stream(daemon, headers=None):
    connection = http.client.HTTPConnection("127.0.0.1", daemon.port, timeout=PATIENCE_S)
    connection.request("GET", "/api/v1/live", headers=headers or {})
    return connection, connection.getresponse()


def read_event(answer):
    event = {}
    while True:
        line = answer.readline().decode()
        if line in ("\n", "") and (event or line == ""):
            return event
        if ":" in line:
            key, value = line.rstrip("\n").split(": ", 1)
            event[key] = value


def check_streams(daemon):
    connection, answer = open_stream(daemon)
    check("live is an event stream", answer.status == 200
          and answer.headers.get_content_type() == "text/event-stream", answer.status)
    check("it says how soon to come again", read_event(answer).get("retry") == "1000")
    first = read_event(answer)
    check("the supplies come first", first.get("event") == "supply"
          and json.loads(first["data"])["name"] == "left", first)
    beats = []
    while len(beats) < 2:
        event = read_event(answer)
        if not event:
            break
        if event.get("event") == "heartbeat":
            beats.append(datetime.datetime.fromisoformat(json.loads(event["data"])["at"][:-1]))
    # By its own clock: a page gives up a stream that is silent for 10 s.
    check("heartbeats come, less than 9 s apart",
          len(beats) == 2 and 1 < (beats[1] - beats[0]).total_seconds() < 9, beats)
    connection.close()


def check_end(daemon):
    streams = [open_stream(daemon) for _ in range(30)]
    half = socket.create_connection(("127.0.0.1", daemon.port))
    half.sendall(b"POST /api/v1/units HTTP/1.1\r\nHost: lo")
    began = time.monotonic()
    daemon.process.send_signal(signal.SIGTERM)
    try:
        status = daemon.process.wait(PATIENCE_S)
    except subprocess.TimeoutExpired:
        status = None
    took = time.monotonic() - began
    check("with 30 streams open it ends, status 0", status == 0,
          f"status {status} after {took:.2f} s; {''.join(daemon.errors)}")
    check_speed("within 2 s", took < 2,
          f"status {status} after {took:.2f} s; {''.join(daemon.errors)}")
    for connection, _ in streams:
        connection.close()
    half.close()


def check_code():
    with Daemon("access_code_file = {directory}/code\n") as daemon:
        units = "/api/v1/units"
        right = {**JSON, "Authorization": f"Bearer {CODE}"}
        answer = daemon.ask("POST", units, {"serial": "a"}, JSON)
        check_problem("a change without the code is 401", answer, 401)
        check("WWW-Authenticate tells the scheme (RFC 9110 11.6.1)",
              answer[1].get("WWW-Authenticate", "").startswith("Bearer"))
        check("reading needs no code", daemon.ask("GET", units)[0] == 200)
        check("a change with the code is made",
              daemon.ask("POST", units, {"serial": "a"}, right)[0] == 201)
        # Each wrong code from the fifth on doubles the wait, from 1 s to 32 s: a
        # machine that takes longer than that between two of them waits no less.
        statuses, waits_since_s = [], 0
        wrong = {**JSON, "Authorization": "Bearer wrong-code-1"}
        deadline = time.monotonic() + PATIENCE_S
        while statuses[-2:] != [429, 429] and time.monotonic() < deadline:
            asked_s = time.monotonic()
            answer = daemon.ask("POST", units, {"serial": "b"}, wrong)
            statuses.append(answer[0])
            waits_since_s = asked_s if answer[0] == 401 else waits_since_s
        check("after five wrong codes the sender waits",
              statuses[:5] == 5 * [401] and statuses[-2:] == [429, 429]
              and int(answer[1].get("Retry-After", "0")) >= 1, statuses)
        check_speed("after five, not after more", statuses == 5 * [401] + [429, 429], statuses)
        status = daemon.ask("POST", units, {"serial": "b"}, right)[0]
        if time.monotonic() - waits_since_s < 0.9:
            check("even with the right one", status == 429, status)
        while status == 429 and time.monotonic() < deadline:
            time.sleep(0.2)
            status = daemon.ask("POST", units, {"serial": "b"}, right)[0]
        check("and is let in after the wait", status == 201, status)


def read_until(answer, fits, events, timeout=PATIENCE_S):
    """Reads events on into the list until one fits; that one, or None."""
    deadline = time.monotonic() + timeout
    while time.monotonic() < deadline:
        event = read_event(answer)
        if not event:
            return None
        if "data" in event:
            events.append((event["event"], json.loads(event["data"]), event.get("id")))
            if fits(*events[-1][:2]):
                return events[-1][1]
    return None


def check_bench():
    """With a simulated supply: what is sent is as the document says."""
    shapes = {"reading": "ReadingEvent", "power-up": "PowerUpEvent", "verdict": "VerdictEvent",
              "supply": "Supply", "heartbeat": "HeartbeatEvent"}
    module = "reefer-controller"
    with bench_process.temporary_folder() as name:
        folder = bench_process.pathlib.Path(name)
        supply = bench_process.Supply(folder, "left", "--seed", "7", "--module", os.path.join(
            TOP, "signatures", "harbour-lane", "modules", module + ".ini"))
        with Daemon(link=supply.link, control="on") as daemon:
            document = Document(json.loads(daemon.ask("GET", "/api/v1/openapi.json")[2]))
            made = bench_process.run("build-reference", "--type", module, "--out", folder / "r.json",
                                     "--range", "0.05:5", "--watch", "3")
            check("a reference by a stated range is built", made.returncode == 0, made.stderr)
            answer = daemon.ask("POST", "/api/v1/references", (folder / "r.json").read_text(), JSON)
            check("it is taken, and the answer is as told", answer[0] == 201
                  and not document.check(answer, "POST", "/api/v1/references"), answer)
            answer = daemon.ask("GET", answer[1]["Location"])
            check("it comes back with its content", answer[0] == 200
                  and not document.check(answer, "GET", "/api/v1/references/{id}")
                  and json.loads(answer[2])["reference"]["module_type"] == module, answer)
            daemon.ask("PUT", "/api/v1/supplies/left/on-bench", {"module_type": module}, JSON)
            events = []
            connection, stream = open_stream(daemon)
            read_until(stream, lambda name, data: name == "reading", events)
            answer = daemon.ask("PUT", "/api/v1/supplies/left/output", {"on": True}, JSON)
            check("the output is switched on over HTTP", answer[0] == 200
                  and not document.check(answer, "PUT", "/api/v1/supplies/{name}/output"), answer)
            done = read_until(stream, lambda name, data: name == "power-up"
                              and data["power_up"]["state"] == "complete", events)
            check("a power-up is told to its end", done is not None, [event[0] for event in events][-9:])
            read_until(stream, lambda name, data: name == "heartbeat", events)
            connection.close()
            faults = {}
            for name, data, _ in events:
                found = document.faults({"$ref": f"#/components/schemas/{shapes[name]}"}, data)
                if found:
                    faults.setdefault(name, found)
            check("all kinds of events came", {event[0] for event in events} == set(shapes),
                  {event[0] for event in events})
            check("every event is as told", not faults, faults)
            arrays = [data for name, data, _ in events if name == "reading"]
            check("a reading event's arrays are of one length",
                  all(len(data["time_s"]) == len(data["voltage_V"]) == len(data["current_A"])
                      for data in arrays))
            ids = [int(event[2]) for event in events if event[2]]
            check("ids grow", ids == sorted(set(ids)))
            if done:
                path = f"/api/v1/power-ups/{done['power_up']['id']}"
                answer = daemon.ask("GET", path)
                check("the kept power-up is as told", answer[0] == 200
                      and not document.check(answer, "GET", "/api/v1/power-ups/{id}"),
                      document.check(answer, "GET", "/api/v1/power-ups/{id}"))
                status, headers, body = daemon.ask("GET", path + "/trace.csv")
                check("and its trace file", status == 200 and headers.get_content_type() == "text/csv"
                      and body.startswith(b"time_s,voltage_V,current_A"), (status, body[:60]))
            replayed = []
            last = [event for event in events if event[0] == "power-up"][0][2]
            connection, stream = open_stream(daemon, {"Last-Event-ID": last})
            read_until(stream, lambda name, data: name == "verdict", replayed)
            connection.close()
            check("what came after an id comes again", any(event[0] == "verdict" for event in replayed))
            answer = daemon.ask("PUT", "/api/v1/supplies/left/output", {"on": False}, JSON)
            told = json.loads(supply.say("status"))
            check("and off again", answer[0] == 200 and told["output_on"] is False,
                  (answer, told))
            check_share(daemon)
            buckets = re.findall(r'event_write_seconds_bucket\{le="([^"]+)"\} (\d+)',
                                 daemon.ask("GET", "/metrics")[2].decode())
            within, of = int(dict(buckets)["0.005"]), int(dict(buckets)["+Inf"])
            print(f"events with the socket within 5 ms: {within} of {of}")
            check("events were timed", of > 500, buckets)
            check_speed("most within 5 ms", within > 0.8 * of, buckets)
        supply.stop()


def check_share(daemon):
    """What 30 streams add to the daemon's share of a core."""
    def share(seconds=4.0):
        before, began = daemon.cpu_s(), time.monotonic()
        time.sleep(seconds)
        return (daemon.cpu_s() - before) / (time.monotonic() - began)

    alone = share()
    streams = [open_stream(daemon) for _ in range(30)]
    over = threading.Event()

    def drain():
        while not over.is_set():
            for _, answer in streams:
                answer.read1(65536)

    thread = threading.Thread(target=drain, daemon=True)
    thread.start()
    added = share() - alone
    over.set()
    thread.join(10)
    for connection, _ in streams:
        connection.close()
    print(f"30 streams add {100 * added:.1f} % of a core to {100 * alone:.1f} %")
    check_speed("30 streams add less than 10 % of a core", added < 0.10, added)


def check_tls():
    """A certificate of our own, by openssl(1)."""
    global skipped
    if not shutil.which("openssl"):
        print("SKIPPED: TLS: no openssl(1) to make a certificate with")
        skipped += 1
        return
    with tempfile.TemporaryDirectory() as directory:
        key, certificate = f"{directory}/key.pem", f"{directory}/certificate.pem"
        subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt",
                        "ec_paramgen_curve:prime256v1", "-nodes", "-keyout", key, "-out", certificate,
                        "-days", "2", "-subj", "/CN=localhost", "-addext",
                        "subjectAltName=DNS:localhost,IP:127.0.0.1"], check=True, capture_output=True)
        with Daemon(f"tls_certificate = {certificate}\ntls_key = {key}\n") as daemon:
            context = ssl.create_default_context(cafile=certificate)
            connection = http.client.HTTPSConnection("127.0.0.1", daemon.port, timeout=PATIENCE_S,
                                                     context=context)
            connection.request("GET", "/api/v1/health",
                               headers={"Origin": f"https://127.0.0.1:{daemon.port}"})
            check("over TLS it answers, its own Origin being https",
                  connection.getresponse().status == 200)
            connection.close()
            connection = http.client.HTTPSConnection("127.0.0.1", daemon.port, timeout=PATIENCE_S,
                                                     context=context)
            connection.request("GET", "/api/v1/live")
            answer = connection.getresponse()
            check("and streams", read_event(answer).get("retry") == "1000"
                  and read_event(answer).get("event") == "supply")
            check("plain HTTP to the same port is not answered",
                  not daemon.raw(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n", 2).startswith(b"HTTP"))
            began = time.monotonic()
            daemon.process.send_signal(signal.SIGTERM)
            status = daemon.process.wait(PATIENCE_S)
            check("it ends with a TLS stream open", status == 0, (status, daemon.errors))
            check_speed("at once", time.monotonic() - began < 2)
            connection.close()
        daemon = Daemon(f"tls_certificate = {key}\ntls_key = {certificate}\n")
        run = subprocess.run([PROGRAM, "serve", "--web", WEB, "--config", daemon.config], capture_output=True,
                             text=True, timeout=PATIENCE_S, check=False)
        check("a certificate that is none is refused and named", run.returncode == 69
              and "tls_certificate" in run.stderr, (run.returncode, run.stderr))
        daemon.directory.cleanup()


def check_beyond_loopback():
    with Daemon("listen = 0.0.0.0:0\naccess_code_file = {directory}/code\n") as daemon:
        for host in (f"127.0.0.1:{daemon.port}", f"{socket.gethostname()}:{daemon.port}",
                     f"{socket.gethostname()}.local:{daemon.port}"):
            check(f"beyond loopback, with a code, {host} is answered",
                  daemon.ask("GET", "/api/v1/health", headers={"Host": host})[0] == 200)
        check_problem("another's name is not", daemon.ask(
            "GET", "/api/v1/health", headers={"Host": f"harbour.example:{daemon.port}"}), 421)
        check_problem("a change without the code is not made",
                      daemon.ask("POST", "/api/v1/units", {"serial": "a"}, JSON), 401)


def check_address_six():
    with Daemon("listen = [::1]:0\n") as daemon:
        connection = http.client.HTTPConnection("::1", daemon.port, timeout=PATIENCE_S)
        connection.request("GET", "/api/v1/health")
        check("it listens on [::1] too", connection.getresponse().status == 200)
        connection.close()


def check_refusals():
    for name, text, expected in (
            ("an address beyond loopback without a code", "listen = 0.0.0.0:0\n", "access_code_file"),
            ("an address that is none", "listen = here\n", "listen"),
            ("a certificate without a key", "tls_certificate = {directory}/code\n", "tls_certificate"),
            ("a code file that is not there", "access_code_file = {directory}/none\n", "none")):
        daemon = Daemon(text)
        run = subprocess.run([PROGRAM, "serve", "--web", WEB, "--config", daemon.config], capture_output=True,
                             text=True, timeout=PATIENCE_S, check=False)
        lines = run.stderr.strip().splitlines()
        check(f"{name} is refused in one line", run.returncode in (64, 65, 66) and len(lines) == 1
              and expected in lines[0], (run.returncode, run.stderr))
        daemon.directory.cleanup()
    with Daemon() as first:
        daemon = Daemon(f"listen = 127.0.0.1:{first.port}\n")
        run = subprocess.run([PROGRAM, "serve", "--web", WEB, "--config", daemon.config], capture_output=True,
                             text=True, timeout=PATIENCE_S, check=False)
        check("a port in use is 69 and named", run.returncode == 69
              and f"127.0.0.1:{first.port}" in run.stderr, (run.returncode, run.stderr))
        daemon.directory.cleanup()


def main():
    with Daemon() as daemon:
        check_document(daemon)
        check_addresses(daemon)
        check_codings(daemon)
        check_bodies(daemon)
        check_senders(daemon)
        check_metrics(daemon)
        check_streams(daemon)
        check_hostile_clients(daemon)
        check("it is still well", daemon.ask("GET", "/api/v1/health")[0] == 200)
        check_end(daemon)
    check_bench()
    check_code()
    check_tls()
    check_address_six()
    check_beyond_loopback()
    check_refusals()
    print(f"{passed} passed, {failed} failed, {skipped} skipped")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
