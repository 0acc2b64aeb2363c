#!/usr/bin/env python3
"""Take documents from a station as any other system would: watch.py HOST PORT STATION N [SECONDS]

PyPI paho-mqtt 2.x over MQTT 5. Collects records, results and weighings until N records have come
(or SECONDS have passed, 600 unless told), prints each document once, one a line, and checks the
content type and that the numbers of a journal are consecutive once duplicates are left out."""

import json
import sys
import threading

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

KINDS = ("record", "result", "weighing")


def main(host, port, station, wanted, seconds="600"):
    done, faults, seen, last, counted = threading.Event(), [], set(), {}, [0]

    def fault(what):
        faults.append(what)
        print(what, file=sys.stderr, flush=True)

    def connected(client, _userdata, _flags, reason, _properties):
        if reason.is_failure:
            fault(f"the broker refuses: {reason}")
            return done.set()
        client.subscribe([(f"stillstand/1/{station}/{kind}", 1) for kind in KINDS])

    def subscribed(_client, _userdata, _mid, reasons, _properties):
        for reason in reasons:
            if reason.is_failure:
                fault(f"the broker refuses a subscription: {reason}")
                done.set()
        print("subscribed", file=sys.stderr, flush=True)

    def took(_client, _userdata, message):
        kind = getattr(message.properties, "ContentType", None)
        if kind != "application/cloudevents+json":
            fault(f"{message.topic}: content type {kind!r}")
        if message.retain:
            fault(f"{message.topic}: a document must not be retained")
        event = json.loads(message.payload)
        key = (event["source"], event["id"])
        if key in seen:
            return  # sent again: allowed, and known by its id
        seen.add(key)
        number = int(event["sequence"])
        before = last.get(event["source"])
        if before is not None and number != before + 1:
            fault(f"{event['source']}: number {number} came after {before}")
        last[event["source"]] = number
        print(json.dumps(event), flush=True)
        if message.topic.endswith("/record"):
            counted[0] += 1
            if counted[0] >= int(wanted):
                done.set()

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=f"watch-{station}", protocol=mqtt.MQTTv5)
    client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, took
    # The broker keeps what comes while this client is away for an hour.
    keep = Properties(PacketTypes.CONNECT)
    keep.SessionExpiryInterval = 3600
    client.connect(host, int(port), clean_start=False, properties=keep)
    client.loop_start()
    if not done.wait(float(seconds)):
        fault(f"{counted[0]} of {wanted} records came within {seconds} s")
    client.disconnect()
    client.loop_stop()
    return 1 if faults else 0


if __name__ == "__main__":
    if len(sys.argv) not in (5, 6):
        sys.exit(__doc__)
    sys.exit(main(*sys.argv[1:]))
