"""The laboratory around the machine: a broker on the host, who asks and presses, a balance, a probe.

What a client was told is kept here as it came, so that it can be held against the journal afterwards."""

import contextlib
import json
import pathlib
import random
import sqlite3
import subprocess
import sys
import threading
import time
import uuid

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from day.lab import Archive, Broker, Wrong, client
from rig.machine import ROOT

STATION = "rig-bench"
METHOD = "aashto-t176-mechanical"
PLACES = 8
# The machine's own network: the host's loopback is this address in it.
HOST = "10.0.2.2"


def settings(broker, more=""):
    """Of a bench of eight places; `more` is appended."""
    own = "\n".join(f'[triggers.place-{place}]\ndoes = "next"\nplace = {place}' for place in range(1, PLACES + 1))
    return f"""
[station]
id = "{STATION}"
title = "Bench of the rig"
methods = "/etc/stillstand/methods"
shapes = "/etc/stillstand/instruments"
[bench]
places = {PLACES}
[journal]
path = "stillstand.sqlite"
space-low-mb = 4
[network]
host = "{HOST}"
port = {broker}
[instruments.balance]
kind = "balance"
port = "/dev/ttyS1"
shape = "balance-trailing-mark"
readability = "0.01 g"
[instruments.probe]
kind = "solution-probe"
port = "/dev/ttyS2"
shape = "probe-text-unit"
[triggers.foot-switch]
does = "next"
{own}
{more}"""


class Reader(Archive):
    """A consumer that also keeps every document that it ever heard, in order or not."""

    def __init__(self, port):
        self.heard_by_number, self.unlike, self.alarms = {}, [], {}
        super().__init__(port, STATION)

    def connected(self, client_, *rest):
        super().connected(client_, *rest)
        client_.subscribe(f"stillstand/1/{STATION}/alarm/#", 1)

    def heard(self, client_, userdata, message):
        kind = message.topic.rsplit("/", 1)[-1]
        if "/alarm/" in message.topic:
            self.alarms[kind] = json.loads(message.payload) if message.payload else None
            return
        if kind not in ("status", "keys"):
            number, text = int(json.loads(message.payload)["sequence"]), message.payload.decode()
            if self.heard_by_number.setdefault(number, text) != text:
                self.unlike.append(number)
        super().heard(client_, userdata, message)

    def alarm(self, name):
        """The alarms of a name whose condition is there, each with what it is about."""
        return [alarm["about"] for alarm in list(self.alarms.values()) if alarm and alarm["name"] == name and alarm["active"]]


class Ask:
    """One ask: what it says, and the first reply with what `mark` gave when it came."""

    def __init__(self, below, payload, act):
        self.below, self.payload, self.act = below, payload, act
        self.correlation, self.reply, self.mark, self.came = uuid.uuid4().bytes, None, None, threading.Event()


class Desk:
    """Asks and presses with a response topic, and remembers each reply."""

    def __init__(self, port, mark=lambda: None):
        self.asks, self.unlike, self.mark, self.lock = {}, [], mark, threading.Lock()
        self.client, properties = client(f"desk-{STATION}", False)
        self.granted = threading.Event()
        self.client.on_connect = lambda c, *_: c.subscribe("reply/desk", 1)
        self.client.on_subscribe = lambda *_: self.granted.set()
        self.client.on_message = self.heard
        self.client.connect("127.0.0.1", port, clean_start=True, properties=properties)
        self.client.loop_start()
        if not self.granted.wait(20):
            raise Wrong("the broker grants no subscription")

    def heard(self, _client, _userdata, message):
        mark, reply = self.mark(), message.payload.decode()
        with self.lock:
            ask = self.asks.get(message.properties.CorrelationData)
            if ask is None:
                return
            if ask.reply is None:
                ask.reply, ask.mark = reply, mark
                ask.came.set()
            elif ask.reply != reply and ask.below != "ask/view":
                self.unlike.append((ask.payload, ask.reply, reply))

    def send(self, ask):
        with self.lock:
            self.asks[ask.correlation] = ask
        properties = Properties(PacketTypes.PUBLISH)
        properties.ResponseTopic, properties.CorrelationData = "reply/desk", ask.correlation
        properties.MessageExpiryInterval = 30
        self.client.publish(f"stillstand/1/{STATION}/{ask.below}", ask.payload, 1, False, properties)

    def once(self, below, payload, seconds):
        """Sent once; the reply, or None."""
        ask = Ask(below, payload, None)
        self.send(ask)
        return json.loads(ask.reply) if ask.came.wait(seconds) else None

    def until(self, ask, stop, every=2.0):
        """The same ask again and again, as the documents tell a client to; the reply, or None once `stop` is set."""
        while not stop.is_set():
            self.send(ask)
            if ask.came.wait(every):
                return json.loads(ask.reply)
        return None

    def act(self, what, stop, who="Ash Fenn"):
        act = str(uuid.uuid4())
        return self.until(Ask("ask/act", json.dumps({"id": act, "who": who, "do": what}), act), stop)

    def view(self, seconds=60):
        """The bench as the page shows it; waits until the station can be asked."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            seen = self.once("ask/view", "", 2)
            if seen is not None:
                return seen
        raise Wrong(f"the station answered no ask within {seconds} s")

    def done(self, what, **more):
        """An act that has to be taken; what came into being."""
        reply = self.act(what, threading.Event(), **more)
        if reply["outcome"] not in ("done", "done-before"):
            raise Wrong(f"{what} was not taken: {reply}")
        return reply.get("made")

    def specimen(self, label, place):
        sample = self.done({"act": "register-sample", "label": label, "method": METHOD, "specimens": 1})
        return self.done({"act": "register-specimen", "sample": sample, "place": place})

    def soaking(self, label, place):
        """A cylinder at a place whose soak runs; its identity."""
        made = self.specimen(label, place)
        for step, edge in (("first fill", "done"), ("soak", "begin")):
            self.done({"act": "mark", "specimen": made, "step": step, "edge": edge})
        return made

    def replied(self):
        with self.lock:
            return [ask for ask in self.asks.values() if ask.reply is not None]

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


class Instruments:
    """Balance and probe at the machine's serial ports, as long as there is a machine."""

    def __init__(self, chance):
        self.chance, self.machine, self.sent, self.number = chance, None, set(), 0
        self.ending, self.weighs = threading.Event(), threading.Event()
        self.threads = [threading.Thread(target=work, daemon=True) for work in (self.show, self.print_masses)]
        for thread in self.threads:
            thread.start()

    def show(self):
        while not self.ending.wait(1):
            if self.machine:
                self.machine.probe.say("TEMP   22.4 C\r\n")

    def print_masses(self):
        while not self.ending.wait(self.chance.uniform(0.05, 0.3)):
            if self.machine and self.weighs.is_set():
                self.weigh()

    def weigh(self):
        """One stable mass that no other weighing has; its digits."""
        self.number += 1
        shown = f"{self.number / 100:.2f}"
        self.sent.add(shown)
        self.machine.balance.say(f"{shown:>11} g\r\n")
        return shown

    def close(self):
        self.ending.set()
        for thread in self.threads:
            thread.join(5)


