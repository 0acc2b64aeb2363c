"""Everything at once: a balance that never stops talking, switches that bounce, a broker that takes little,
pages that read slowly. The loop stays bounded, and no press and no weighing is lost."""

import contextlib
import json
import math
import multiprocessing
import socket
import threading
import time

from stand import PLACES, Bench, Broker, Hand, Proxy, Reader, Wrong, folder, share, wait_for

COMMAND = "tests/faults/run PROGRAM flood"
LINES, PRESSES, PAGES, RATE = 10_000, 1_000, 200, 4_096
# Of so many lines of the balance one begins another load.
EACH = 500


class Paced:
    """Does something so many times a second until told to end, in a process of its own; counts. `prepare`
    is called there and gives what is done: some(how many were done, how many are due)."""

    def __init__(self, a_second, prepare):
        fork = multiprocessing.get_context("fork")
        self.made, self.ending = fork.Value("q", 0), fork.Event()
        self.began, self.lasted = time.monotonic(), 0.0
        self.process = fork.Process(target=self.work, args=(a_second, prepare), daemon=True)
        self.process.start()

    def work(self, a_second, prepare):
        some, count, began = prepare(), 0, time.monotonic()
        while not self.ending.is_set():
            # One who cannot keep up makes what is possible.
            due = min(int((time.monotonic() - began) * a_second) - count, max(1, a_second // 20))
            if due > 0:
                some(count, due)
                count += due
                self.made.value = count
            else:
                time.sleep(0.002)

    def end(self):
        self.ending.set()
        self.process.join(30)
        self.lasted = time.monotonic() - self.began
        return self

    @property
    def count(self):
        return self.made.value

    @property
    def rate(self):
        return self.count / self.lasted


def talks(line):
    """A balance that never stops: loads, each announced by lines that call themselves unstable."""
    def some(count, due):
        lines = []
        for n in range(count, count + due):
            load = 10_000 + n // EACH * 7 % 900_000
            lines.append(b"%s,GS,+%09.2f g\r\n" % (b"US" if n % EACH < 3 else b"ST", load / 100))
        line.write(b"".join(lines))
    return lambda: some


def bounces(port):
    """A contact that closes and opens."""
    def prepare():
        hand = Hand(port)
        return lambda count, due: [hand.send("contact", b"off" if n % 2 else b"on") for n in range(count, count + due)]
    return prepare


def warms(line):
    """A probe that speaks more often than any."""
    return lambda: lambda count, due: line.write(b"".join(b"TEMP   %4.1f C\r\n" % (21.5 + n % 10 / 10) for n in range(count, count + due)))


def loads(lines):
    """Stable loads that so many lines held."""
    return lines // EACH + (lines % EACH > 3)


class Pages:
    """Pages that are open; most take little of what they are told, the last takes all of it."""

    def __init__(self, port, count):
        self.sockets, self.ending = [], threading.Event()
        # Beats that were heard, and the longest time without a word; endless where the stream ended.
        self.beats, self.longest, self.lasted, self.began = 0, 0.0, 0.0, time.monotonic()
        for n in range(count):
            s = socket.socket()
            if n < count - 1:
                s.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            s.connect(("127.0.0.1", port))
            s.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            self.sockets.append(s)
        self.threads = [threading.Thread(target=work, daemon=True) for work in (self.sip, self.look)]
        for thread in self.threads:
            thread.start()

    def sip(self):
        """Half of them read a kilobyte a second, the other half nothing."""
        slow = self.sockets[: len(self.sockets) // 2]
        for s in slow:
            s.setblocking(False)
        while not self.ending.wait(1):
            for s in slow:
                with contextlib.suppress(OSError):
                    s.recv(1024)

    def look(self):
        """The longest time without a word: a page that hears nothing for 1.6 s says that it lost the station."""
        s = self.sockets[-1]
        s.settimeout(0.5)
        last = time.monotonic()
        while not self.ending.is_set():
            try:
                data = s.recv(1 << 18)
            except TimeoutError:
                # Nothing yet: the silence goes on.
                self.longest = max(self.longest, time.monotonic() - last)
                continue
            except OSError:
                data = b""
            if not data:
                self.longest = math.inf
                return
            self.longest = max(self.longest, time.monotonic() - last)
            last = time.monotonic()
            self.beats += data.count(b"event: beat") + data.count(b"event:beat")

    def close(self):
        self.ending.set()
        self.lasted = time.monotonic() - self.began
        for thread in self.threads:
            thread.join()
        for s in self.sockets:
            s.close()


def run(program, table, short=False):
    seconds = 8 if short else 60
    with folder() as scratch:
        broker = Broker(scratch / "broker")
        broker.start()
        proxy = Proxy(broker.port, lambda first: b"-out" in first[:200])
        station = Bench(program, scratch, broker=proxy.port, shape="balance-comma-header")
        try:
            station.start()
            flooded(station, broker, proxy, table, seconds)
        finally:
            station.close()
            proxy.stop()
            broker.stop()


def flooded(station, broker, proxy, table, seconds):
    reader, hand = Reader(broker.port), Hand(broker.port)
    specimens = station.fill(PLACES)
    hand.is_heard()
    calm = sorted(hand.press(2 + n)[1] * 1000 for n in range(3))[1]
    before, = station.status("VmRSS")
    pages = Pages(station.port, PAGES)
    opening = hand.press(2, 60)[1] * 1000
    documents, proxy.rate = station.documents(), RATE
    inputs = station.count("SELECT coalesce(max(number), 0) FROM input")
    flood = [Paced(LINES, talks(station.balance)), Paced(PRESSES, bounces(broker.port)), Paced(20, warms(station.probe))]
    took, acts, held = [], [], []
    until, turn = time.monotonic() + seconds, 0
    while time.monotonic() < until:
        took.append(hand.press(5 + turn % (PLACES - 5), 60)[1] * 1000)
        acts.append(timed_act(station, specimens[0], turn))
        held += station.status("VmRSS")
        turn += 1
        time.sleep(0.1)
    lines, presses, probe = (one.end() for one in flood)
    sent, pressed = loads(lines.count), presses.count
    heard_ms = drained(station, inputs, pressed)
    heard = wait_for("the balance is heard to its end", lambda: silent(station), 60)
    behind = station.documents() - (reader.next - 1)
    proxy.rate = None
    caught_up = reader.reaches(station.documents(), 120)
    pages.close()
    masses = station.count("SELECT count(*) FROM outbox WHERE kind = 'weighing'")
    temperatures = station.count("SELECT count(*) FROM event WHERE kind = 'temperature-read'")
    told(table, locals())


def told(table, seen):
    """The rows of the table."""
    s = dict(seen)
    tried = (f"{s['seconds']} s, {s['lines'].rate:,.0f} lines/s, {s['presses'].rate:,.0f} triggers/s, {PAGES} slow pages, "
             f"a broker that takes {RATE // 1024} KiB/s")
    table.row("flood: nothing lost", tried, "every trigger is decided, every stable load is a weighing; nothing is left out while the disk takes it: senders wait",
              f"{s['heard_ms'][0]:,} of {s['pressed']:,} triggers stored (the last {s['heard_ms'][1]:.1f} s after it was sent), {s['masses']:,} of {s['sent']:,} loads in {s['heard']:,} of {s['lines'].count:,} lines, "
              f"{s['temperatures']:,} temperatures of {s['probe'].count:,}",
              s["heard_ms"][0] == s["pressed"] and s["masses"] == s["sent"] and s["heard"] == s["lines"].count
              and s["temperatures"] == s["probe"].count, COMMAND)
    pages = s["pages"]
    silence = "its stream ended" if math.isinf(pages.longest) else f"longest silence {pages.longest:.2f} s"
    table.row("flood: an open page", tried, "its stream stays to the end, and a beat comes at least every two seconds",
              f"{pages.beats:,} beats in {pages.lasted:.0f} s, {silence}",
              not math.isinf(pages.longest) and pages.beats >= pages.lasted / 2, COMMAND)
    # How long and how much is a matter of the machine and of what else it does: told, and judged by
    # whoever runs it on a quiet one, never by the tests.
    if s["seconds"] >= 60:
        table.row("flood: time", tried, "a press is answered from the disk in 1 s (95th percentile) and never later than 3 s, an act too; an open page is never without a word for 1.6 s",
                  f"press {share(s['took'], 0.5):.0f} ms median, {share(s['took'], 0.99):.0f} ms 99th, {max(s['took']):.0f} ms longest of {len(s['took'])} "
                  f"({s['calm']:.0f} ms before, {s['opening']:.0f} ms while {PAGES} pages open at once); act {share(s['acts'], 0.5):.0f} ms median, {max(s['acts']):.0f} ms longest; {silence}", share(s["took"], 0.95) < 1000 and share(s["acts"], 0.95) < 1000 and max(*s["took"], *s["acts"]) < 3000 and s["pages"].longest < 1.6 and pages.beats > 0, COMMAND)
        half = len(s["held"]) // 2
        early, late = max(s["held"][:half]), max(s["held"][half:])
        table.row("flood: memory", tried, "a page that takes nothing is left two events behind and no more: the second half of the time needs no more than the first",
                  f"{s['before'] / 1024:.0f} MB before, {early / 1024:.0f} MB in the first half, {late / 1024:.0f} MB in the second "
                  f"({(late - s['before']) / PAGES / 1024:.1f} MB a page)", late < early * 1.2, COMMAND)
    table.row("a broker that takes little", tried, "documents wait in the journal, all go out in order",
              f"{s['behind']:,} waited at the end, all there {s['caught_up']:.1f} s after it took all again; {s['reader'].repeated} came twice, {s['reader'].ahead} out of order",
              s["reader"].ahead == 0, COMMAND)


def silent(station):
    """How many lines of the balance came, once no more come."""
    before = None
    while (now := next(one["lines"] for one in station.view()["instruments"] if one["kind"] == "balance")) != before:
        before = now
        time.sleep(1)
    return now


def drained(station, inputs, pressed):
    """(triggers of the flood in the journal, seconds until the last was there)."""
    began = time.monotonic()
    count = lambda: station.count(  # noqa: E731
        "SELECT count(*) FROM input WHERE number > ? AND payload LIKE '%\"contact\"%' AND payload LIKE '%\"mqtt\"%' AND payload LIKE '%\"name\":\"contact\"%'", inputs)
    last, still = count(), time.monotonic()
    while last < pressed and time.monotonic() < still + 10:
        time.sleep(0.1)
        now = count()
        if now != last:
            last, still = now, time.monotonic()
    return last, time.monotonic() - began


def timed_act(station, specimen, turn):
    what = {"act": "note-specimen", "specimen": specimen, "note": "words", "text": f"look {turn}"}
    sent, answered, reply = station.act("Ada Brook", what)
    if reply["outcome"] != "done":
        raise Wrong(f"an act in the flood: {json.dumps(reply)}")
    return (answered - sent) / 1e6
