#!/usr/bin/env python3
"""What somebody at a bench would write by hand for the same job, as the measure of ours.

Reads a balance and a thermometer, starts and stops timers by messages, keeps everything in SQLite,
and publishes with QoS 1 what it has committed. Three forms, by --form:

  plain       the client library as it comes, one commit for each event
  one-commit  the same with TCP_NODELAY
  group       also: whatever waits is committed together, and up to 100 messages are under way
"""

import argparse
import json
import queue
import re
import signal
import socket
import sqlite3
import threading
import time

import paho.mqtt.client as mqtt
import serial

MASS = re.compile(rb"^ *([-+]?[0-9]+(?:\.[0-9]+)?) g( \?)?$")
TEMPERATURE = re.compile(rb"^TEMP +([-+]?[0-9]+(?:\.[0-9]+)?) C$")

TABLES = """
CREATE TABLE IF NOT EXISTS event(
    id INTEGER PRIMARY KEY, at REAL NOT NULL, what TEXT NOT NULL, name TEXT, value REAL);
CREATE TABLE IF NOT EXISTS record(
    id INTEGER PRIMARY KEY, timer TEXT NOT NULL, began REAL NOT NULL, ended REAL NOT NULL,
    elapsed REAL NOT NULL, mass REAL, temperature REAL);
"""


class Script:
    def __init__(self, options):
        self.options = options
        self.inputs = queue.SimpleQueue()
        self.running = {}
        self.mass = None
        self.temperature = None
        self.to_publish = []
        self.db = sqlite3.connect(options.db)
        self.db.execute("PRAGMA journal_mode=WAL")
        self.db.execute("PRAGMA synchronous=FULL")
        self.db.executescript(TABLES)
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="script")
        if options.form != "plain":
            self.client.on_socket_open = lambda _c, _u, sock: sock.setsockopt(
                socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
            )
        if options.form == "group":
            self.client.max_inflight_messages_set(100)
        self.most = 256 if options.form == "group" else 1
        self.client.on_connect = self.connected
        self.client.on_message = self.arrived
        self.client.will_set("bench/status", "offline", qos=1, retain=True)
        self.client.connect("127.0.0.1", options.port, keepalive=30)

    # Threads that only stamp and queue.

    def connected(self, client, _userdata, _flags, _reason, _properties):
        client.subscribe("bench/trigger/+", qos=1)
        client.publish("bench/status", "online", qos=1, retain=True)

    def arrived(self, _client, _userdata, message):
        name = message.topic.rsplit("/", 1)[1]
        self.inputs.put(("trigger", time.monotonic(), time.time(), (name, message.payload)))

    def listen(self, path, read):
        with serial.Serial(path, 9600) as port:
            rest = b""
            while True:
                rest += port.read(port.in_waiting or 1)
                stamp, wall = time.monotonic(), time.time()
                *lines, rest = rest.split(b"\n")
                for line in lines:
                    read(line.rstrip(b"\r"), stamp, wall)

    def read_mass(self, line, stamp, wall):
        found = MASS.match(line)
        if found and not found[2]:
            self.inputs.put(("mass", stamp, wall, float(found[1])))

    def read_temperature(self, line, stamp, wall):
        found = TEMPERATURE.match(line)
        if found:
            self.inputs.put(("temperature", stamp, wall, float(found[1])))

    # The main thread: state, database, publications.

    def note(self, wall, what, name, value):
        self.db.execute("INSERT INTO event(at, what, name, value) VALUES (?, ?, ?, ?)", (wall, what, name, value))

    def publish(self, topic, what, retain):
        self.to_publish.append((f"bench/{topic}", json.dumps(what), retain))

    def handle(self, kind, stamp, wall, what):
        if kind == "mass":
            if what != self.mass:
                self.mass = what
                self.note(wall, "mass", None, what)
                self.publish("balance", {"value": what, "unit": "g", "at": wall}, True)
        elif kind == "temperature":
            self.temperature = what
            self.note(wall, "temperature", None, what)
            self.publish("temperature", {"value": what, "unit": "Cel", "at": wall}, True)
        elif kind == "trigger":
            name, payload = what
            if payload == b"start":
                self.running[name] = (stamp, wall)
                self.note(wall, "start", name, None)
                self.publish(f"timer/{name}", {"timer": name, "state": "running", "at": wall}, True)
            elif payload == b"stop" and name in self.running:
                self.stop(name, stamp, wall)

    def stop(self, name, stamp, wall):
        began, began_wall = self.running.pop(name)
        elapsed = stamp - began
        self.note(wall, "stop", name, elapsed)
        row = (name, began_wall, wall, elapsed, self.mass, self.temperature)
        made = self.db.execute(
            "INSERT INTO record(timer, began, ended, elapsed, mass, temperature) VALUES (?, ?, ?, ?, ?, ?)", row
        )
        state = {"timer": name, "state": "stopped", "elapsed_s": elapsed, "at": wall}
        self.publish(f"timer/{name}", state, True)
        record = {"id": made.lastrowid, "timer": name, "began": began_wall, "ended": wall, "elapsed_s": elapsed}
        self.publish("record", {**record, "mass_g": self.mass, "temperature_Cel": self.temperature}, False)

    def run(self):
        signal.signal(signal.SIGTERM, lambda *_: self.inputs.put(None))
        ports = ((self.options.balance, self.read_mass), (self.options.probe, self.read_temperature))
        for path, read in ports:
            threading.Thread(target=self.listen, args=(path, read), daemon=True).start()
        self.client.loop_start()
        ended = False
        while not ended:
            batch = [self.inputs.get()]
            while len(batch) < self.most and not self.inputs.empty():
                batch.append(self.inputs.get())
            with self.db:
                for one in batch:
                    if one is None:
                        ended = True
                    else:
                        self.handle(*one)
            for topic, payload, retain in self.to_publish:
                self.client.publish(topic, payload, qos=1, retain=retain)
            self.to_publish.clear()
        self.client.publish("bench/status", "offline", qos=1, retain=True).wait_for_publish(2)
        self.client.disconnect()
        self.client.loop_stop()
        self.db.close()


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--form", choices=["plain", "one-commit", "group"], default="plain")
    parser.add_argument("--balance", required=True)
    parser.add_argument("--probe", required=True)
    parser.add_argument("--port", type=int, required=True, help="of the broker on this machine")
    parser.add_argument("--db", required=True)
    Script(parser.parse_args()).run()
