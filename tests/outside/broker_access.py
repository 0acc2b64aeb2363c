#!/usr/bin/env python3
"""Who may what at the broker, by the access list that the documents give: broker_access.py PROGRAM

The list is taken out of docs/mqtt-topics.md as it stands there and given to a real mosquitto with a password
for each user; a station, an archive, a desk, a button, another station and a stranger then try what they may
and what they may not (PyPI `paho-mqtt`, MQTT 5: a broker answers a publish that it denies with 0x87, section
3.4.2.1 of the standard). What must not arrive is watched for by a client that is the station itself to the
broker, so that silence is seen there and not guessed."""

import json
import os
import pathlib
import re
import subprocess
import sys
import tempfile
import threading

sys.dont_write_bytecode = True
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
from day.lab import Line, Station, Verdicts, Wrong, client, free_port, wait_for
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

ROOT = pathlib.Path(__file__).resolve().parents[2]
BENCH = "north-bench"
USERS = (BENCH, "south-bench", "archive", "desk", "foot-switch-1")
NOT_AUTHORISED = 0x87
TOPICS = f"stillstand/1/{BENCH}"


def documented():
    """The sample access list of docs/mqtt-topics.md."""
    page = (ROOT / "docs/mqtt-topics.md").read_text()
    return re.search(r"## Sample access list.*?```text\n(.*?)```", page, re.S).group(1)


class Broker:
    def __init__(self, folder):
        self.port = free_port()
        (folder / "access").write_text(documented())
        for name in ("access", "passwords"):
            (folder / name).touch(0o600)
        for user in USERS:
            subprocess.run(["mosquitto_passwd", "-b", str(folder / "passwords"), user, f"of {user}"], check=True,
                           capture_output=True)
        root = "user root\n" if os.geteuid() == 0 else ""
        (folder / "conf").write_text(f"{root}listener {self.port} 127.0.0.1\nallow_anonymous false\n"
                                     f"password_file {folder}/passwords\nacl_file {folder}/access\n")
        self.child = subprocess.Popen(["mosquitto", "-c", str(folder / "conf")], stdin=subprocess.DEVNULL,
                                      stdout=open(folder / "said", "wb"), stderr=subprocess.STDOUT)


class Guest:
    """A client of one user: what it hears, and what the broker says to what it sends."""

    def __init__(self, port, user, password=None, hears=()):
        self.heard, self.answers, self.connected, self.granted = [], {}, None, threading.Event()
        self.client, properties = client(f"guest-{user}", False)
        self.client.username_pw_set(user, f"of {user}" if password is None else password)
        self.hears = hears
        self.client.on_connect = self.on_connect
        self.client.on_subscribe = lambda *_: self.granted.set()
        self.client.on_message = lambda _c, _u, message: self.heard.append((message.topic, message.payload))
        self.client.on_publish = lambda _c, _u, mid, reason, _p: self.answers.__setitem__(mid, reason.value)
        self.client.connect("127.0.0.1", port, clean_start=True, properties=properties)
        self.client.loop_start()
        wait_for(f"the broker answers {user}", lambda: self.connected is not None)
        if self.connected == 0 and hears:
            wait_for(f"the broker grants {user} its subscriptions", self.granted.is_set)

    def on_connect(self, client_, _userdata, _flags, reason, _properties):
        self.connected = reason.value
        if reason.value == 0 and self.hears:
            client_.subscribe([(topic, 1) for topic in self.hears])

    def sends(self, topic, payload, properties=None):
        """What the broker says to it: 0, 0x10 (nobody hears it) or why not."""
        told = self.client.publish(topic, payload, 1, properties=properties)
        wait_for(f"the broker answers a publish to {topic}", lambda: told.mid in self.answers)
        return self.answers.pop(told.mid)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def settings(folder, broker, pages):
    (folder / "password").write_text(f"of {BENCH}")
    (folder / "password").chmod(0o600)
    (folder / "stillstand.toml").write_text(f"""
[station]
id = "{BENCH}"
methods = "{ROOT}/config/methods"
shapes = "{ROOT}/config/instruments"
[journal]
path = "{folder}/journal.sqlite"
[web]
listen = "127.0.0.1:{pages}"
[network]
host = "127.0.0.1"
port = {broker}
user = "{BENCH}"
password-file = "{folder}/password"
[instruments.balance]
kind = "balance"
port = "{folder}/balance"
shape = "balance-trailing-mark"
readability = "0.01 g"
[triggers.foot]
does = "next"
""")
    return folder / "stillstand.toml"


