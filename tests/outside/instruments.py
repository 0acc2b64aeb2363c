#!/usr/bin/env python3
"""Probes that nobody here wrote, read by the station: instruments.py PROGRAM

On the other ends of pseudo-terminal pairs (socat) stand PyPI `pymodbus` as a Modbus RTU server and PyPI
`scpipy` as a SCPI server with its own parser, identity and error queue (it speaks TCP; socat carries it
to a pseudo-terminal). The station is the built program with its own settings; what it has read is asked
of its `/view`. Expected values stand here, never taken from the station."""

import asyncio
import json
import pathlib
import re
import signal
import socket
import struct
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request

from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice
from scpipy.server import Router, Server
from scpipy.shared.errors import DefaultScpiErrors, ScpiException

ROOT = pathlib.Path(__file__).resolve().parents[2]
faults = []
children = []


def check(truth, what):
    print(("good:  " if truth else "WRONG: ") + what)
    if not truth:
        faults.append(what)


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def start(*words):
    child = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    children.append(child)
    return child


def stop(child):
    child.send_signal(signal.SIGTERM)
    try:
        child.wait(10)
    except subprocess.TimeoutExpired:
        child.kill()
        child.wait()
    children.remove(child)


def wait_for(what, seconds, look):
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        found = look()
        if found:
            return found
        time.sleep(0.1)
    print(f"not within {seconds} s: {what}")
    return None


class Modbus:
    """Unit 1 with 22.4 as a single-precision float in two holding registers from address 0, the low
    word first, and 223 in input register 0. (A pseudo-terminal takes no parity.)"""

    def __init__(self, port):
        words = struct.unpack(">HH", struct.pack(">f", 22.4))
        self.loop = asyncio.new_event_loop()
        holding = [SimData(0, values=[words[1], words[0]], datatype=DataType.REGISTERS)]
        input_ = [SimData(0, values=[223], datatype=DataType.REGISTERS)]
        coils = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        device = SimDevice(id=1, simdata=(coils, coils, holding, input_))
        self.port, self.device = port, device
        threading.Thread(target=self.loop.run_forever, daemon=True).start()
        asyncio.run_coroutine_threadsafe(self.serve(), self.loop).result(10)

    async def serve(self):
        server = ModbusSerialServer(
            self.device, framer=FramerType.RTU, port=self.port, baudrate=9600, bytesize=8, parity="N", stopbits=1)
        self.task = asyncio.ensure_future(server.serve_forever())
        self.server = server

    def end(self):
        asyncio.run_coroutine_threadsafe(self.server.shutdown(), self.loop).result(10)


class Scpi:
    """A thermometer of IEEE 488.2 and SCPI: `*IDN?`, `MEASure:TEMPerature?`, the server's own queue."""

    identity = "Probeworks,T-1,1042,A1"
    answer = "+2.251E+01"

    def __init__(self):
        self.port = free_port()
        router = Router()
        router.register("*IDN?")(lambda context: self.identity)
        router.register("MEASure:TEMPerature?")(self.measure)
        server = Server("127.0.0.1", self.port, shared_context=True)
        server.include_router(router)
        threading.Thread(target=server.run, daemon=True).start()

    def measure(self, context):
        if self.answer is None:
            raise ScpiException(DefaultScpiErrors.DATA_OUT_OF_RANGE.value)
        return self.answer


class Station:
    def __init__(self, program, work, instruments):
        self.port = free_port()
        settings = work / "stillstand.toml"
        settings.write_text(
            f'[station]\nid = "bench-a"\nmethods = "{ROOT}/config/methods"\nshapes = "{ROOT}/config/instruments"\n'
            f'[bench]\nroom-every-s = 1\n[journal]\npath = "{work}/journal.sqlite"\n[web]\nlisten = "127.0.0.1:{self.port}"\n' + instruments)
        self.child = start(program, "run", "--settings", str(settings))

    def view(self):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/view", timeout=2) as answer:
                return json.load(answer)
        except OSError:
            return None

    def instrument(self, name):
        return next((i for i in (self.view() or {}).get("instruments", []) if i["name"] == name), None)

    def alarm(self, key):
        return next((a for a in (self.view() or {}).get("alarms", []) if a["key"] == key), None)


