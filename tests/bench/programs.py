"""The programs side by side: ours, and the script in its three forms. Each runs on the same lines,
the same broker and the same disk, and is driven over its own topics by the same presses."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
import uuid

from wire import Line, Observer, now

HERE = os.path.dirname(os.path.abspath(__file__))
ROOT = os.path.dirname(os.path.dirname(HERE))
PLACES = 20
# Presses that one specimen takes before somebody has to read a level.
PRESSES = 8


class Program:
    """A program under measurement."""

    def __init__(self, folder, broker_port):
        self.folder = folder
        os.makedirs(folder)
        self.port = broker_port
        self.balance, self.probe = Line(), Line()
        self.process = None
        self.observer = None
        self.on_state = lambda place, payload, stamp: None
        self.on_event = lambda payload, stamp: None
        self.on_record = lambda payload, stamp: None
        self.online = threading.Event()
        self.quiet = threading.Event()

    # What differs: command, topics, press, refill, parse.

    def observe(self):
        self.observer = Observer(self.port, [*self.topics, "observer/reply"])
        self.observer.on = self.arrived

    def start(self):
        """Starts it; gives nanoseconds from exec to its presence at the broker."""
        self.online.clear()
        environment = {k: v for k, v in os.environ.items() if not k.startswith(("STILLSTAND_", "NOTIFY_"))}
        log = open(os.path.join(self.folder, "log"), "ab")
        began = now()
        self.process = subprocess.Popen(
            self.command(), stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=environment
        )
        if not self.online.wait(30):
            raise SystemExit(f"{self.name} did not come up within 30 s; see {self.folder}/log")
        return self.online.stamp - began

    def heard_online(self, stamp):
        self.online.stamp = stamp
        self.online.set()

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(30)
        if code not in (0, -signal.SIGTERM):
            raise SystemExit(f"{self.name} ended with {code}; see {self.folder}/log")

    def close(self):
        self.observer.close()
        self.balance.close()
        self.probe.close()

    def probe_once_a_second(self):
        def speak():
            count = 0
            while not self.quiet.wait(1.0):
                self.probe.write(b"TEMP   %4.1f C\r\n" % (21.5 + count % 10 / 10))
                count += 1

        thread = threading.Thread(target=speak, daemon=True)
        thread.start()
        return thread

    def cpu_us(self):
        """CPU clock of all its threads, microseconds."""
        total = 0
        base = f"/proc/{self.process.pid}/task"
        for thread in os.listdir(base):
            try:
                with open(f"{base}/{thread}/schedstat") as file:
                    total += int(file.read().split()[0])
            except OSError:
                pass
        return total / 1000

    def memory(self):
        with open(f"/proc/{self.process.pid}/status") as file:
            fields = dict(line.split(":", 1) for line in file)
        kib = {key: int(fields[key].split()[0]) for key in ("VmRSS", "VmHWM", "RssAnon", "RssFile", "Threads")}
        return kib


class Station(Program):
    name = "stillstand"
    topics = ["stillstand/1/bench/#"]
    presses_left = 0

    def __init__(self, folder, broker_port, binary):
        super().__init__(folder, broker_port)
        self.binary = binary
        self.specimens = []
        self.settings = os.path.join(folder, "stillstand.toml")
        lines = [
            f'[station]\nid = "bench"\ntitle = "Bench of a measurement"\nmethods = "{ROOT}/config/methods"',
            f'shapes = "{ROOT}/config/instruments"\n[bench]\nplaces = {PLACES}',
            '[journal]\npath = "journal.sqlite"\n[web]\nlisten = "127.0.0.1:0"',
            f'[network]\nhost = "127.0.0.1"\nport = {broker_port}',
            f'[instruments.balance]\nkind = "balance"\nport = "{self.balance.path}"\nshape = "balance-trailing-mark"',
            f'[instruments.probe]\nkind = "solution-probe"\nport = "{self.probe.path}"\nshape = "probe-text-unit"',
        ]
        lines += [f'[triggers.place-{n}]\ndoes = "next"\nplace = {n}' for n in range(1, PLACES + 1)]
        with open(self.settings, "w") as file:
            file.write("\n".join(lines) + "\n")

    def command(self):
        return [self.binary, "run", "--settings", self.settings]

    def arrived(self, topic, payload, stamp):
        kind, _, rest = topic.removeprefix("stillstand/1/bench/").partition("/")
        if kind == "place":
            self.on_state(int(rest), payload, stamp)
        elif kind == "weighing":
            self.on_event(payload, stamp)
        elif kind == "record":
            self.on_record(payload, stamp)
        elif kind == "status" and b'"online"' in payload:
            self.heard_online(stamp)

    def press(self, place):
        return self.observer.publish(f"stillstand/1/bench/trigger/place-{place}", b"press")

    def ask(self, *acts):
        """Acts, all under way at once; gives what each made."""
        keys = []
        for act in acts:
            key = uuid.uuid4()
            body = json.dumps({"id": str(key), "who": "Ada Brook", "do": act}).encode()
            self.observer.ask("stillstand/1/bench/ask/act", body, key.bytes)
            keys.append(key.bytes)
        replies = [json.loads(self.observer.reply(key)) for key in keys]
        for act, reply in zip(acts, replies):
            if reply["outcome"] != "done":
                raise SystemExit(f"{act}: {reply}")
        return [reply.get("made") for reply in replies]

    def refill(self):
        """New specimens at all places. The old ones are given up first."""
        if self.specimens:
            self.ask(*({"act": "void-specimen", "specimen": s, "reason": "a measurement"} for s in self.specimens))
            self.clean()
        method = "aashto-t176-mechanical"
        label = uuid.uuid4().hex[:8]
        [sample] = self.ask({"act": "register-sample", "label": label, "method": method, "specimens": PLACES})
        wanted = ({"act": "register-specimen", "sample": sample, "place": n} for n in range(1, PLACES + 1))
        self.specimens = self.ask(*wanted)
        self.presses_left = PRESSES

    def clean(self):
        self.ask(*({"act": "mark-next", "specimen": s} for s in self.specimens))
        self.specimens = []


class Script(Program):
    topics = ["bench/#"]
    presses_left = 1 << 30

    def __init__(self, folder, broker_port, form):
        super().__init__(folder, broker_port)
        self.form = form
        self.name = f"script, {form}"
        self.running = set()

    def command(self):
        return [
            sys.executable, os.path.join(HERE, "script.py"), "--form", self.form, "--balance", self.balance.path,
            "--probe", self.probe.path, "--port", str(self.port), "--db", os.path.join(self.folder, "script.sqlite"),
        ]  # fmt: skip

    def arrived(self, topic, payload, stamp):
        if topic.startswith("bench/timer/"):
            self.on_state(int(topic[12:]), payload, stamp)
        elif topic == "bench/balance":
            self.on_event(payload, stamp)
        elif topic == "bench/status" and payload == b"online":
            self.heard_online(stamp)

    def press(self, place):
        word = b"stop" if place in self.running else b"start"
        self.running ^= {place}
        return self.observer.publish(f"bench/trigger/{place}", word)

    def refill(self):
        pass


class Broker:
    """A mosquitto of our own on a port that was free."""

    def __init__(self, folder):
        import socket

        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        config = os.path.join(folder, "mosquitto.conf")
        with open(config, "w") as file:
            file.write(
                f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\nset_tcp_nodelay true\n"
                "max_queued_messages 0\nmax_inflight_messages 0\nlog_dest none\n"
            )
        path = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
        self.process = subprocess.Popen(["mosquitto", "-c", config], env={**os.environ, "PATH": path})
        until = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return
            except OSError:
                if time.monotonic() > until or self.process.poll() is not None:
                    raise SystemExit("mosquitto did not start") from None
                time.sleep(0.02)

    def stop(self):
        self.process.terminate()
        self.process.wait(10)
