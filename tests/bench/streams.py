#!/usr/bin/env python3
"""Many pages open on one station: streams.py PROGRAM [STREAMS] [ACTS]

Opens so many event streams on a station of its own, then has a person act again and again, and takes the
time from just before the act is sent until each page has been told of it. Says also what the streams cost
in memory, and in processor time while nothing happens. Only Python's standard library."""

import json
import pathlib
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
import uuid

TICK = 100  # of the kernel's process times, per second


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def cpu_s(pid):
    fields = pathlib.Path(f"/proc/{pid}/stat").read_text().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def rss_kib(pid):
    for line in pathlib.Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1])
    return 0


class Pages:
    """Streams read by a few threads; each notes when it was told of a sequence number."""

    def __init__(self, port, count):
        self.told = [dict() for _ in range(count)]
        self.sockets = []
        for _ in range(count):
            s = socket.create_connection(("127.0.0.1", port))
            s.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            self.sockets.append(s)
        self.ended = False
        self.thread = threading.Thread(target=self.read, daemon=True)
        self.thread.start()

    def read(self):
        import selectors
        chosen = selectors.DefaultSelector()
        tails = {}
        for n, s in enumerate(self.sockets):
            s.setblocking(False)
            chosen.register(s, selectors.EVENT_READ, n)
            tails[n] = b""
        while not self.ended:
            for key, _ in chosen.select(0.2):
                data = key.fileobj.recv(1 << 18)
                at = time.monotonic()
                text = tails[key.data] + data
                # The number stands once in each view; a piece of it may come with the next bytes.
                place = text.rfind(b'"sequence":')
                if place >= 0:
                    digits = text[place + 11:place + 31].split(b",")[0]
                    if digits.isdigit() and len(text) > place + 31:
                        self.told[key.data].setdefault(int(digits), at)
                tails[key.data] = text[-64:]

    def close(self):
        self.ended = True
        self.thread.join()
        for s in self.sockets:
            s.close()


def act(port, what):
    body = json.dumps({"id": str(uuid.uuid4()), "who": "Robin Vale", "do": what}).encode()
    request = urllib.request.Request(f"http://127.0.0.1:{port}/act", body, {"content-type": "application/json"})
    with urllib.request.urlopen(request, timeout=20) as answer:
        return json.load(answer)


def main():
    program = sys.argv[1]
    streams, acts = int(sys.argv[2]) if len(sys.argv) > 2 else 200, int(sys.argv[3]) if len(sys.argv) > 3 else 100
    with tempfile.TemporaryDirectory() as folder:
        port = free_port()
        settings = pathlib.Path(folder) / "stillstand.toml"
        settings.write_text(f'[web]\nlisten = "127.0.0.1:{port}"\n[journal]\npath = "{folder}/journal.sqlite"\n[bench]\nplaces = 8\n'
                            f'[station]\nmethods = "{pathlib.Path("config/methods").resolve()}"\nshapes = "{pathlib.Path("config/instruments").resolve()}"\n')
        station = subprocess.Popen([program, "run", "--settings", str(settings)], stderr=subprocess.DEVNULL)
        try:
            measure(station.pid, port, streams, acts)
        finally:
            station.terminate()
            station.wait(20)


def measure(pid, port, streams, acts):
    until = time.monotonic() + 20
    while True:
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/readyz", timeout=1).read()
            break
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.05)
    # A bench at work: eight cylinders of one sample.
    made = act(port, {"act": "register-sample", "label": "River sand 7", "method": "aashto-t176-mechanical", "specimens": 8})
    for place in range(1, 9):
        specimen = act(port, {"act": "register-specimen", "sample": made["made"], "place": place})["made"]
        for step, edge in (("first fill", "done"), ("soak", "begin")):
            act(port, {"act": "mark", "specimen": specimen, "step": step, "edge": edge})
    time.sleep(1)
    alone = rss_kib(pid)
    pages = Pages(port, streams)
    time.sleep(6)
    with_pages = rss_kib(pid)
    before, began = cpu_s(pid), time.monotonic()
    time.sleep(10)
    idle = (cpu_s(pid) - before) / (time.monotonic() - began)
    delays, missed = [], 0
    before = cpu_s(pid)
    for n in range(acts):
        sent = time.monotonic()
        act(port, {"act": "note-specimen", "specimen": specimen, "note": "words", "text": f"look {n}"})
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/view", timeout=5) as answer:
            sequence = json.load(answer)["sequence"]
        time.sleep(0.4)
        for told in pages.told:
            # Told of it, or of something later.
            at = min((at for number, at in list(told.items()) if number >= sequence), default=None)
            if at is None:
                missed += 1
            else:
                delays.append((at - sent) * 1000)
    spent = (cpu_s(pid) - before) / acts
    pages.close()
    delays.sort()
    result = {
        "streams": streams, "acts": acts, "missed": missed,
        "toldMs": {"median": round(statistics.median(delays), 1), "p99": round(delays[int(len(delays) * 0.99)], 1), "max": round(delays[-1], 1)},
        "memoryKiB": {"alone": alone, "withStreams": with_pages, "each": round((with_pages - alone) / streams, 1)},
        "cpuIdlePercentOfACore": round(idle * 100, 2), "cpuPerActMs": round(spent * 1000, 2),
    }
    print(json.dumps(result, indent=1))
    if missed:
        sys.exit(1)


if __name__ == "__main__":
    main()