def may(v, button, archive, desk, station, balance):
    """Each does its work."""
    v.check(button.sends(f"{TOPICS}/trigger/foot", "press") in (0, 0x10), "the foot switch may press")
    wait_for("the press is at the station", lambda: "foot" in json.dumps(station.json("/view")))
    v.check(True, "and its press is at the station")
    properties = Properties(PacketTypes.PUBLISH)
    properties.ResponseTopic, properties.CorrelationData = "reply/desk/1", b"a"
    v.check(desk.sends(f"{TOPICS}/ask/view", "", properties) in (0, 0x10), "the desk may ask")
    wait_for("the reply", lambda: [t for t, _ in desk.heard if t == "reply/desk/1"])
    v.check(True, "and has its reply")
    balance.say(f"{'312.40':>11} g\r\n")
    wait_for("the archive has the weighing", lambda: [t for t, _ in archive.heard if t == f"{TOPICS}/weighing"])
    v.check(True, "the archive reads what the station publishes")
    v.check(any(t == f"{TOPICS}/status" for t, _ in archive.heard), "and whether the station is there")


def may_not(v, broker, button, archive, other, station):
    """Each tries what it has no business with; whatever arrived would be heard by the spy."""
    spy = Guest(broker, BENCH, hears=(f"{TOPICS}/trigger/#", f"{TOPICS}/ask/#"))
    stranger = Guest(broker, "foot-switch-1", password="a guess")
    v.check(stranger.connected in (0x86, NOT_AUTHORISED), f"a wrong password is refused ({stranger.connected:#x})")
    before = station.json("/view")["samples"]
    act = json.dumps({"id": "019f0000-0000-7000-8000-00000000ac01", "who": "Ash Fenn",
                      "do": {"act": "register-sample", "label": "Not mine", "method": "aashto-t176-mechanical", "specimens": 1}})
    tries = [(button, f"{TOPICS}/ask/act", act), (button, f"{TOPICS}/trigger/other", "press"), (button, f"{TOPICS}/record", "{}"),
             (button, f"{TOPICS}/status", "{}"), (button, f"{TOPICS}/keys", "{}"), (button, "stillstand/1/south-bench/trigger/foot", "press"),
             (archive, f"{TOPICS}/record", "{}"), (archive, f"{TOPICS}/trigger/foot", "press"), (archive, f"{TOPICS}/ask/act", act),
             (other, f"{TOPICS}/record", "{}"), (other, f"{TOPICS}/trigger/foot", "press"), (other, f"{TOPICS}/ask/act", act),
             (other, f"{TOPICS}/keys", "{}")]
    for who, topic, payload in tries:
        name = who.client._client_id.decode().removeprefix("guest-")
        v.same(who.sends(topic, payload), NOT_AUTHORISED, f"{name} publishes nothing to {topic}")
    # A press that is allowed, sent after all of them: what comes before it at the spy is all that came.
    v.check(button.sends(f"{TOPICS}/trigger/foot", "press") == 0, "the last press")
    wait_for("the last press is heard", lambda: spy.heard)
    v.same(spy.heard, [(f"{TOPICS}/trigger/foot", b"press")], "nothing of it reached the station's topics")
    v.same(station.json("/view")["samples"], before, "and nothing happened")
    deaf = Guest(broker, "foot-switch-1", hears=("stillstand/#", "reply/#", "$SYS/#"))
    v.check(button.client is not deaf.client and archive.sends(f"{TOPICS}/record", "x") == NOT_AUTHORISED, "control: the broker answers still")
    station.done("Ash Fenn", {"act": "register-sample", "label": "Lot 2", "method": "aashto-t176-mechanical", "specimens": 1})
    v.same(deaf.heard, [], "the foot switch hears nothing, not even what is kept at the broker")
    for guest in (spy, stranger, deaf):
        guest.close()


def main(program):
    v = Verdicts()
    os.environ["PATH"] += ":/usr/sbin:/usr/local/sbin"
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        broker, balance = Broker(folder), Line(folder / "balance")
        pages = free_port()
        station = Station(str(pathlib.Path(program).resolve()), settings(folder, broker.port, pages), pages)
        guests = []
        try:
            wait_for("the broker listens", lambda: b"running" in (folder / "said").read_bytes())
            station.start()
            button = Guest(broker.port, "foot-switch-1")
            archive = Guest(broker.port, "archive", hears=(f"{TOPICS}/weighing", f"{TOPICS}/status"))
            desk = Guest(broker.port, "desk", hears=("reply/desk/#",))
            other = Guest(broker.port, "south-bench")
            guests = [button, archive, desk, other]
            wait_for("the station is online", lambda: any(b'"online"' in p for t, p in archive.heard if t.endswith("status")))
            may(v, button, archive, desk, station, balance)
            may_not(v, broker.port, button, archive, other, station)
        except Wrong as fault:
            v.check(False, str(fault))
        finally:
            for guest in guests:
                guest.close()
            station.stop() if station.child else None
            broker.child.terminate()
            broker.child.wait(20)
            balance.close()
    return 1 if v.wrong else 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    sys.exit(main(sys.argv[1]))