def run(program, work):
    bench = {name: str(work / name) for name in ("float", "input", "scpi")}
    for name in ("float", "input"):
        start("socat", f"PTY,link={work}/{name},raw,echo=0", f"PTY,link={work}/{name}.far,raw,echo=0")
    scpi = Scpi()
    wait_for("the SCPI server", 10, lambda: socket.socket().connect_ex(("127.0.0.1", scpi.port)) == 0)
    link = ("socat", f"PTY,link={bench['scpi']},raw,echo=0", f"TCP:127.0.0.1:{scpi.port}")
    cable = start(*link)
    check(wait_for("the pseudo-terminals", 10, lambda: all(pathlib.Path(p).exists() for p in bench.values())), "socat pairs are there")
    modbus = [Modbus(str(work / "float.far")), Modbus(str(work / "input.far"))]
    station = Station(program, work, "".join(
        f'[instruments.{name}]\nkind = "{kind}"\nport = "{bench[name]}"\nshape = "{shape}"\n'
        for name, kind, shape in [
            ("float", "room-probe", "probe-modbus-float"),
            ("scpi", "solution-probe", "probe-scpi-measure"),
        ]) + f'[instruments.input]\nkind = "room-probe"\nport = "{bench["input"]}"\nshape = "probe-modbus-input"\n'
        '[instruments.input.correction]\ncertificate = "K 17"\ndate = "2026-03-01"\nunit = "Cel"\noffset = "-0.12"\n')
    check(wait_for("the page", 30, station.view), "the station runs")
    live = lambda name: (station.instrument(name) or {}).get("live")
    check(wait_for("float", 20, lambda: live("float") == "22.4 °C"), "pymodbus: a float in two holding registers is read")
    check(wait_for("input", 20, lambda: live("input") == "22.3 °C"), "pymodbus: tenths in an input register are read")
    check(wait_for("scpi", 20, lambda: live("scpi") == "22.51 °C"), "scpipy: `+2.251E+01` is read as 22.51")
    check(station.instrument("scpi")["identity"] == scpi.identity, "scpipy: its `*IDN?` is shown")
    check(not station.instrument("scpi")["errors"], "scpipy: its error queue was empty at the opening")
    check(station.view()["probe"]["reading"]["text"] == "22.51", "the solution is the SCPI probe's")

    # 9.9E37 stands for an overload; then the query fails at the server, which queues -222 and says nothing.
    scpi.answer = "9.9E37"
    check(wait_for("nonsense", 20, lambda: station.alarm("probe-nonsense-scpi")), "an overload is no reading")
    scpi.answer = None
    check(wait_for("silence", 30, lambda: station.alarm("no-answer-scpi")), "a query that fails has no answer")
    scpi.answer = "+2.250E+01"
    queue = lambda: (station.instrument("scpi") or {}).get("errors")
    check(wait_for("the queue", 30, queue), "when it answers again its error queue is read")
    check(any(re.match(r"-222,", error) for error in queue() or []), f"the queue holds -222: {queue()}")
    check(wait_for("well again", 20, lambda: live("scpi") == "22.50 °C"), "and it is read again")

    # Another instrument on the same cable.
    stop(cable)
    check(wait_for("gone", 20, lambda: station.alarm("instrument-gone-scpi")), "the pulled cable is said")
    scpi.identity = "Probeworks,T-1,1043,A1"
    start(*link)
    exchanged = wait_for("exchange", 30, lambda: station.alarm("instrument-exchanged-scpi"))
    check(exchanged and "1043" in exchanged["text"] and "1042" in exchanged["text"], "another identity after the replug is said")

    # The servers fall silent: pymodbus ends.
    modbus[0].end()
    check(wait_for("no answer", 60, lambda: station.alarm("no-answer-float")), "a Modbus server that ended is an alarm")
    room = lambda: next((r for r in [station.view()["room"]] if r["instrument"] == "input"), None)
    room = wait_for("the other probe of the room", 20, room) or {}
    check(room.get("text") == "22.18", "22.3 with -0.12 from the certificate is 22.18")
    check(room.get("corrected") == {"reading": "22.3", "correction": "-0.12"}, "what was read stands beside it")
    stop(station.child)
    modbus[1].end()


def main(program):
    with tempfile.TemporaryDirectory() as work:
        try:
            run(program, pathlib.Path(work))
        finally:
            for child in list(children):
                stop(child)
    print(f"{len(faults)} faults" if faults else "Modbus and SCPI servers of other people are read as they should be")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