@contextlib.contextmanager
def laboratory(folder, seed):
    """A broker, who reads, who asks, and the instruments; all of it ends whatever happens."""
    with contextlib.ExitStack() as ends:
        broker = Broker(folder / "broker")
        broker.start()
        ends.callback(broker.stop)
        reader = Reader(broker.port)
        ends.callback(reader.close)
        desk = Desk(broker.port)
        ends.callback(desk.close)
        instruments = Instruments(random.Random(seed))
        ends.callback(instruments.close)
        yield broker, reader, desk, instruments


def at_place(view, place):
    for seen in view["places"]:
        if seen["place"] == place:
            return seen.get("specimen") or seen
    raise Wrong(f"the view has no place {place}: {json.dumps(view['places'])[:500]}")


class Journal:
    """A journal on the host: what its own program and a second implementation say of it, and what is in it."""

    def __init__(self, path, program):
        self.faults = []
        said = subprocess.run([str(program), "verify", str(path)], capture_output=True, text=True)
        if said.returncode != 0:
            self.faults.append(f"stillstand verify ends with {said.returncode}: {(said.stdout + said.stderr)[-500:]}")
        second = subprocess.run([sys.executable, str(ROOT / "tests/outside/verify_chain.py"), str(path)], capture_output=True, text=True)
        if second.returncode != 0:
            self.faults.append(f"the second implementation of the chain says: {(second.stdout + second.stderr)[-500:]}")
        database = sqlite3.connect(pathlib.Path(path).resolve().as_uri() + "?mode=ro", uri=True)
        sound = database.execute("PRAGMA integrity_check").fetchone()[0]
        if sound != "ok":
            self.faults.append(f"the file is not sound: {sound}")
        self.documents = dict(database.execute("SELECT number, payload FROM outbox ORDER BY number"))
        self.acts, self.triggers, self.confirmed, self.replies = {}, {}, {}, set()
        for payload, outcome in database.execute("SELECT payload, outcome FROM input ORDER BY number"):
            self.input(json.loads(payload), json.loads(outcome))
        for kind, payload in database.execute("SELECT kind, payload FROM event WHERE kind IN ('act-done', 'ask-answered')"):
            event = json.loads(payload)
            if kind == "act-done":
                self.confirmed[event["act"]] = self.confirmed.get(event["act"], 0) + 1
            else:
                self.replies.add(event["reply"])
        database.close()

    def input(self, what, outcome):
        while isinstance(what, dict) and what.get("input") == "asked":
            what = what["what"]
        if not isinstance(what, dict):
            return
        if what.get("input") == "act":
            self.acts.setdefault(what["id"], []).append(outcome.get("outcome"))
        elif what.get("input") == "trigger":
            self.triggers[what["name"]] = self.triggers.get(what["name"], 0) + 1

    def missing(self, asks, heard=None):
        """What the station had promised to whoever asked, and to whoever reads, and is not here.

        Promised is what a reply says (docs/mqtt-topics.md: nothing is answered before it is committed), and
        what was published. An act that was sent and not answered is nobody's promise: it may be here, once."""
        lost = []
        for ask in asks:
            if ask.below == "ask/view":
                continue
            reply = json.loads(ask.reply)
            if reply.get("refusal", {}).get("refused") == "not-kept":
                continue  # It says itself that nothing was kept.
            if ask.act and reply["outcome"] == "refused":
                if "refused" not in self.acts.get(ask.act, ()):
                    lost.append(f"the refused act {ask.payload}")
            elif ask.act and self.confirmed.get(ask.act, 0) != 1:
                lost.append(f"the act {ask.payload}, carried out {self.confirmed.get(ask.act, 0)} times, answered {ask.reply}")
            elif ask.below.startswith("trigger/button-") and self.triggers.get(ask.below.split("/")[1], 0) != 1:
                lost.append(f"the press {ask.below}")
            # The refusal of a switch that nobody knows is made anew when it is asked for again.
            if ask.reply not in self.replies and not ask.below.startswith("trigger/button-"):
                lost.append(f"the reply to {ask.below}: {ask.reply}")
        for number, text in (heard or {}).items():
            if self.documents.get(number) != text:
                lost.append(f"document {number} was published and is {'another one' if number in self.documents else 'not here'}")
        return lost
