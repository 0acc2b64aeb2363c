"""A station with something wrong around it: its settings, a broker with settings of its own, a proxy between
the two, and what the kernel says of the process. What is shared with other checks comes from there."""

import contextlib
import json
import os
import pathlib
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import uuid

HERE = pathlib.Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(ROOT / "tests/bench"), str(ROOT / "tests/outside")]

from day.lab import Broker as Keeping, Station, Wrong, end, free_port, wait_for  # noqa: E402
from wire import Line, Observer  # noqa: E402

STATION = "bench"
PLACES = 20
METHOD = "aashto-t176-mechanical"
TOPICS = f"stillstand/1/{STATION}/"


class Table:
    """What was promised, what was seen, and whether that is the same."""

    def __init__(self):
        self.rows, self.wrong = [], 0

    def row(self, fault, tried, promised, seen, good, command):
        """One line of the table; said at once."""
        self.rows.append((fault, tried, promised, seen if good else f"**otherwise:** {seen}", f"`{command}`"))
        self.wrong += not good
        mark = "good " if good else "WRONG"
        print(f"{mark} {fault} ({tried})\n      promised: {promised}\n      seen:     {seen}", flush=True)

    def markdown(self, before=""):
        """The table, with those lines of an earlier one for which there is none now."""
        new = {row[0]: "| " + " | ".join(row) + " |" for row in self.rows}
        lines = ["| fault | tried | promised | seen | command |", "| --- | --- | --- | --- | --- |"]
        for line in before.strip().splitlines()[2:]:
            lines.append(new.pop(line.split(" | ")[0].removeprefix("| "), line))
        return "\n".join([*lines, *new.values()])


def boot_ns():
    """The clock that the documents call the boot clock: the raw one, and what the machine was suspended for."""
    suspended = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW) + suspended


@contextlib.contextmanager
def folder():
    """A folder of this run; it stays where a check cannot be worked through."""
    made = pathlib.Path(tempfile.mkdtemp(prefix="faults-"))
    try:
        yield made
    except Wrong as wrong:
        raise Wrong(f"{wrong}; what was there is left in {made}") from None
    shutil.rmtree(made, ignore_errors=True)


class Broker(Keeping):
    """A mosquitto whose settings a check writes; `{port}` and `{folder}` stand for its own."""

    def __init__(self, inside, config=None):
        super().__init__(inside)
        user = "user root\n" if os.geteuid() == 0 else ""
        text = config or ("listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
                          "max_queued_messages 0\nmax_inflight_messages 0\npersistence false\nlog_dest none\n")
        filled = text.replace("{port}", str(self.port)).replace("{folder}", str(inside))
        (inside / "conf").write_text(user + filled)

    def kill(self):
        end(self.child, ask=False)


