"""The invented laboratory without the station's program: a broker, serial lines, the clients of other people.

Nothing here knows a rule of the trade. The broker is mosquitto, the client PyPI's `paho-mqtt`; the lines
are pseudo-terminals; HTTP is Python's own."""

import fcntl
import json
import os
import pathlib
import socket
import subprocess
import termios
import threading
import time
import tty
import urllib.error
import urllib.request
import uuid

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

KINDS = ("record", "result", "weighing")
# Longest wait for anything that ought to come; the machine may be busy.
PATIENCE = 30


class Wrong(Exception):
    """The day cannot go on."""


class Verdicts:
    """Says each comparison in a line, and counts."""

    def __init__(self):
        self.good, self.wrong = 0, []

    def check(self, truth, name, seen=None):
        """One comparison; `seen` is shown where it is wrong."""
        if truth:
            self.good += 1
            print(f"good:  {name}", flush=True)
        else:
            self.wrong.append(name)
            print(f"WRONG: {name}" + ("" if seen is None else f": {seen}"), flush=True)

    def same(self, found, expected, name):
        self.check(found == expected, name, f"found {found!r}, expected {expected!r}")


def boot_ns():
    """The clock that the documents call the boot clock: the raw one, and what the machine was suspended for."""
    suspended = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.clock_gettime_ns(time.CLOCK_MONOTONIC)
    return time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW) + suspended


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def wait_for(what, look, seconds=PATIENCE):
    """Looks until there is something; what it is."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        found = look()
        if found:
            return found
        time.sleep(0.02)
    raise Wrong(f"not within {seconds} s: {what}")


def end(child, ask=True):
    """Ends a process of ours; its code."""
    if child.poll() is None:
        child.terminate() if ask else child.kill()
    try:
        return child.wait(15)
    except subprocess.TimeoutExpired:
        child.kill()
        return child.wait()


class Line:
    """One end of a serial line; the other one is the station's port."""

    def __init__(self, link):
        self.ours, self.theirs = os.openpty()
        tty.setraw(self.theirs)
        os.symlink(os.ttyname(self.theirs), link)

    def say(self, text):
        os.write(self.ours, text.encode())

    def free(self):
        """What the kernel does for a real port when its only user was killed."""
        fcntl.ioctl(self.theirs, termios.TIOCNXCL)
        termios.tcflush(self.theirs, termios.TCIOFLUSH)

    def close(self):
        os.close(self.ours)
        os.close(self.theirs)


class Probe:
    """Speaks by itself, four times a second, and remembers what it said when (boot clock)."""

    def __init__(self, line, celsius):
        self.line, self.celsius, self.said = line, celsius, []
        self.ending = threading.Event()
        self.thread = threading.Thread(target=self.speak, daemon=True)
        self.thread.start()

    def speak(self):
        while not self.ending.wait(0.25):
            shows = self.celsius
            before = boot_ns()
            self.line.say(f"TEMP {shows:>6} C\r\n")
            self.said.append((before, boot_ns(), shows))

    def end(self):
        self.ending.set()
        self.thread.join(5)


class Broker:
    """A mosquitto that keeps its sessions on disk."""

    def __init__(self, folder):
        self.port, self.folder, self.child = free_port(), folder, None
        folder.mkdir()
        user = "user root\n" if os.geteuid() == 0 else ""
        (folder / "conf").write_text(
            f"{user}listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence true\n"
            f"persistence_location {folder}/\nmax_queued_messages 100000\n")

    def start(self):
        path = os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin"
        log = open(self.folder / "log", "ab")
        self.child = subprocess.Popen(["mosquitto", "-c", str(self.folder / "conf")], stdin=subprocess.DEVNULL,
                                      stdout=log, stderr=log, env={**os.environ, "PATH": path})
        wait_for("the broker listens", lambda: socket.socket().connect_ex(("127.0.0.1", self.port)) == 0)

    def stop(self):
        end(self.child)


def client(name, keeps):
    """A client of MQTT 5; `keeps`: the broker keeps its session for an hour."""
    made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
    made.reconnect_delay_set(1, 1)
    properties = Properties(PacketTypes.CONNECT)
    if keeps:
        properties.SessionExpiryInterval = 3600
    return made, properties