class Proxy:
    """Stands between the station and the broker. `choose` says for the first bytes of a connection
    whether what follows holds for it; others pass."""

    def __init__(self, to_port, choose=lambda first: True):
        self.to_port, self.choose = to_port, choose
        # Bytes a second from the station; what comes is taken and goes nowhere; answers go nowhere.
        self.rate, self.swallows, self.mute = None, False, False
        self.pairs = []
        self.door = socket.create_server(("127.0.0.1", 0))
        self.port = self.door.getsockname()[1]
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            try:
                ours, _ = self.door.accept()
            except OSError:
                return
            try:
                theirs = socket.create_connection(("127.0.0.1", self.to_port), 5)
                theirs.settimeout(None)
            except OSError:
                ours.close()
                continue
            for one in (ours, theirs):
                one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            pair = {"ours": ours, "theirs": theirs, "meant": False}
            self.pairs.append(pair)
            threading.Thread(target=self.outward, args=(pair,), daemon=True).start()
            threading.Thread(target=self.inward, args=(pair,), daemon=True).start()

    def outward(self, pair):
        first = True
        try:
            while True:
                rate = self.rate if pair["meant"] else None
                data = pair["ours"].recv(max(1, min(65536, rate // 20)) if rate else 65536)
                if first:
                    pair["meant"], first = self.choose(data), False
                if not data:
                    break
                if self.swallows and pair["meant"]:
                    continue
                pair["theirs"].sendall(data)
                if rate:
                    time.sleep(len(data) / rate)
        except OSError:
            pass
        self.close(pair)

    def inward(self, pair):
        try:
            while True:
                data = pair["theirs"].recv(65536)
                if not data:
                    break
                if pair["meant"] and (self.swallows or self.mute):
                    continue
                pair["ours"].sendall(data)
        except OSError:
            pass
        if not (self.swallows and pair["meant"]):
            self.close(pair)

    @staticmethod
    def close(pair):
        for one in (pair["ours"], pair["theirs"]):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def cut(self):
        for pair in self.pairs:
            self.close(pair)
        self.pairs.clear()

    def stop(self):
        self.door.close()
        self.cut()


class Bench(Station):
    """The station under test, with what a person, a switch and the kernel see of it."""

    def __init__(self, program, inside, broker=None, network="", more="", prefix=(), environment=None, journal=None, shape="balance-trailing-mark"):
        self.balance, self.probe, self.closed = Line(), Line(), False
        self.inside, self.prefix, self.environment = inside, list(prefix), environment or {}
        self.journal = pathlib.Path(journal or inside / "journal.sqlite")
        settings = inside / "stillstand.toml"
        port = free_port()
        lines = [
            f'[station]\nid = "{STATION}"\nmethods = "{ROOT}/config/methods"\nshapes = "{ROOT}/config/instruments"',
            f'[bench]\nplaces = {PLACES}\n[web]\nlisten = "127.0.0.1:{port}"\n[journal]\npath = "{self.journal}"',
            f'[instruments.balance]\nkind = "balance"\nport = "{self.balance.path}"\nshape = "{shape}"',
            f'[instruments.probe]\nkind = "solution-probe"\nport = "{self.probe.path}"\nshape = "probe-text-unit"',
            '[triggers.contact]\ndoes = "shaker-contact"',
        ]
        lines += [f'[triggers.place-{n}]\ndoes = "next"\nplace = {n}' for n in range(1, PLACES + 1)]
        if broker:
            lines.append(f'[network]\nhost = "127.0.0.1"\nport = {broker}\n{network}')
        settings.write_text("\n".join([*lines, more]) + "\n")
        super().__init__(program, settings, port)

    def launch(self):
        clean = {k: v for k, v in os.environ.items() if not k.startswith(("STILLSTAND_", "NOTIFY_"))}
        with open(self.inside / "log", "ab") as log:
            self.child = subprocess.Popen(
                [*self.prefix, self.program, "run", "--settings", str(self.settings)], stdin=subprocess.DEVNULL,
                stdout=log, stderr=log, env={**clean, **self.environment})

    def start(self):
        self.launch()
        wait_for("the station is ready", self.is_ready)

    def close(self):
        """Ends it and its lines, once; the exit code."""
        code = self.stop()
        if not self.closed:
            self.closed = True
            self.balance.close()
            self.probe.close()
        return code

    def view(self):
        return self.json("/view")

    def alarm(self, key):
        """What an alarm that stands says."""
        for alarm in self.view()["alarms"]:
            if alarm["key"] == key and alarm["clearedMs"] is None:
                return alarm["text"]
        return None

    def raised(self, key, seconds=30):
        """What the alarm says, and how long it took to be there."""
        began = time.monotonic()
        text = wait_for(f"the alarm {key}", lambda: self.alarm(key), seconds)
        return text, time.monotonic() - began

    def ceased(self, key, seconds=60):
        began = time.monotonic()
        wait_for(f"the alarm {key} is over", lambda: self.alarm(key) is None, seconds)
        return time.monotonic() - began

    def say_mass(self, hundredths):
        self.balance.write(b"%11.2f g\r\n" % (hundredths / 100))

    def fill(self, places=PLACES, label="Invented sand"):
        """A sample with specimens at the places, over HTTP."""
        what = {"act": "register-sample", "label": label, "method": METHOD, "specimens": places}
        sample = self.done("Ada Brook", what)[2]
        wanted = ({"act": "register-specimen", "sample": sample, "place": n} for n in range(1, places + 1))
        return [self.done("Ada Brook", what)[2] for what in wanted]

    def status(self, *names):
        text = pathlib.Path(f"/proc/{self.child.pid}/status").read_text()
        return [int(re.search(rf"^{name}:\s+(\d+)", text, re.M)[1]) for name in names]

    def handles(self):
        return len(os.listdir(f"/proc/{self.child.pid}/fd"))

    def rows(self, sql, *values):
        """What stands in the journal, read beside the station."""
        with contextlib.closing(sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True, timeout=30)) as db:
            return db.execute(sql, values).fetchall()

    def count(self, sql, *values):
        return self.rows(sql, *values)[0][0]

    def documents(self):
        return self.count("SELECT coalesce(max(number), 0) FROM outbox")

    def verifies(self):
        """What `verify` says, and its exit code."""
        ended = self.command("verify", str(self.journal))
        return ended.returncode, (ended.stdout + ended.stderr).strip()


class Reader:
    """Somebody at the broker who counts documents: which numbers came, in which order."""

    NUMBER = re.compile(rb'"sequence":\s?"(\d{10})"')

    def __init__(self, port):
        self.next, self.repeated, self.ahead, self.masses = 1, 0, 0, 0
        self.done = threading.Event()
        self.observer = Observer(port, [TOPICS + kind for kind in ("record", "result", "weighing")])
        self.observer.on = self.heard

    def heard(self, topic, payload, _stamp):
        found = self.NUMBER.search(payload)
        number = int(found[1])
        if number == self.next:
            self.next += 1
            self.masses += topic.endswith("weighing")
        elif number < self.next:
            self.repeated += 1
        else:
            self.ahead += 1

    def reaches(self, number, seconds):
        began = time.monotonic()
        wait_for(f"document {number} at the broker (the next is {self.next})", lambda: self.next > number, seconds)
        return time.monotonic() - began

    def close(self):
        self.observer.close()


class Hand:
    """Presses switches, and waits for what came of it."""

    def __init__(self, port):
        self.observer = Observer(port, ["observer/reply"])

    def press(self, place, seconds=30):
        """With a response topic: the outcome, and seconds until it was here."""
        key, began = uuid.uuid4().bytes, time.monotonic()
        self.observer.ask(f"{TOPICS}trigger/place-{place}", b"press", key)
        with self.observer.replied:
            if not self.observer.replied.wait_for(lambda: key in self.observer.replies, seconds):
                raise Wrong(f"a press was not answered within {seconds} s")
            return json.loads(self.observer.replies.pop(key)), time.monotonic() - began

    def send(self, name, word=b"press"):
        """Without an answer; when it was sent, nanoseconds."""
        return self.observer.publish(f"{TOPICS}trigger/{name}", word)

    def is_heard(self):
        """Presses at place 1 until the station answers: its way in is a connection of its own."""
        def heard():
            with contextlib.suppress(Wrong):
                return self.press(1, 2)
        return wait_for("the station hears a press", heard)

    def close(self):
        self.observer.close()


def share(values, part):
    values = sorted(values)
    return values[min(len(values) - 1, int(part * len(values)))] if values else None