class Archive:
    """A consumer as docs/integrator.md wants it: takes only the next number, confirms receipt."""

    def __init__(self, port, station):
        self.station, self.taken, self.payloads, self.repeated, self.ahead, self.odd = station, [], [], 0, [], []
        self.lock = threading.Lock()
        self.client, properties = client(f"archive-{station}", True)
        self.client.on_connect, self.client.on_message, self.client.on_subscribe = self.connected, self.heard, self.ready
        self.subscribed = threading.Event()
        self.status, self.keys = {}, None
        self.client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        self.client.loop_start()

    def connected(self, client, _userdata, _flags, _reason, _properties):
        self.status = {}
        below = f"stillstand/1/{self.station}/"
        client.subscribe([(below + kind, 1) for kind in (*KINDS, "status", "keys")])

    def ready(self, *_):
        self.subscribed.set()

    def heard(self, _client, _userdata, message):
        kind = message.topic.rsplit("/", 1)[-1]
        if kind == "status":
            self.status = json.loads(message.payload)
            return
        if kind == "keys":
            self.keys = json.loads(message.payload)
            return
        document = json.loads(message.payload)
        with self.lock:
            number, content = int(document["sequence"]), getattr(message.properties, "ContentType", None)
            if content != "application/cloudevents+json" or message.retain:
                self.odd.append((number, content, message.retain))
            if number == len(self.taken) + 1:
                self.taken.append((kind, document))
                self.payloads.append(message.payload)
            elif number <= len(self.taken):
                if self.taken[number - 1][1]["id"] != document["id"]:
                    self.odd.append((number, "another id under a number that was taken"))
                self.repeated += 1
            else:
                self.ahead.append(number)

    def documents(self, kind=None):
        with self.lock:
            return [d for k, d in self.taken if kind in (None, k)]

    def newest(self, kind, subject):
        of = [d for d in self.documents(kind) if d["subject"] == subject]
        return of[-1] if of else None

    def online(self):
        return wait_for("the station is online", lambda: self.status.get("state") == "online")

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Desk:
    """Presses and asks over the network, with a response topic."""

    def __init__(self, port, station):
        self.station, self.replies, self.granted = station, {}, threading.Event()
        self.client, properties = client(f"desk-{station}", False)
        self.client.on_connect = lambda c, *_: c.subscribe("reply/desk", 1)
        self.client.on_subscribe = lambda *_: self.granted.set()
        self.client.on_message = self.heard
        self.client.connect("127.0.0.1", port, clean_start=True, properties=properties)
        self.client.loop_start()

    def heard(self, _client, _userdata, message):
        self.replies[message.properties.CorrelationData] = (boot_ns(), json.loads(message.payload))

    def reaches(self):
        """Waits until the station hears what is sent: its way in is a connection of its own."""
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            try:
                return self.ask("ask/view", b"", 1)
            except Wrong:
                continue
        raise Wrong(f"the station answered no ask within {PATIENCE} s")

    def ask(self, below, payload, patience=PATIENCE):
        """(when it was sent, when the reply was here, the reply), times of the boot clock."""
        correlation = uuid.uuid4().bytes
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic, properties.CorrelationData, properties.MessageExpiryInterval = "reply/desk", correlation, 30
        sent = boot_ns()
        self.client.publish(f"stillstand/1/{self.station}/{below}", payload, 1, False, properties)
        replied, reply = wait_for(f"a reply to {below}", lambda: self.replies.pop(correlation, None), patience)
        return sent, replied, reply

    def press(self, name, payload="press"):
        return self.ask(f"trigger/{name}", payload)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Station:
    """The built program with its settings, and its pages as a program sees them."""

    def __init__(self, program, settings, port):
        self.program, self.settings, self.port, self.child = program, settings, port, None

    def start(self):
        log = open(self.settings.parent / "log", "ab")
        self.child = subprocess.Popen([self.program, "run", "--settings", str(self.settings)], stdin=subprocess.DEVNULL,
                                      stdout=log, stderr=log)
        wait_for("the station is ready", self.is_ready)

    def is_ready(self):
        if self.child.poll() is not None:
            raise Wrong(f"the station ended with {self.child.returncode}: {self.said()}")
        try:
            return self.get("/readyz")
        except OSError:
            return None

    def said(self):
        return (self.settings.parent / "log").read_text()[-3000:]

    def get(self, path):
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=60) as answer:
            return answer.read()

    def json(self, path):
        return json.loads(self.get(path))

    def act(self, who, do, **more):
        """(when it was sent, when the answer was here, the answer)."""
        body = {"id": str(uuid.uuid4()), "do": do, **({"who": who} if who else {}), **more}
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}/act", json.dumps(body).encode(),
                                         {"Content-Type": "application/json"})
        sent = boot_ns()
        try:
            with urllib.request.urlopen(request, timeout=60) as answer:
                reply = json.load(answer)
        except urllib.error.HTTPError as refused:
            reply = json.loads(refused.read())
        return sent, boot_ns(), reply

    def done(self, who, do, **more):
        """The same where it has to be taken; the two instants, and what came into being."""
        sent, answered, reply = self.act(who, do, **more)
        if reply.get("outcome") not in ("done", "done-before"):
            raise Wrong(f"{json.dumps(do)} was not taken: {reply}")
        return sent, answered, reply.get("made")

    def command(self, *words):
        return subprocess.run([self.program, *words], capture_output=True, text=True)

    def kill(self):
        end(self.child, ask=False)

    def stop(self):
        return end(self.child)


def folder_of(scratch, name):
    made = pathlib.Path(scratch) / name
    made.mkdir()
    return made
