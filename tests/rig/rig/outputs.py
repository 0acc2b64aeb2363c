"""Horn, lamps and relay: what their lines do in a run of the shaker, and where they stand when the station
dies, ends, and starts again.

A simulated line that nobody holds shows its pull, as a real one shows the resistor that it was wired with:
down here, which is off. The lines are watched inside the machine, on the clock that the station stamps by."""

import json
import sqlite3
import time

from day.lab import Verdicts, wait_for
from rig.gpio import Chip
from rig.lab import PLACES, laboratory, settings
from rig.machine import JOURNAL, Machine, image

CHIP = "rig-outputs"
SHOWN = {"WHITE": 0, "RELAY": 1, "HORN": 2, "LAMP": 3}
BUTTONS = {f"START-{place}": 3 + place for place in (1, 2)}
TEXT = f"""
[outputs.white]
shows = "white"
gpio = {{ chip = "{CHIP}", line = "WHITE" }}
[outputs.horn]
shows = "horn"
gpio = {{ chip = "{CHIP}", line = "HORN" }}
[outputs.lamp]
shows = "place"
place = 1
gpio = {{ chip = "{CHIP}", line = "LAMP" }}
[outputs.machine]
shows = "shaker-relay"
gpio = {{ chip = "{CHIP}", line = "RELAY" }}
relay = {{ started-by = "press", longest-s = 60 }}
""" + "".join(f'[triggers.start-{place}]\ndoes = "next"\nplace = {place}\n'
              f'gpio = {{ chip = "{CHIP}", line = "START-{place}", debounce-ms = 0 }}\n' for place in (1, 2))
# AASHTO T 176, mechanical shaker: 45 s. Its window of ± 1 s is this project's own.
SHAKE_S = 45
# A shell that looks twenty times a second in an emulated machine on a busy host; the machine's own
# clock says when, so only the looking is late.
LATE_S = 1.5


def watch(machine, chip):
    """Starts to note each change of the lines that show something, with the boot clock."""
    reads = "; ".join(f"read v{n} <{chip.file(name, 'value')}" for n, name in enumerate(SHOWN))
    now = " ".join(f"$v{n}" for n in range(len(SHOWN)))
    machine.sh(f": >/run/watching; (while [ -e /run/watching ]; do {reads}; read up rest </proc/uptime; s=\"{now}\"; "
               "[ \"$s\" = \"$old\" ] || echo $up $s; old=$s; sleep 0.05; done >/run/seen) >/dev/null 2>&1 &")


def watched(machine):
    """(seconds on the boot clock, {line: on}) of each change so far."""
    seen = []
    for row in machine.sh("cat /run/seen").splitlines():
        at, *values = row.split()
        if len(values) == len(SHOWN):
            seen.append((float(at), {name: value == "1" for name, value in zip(SHOWN, values)}))
    return seen


def spans(seen, name):
    """The spans in which a line was on: [from, until]; until is None while it is."""
    found = []
    for at, lines in seen:
        if lines[name] and (not found or found[-1][1] is not None):
            found.append([at, None])
        elif not lines[name] and found and found[-1][1] is None:
            found[-1][1] = at
    return found


def marks(machine, folder, specimen):
    """(through what, seconds on the boot clock) of each mark of a specimen, in order."""
    copy = machine.fetch(JOURNAL, folder / "journal.sqlite")
    database = sqlite3.connect(copy)
    events = [json.loads(payload) for (payload,) in database.execute("SELECT payload FROM event ORDER BY seq")]
    database.close()
    found = [event["marked"] for event in events if event.get("specimen") == specimen and "marked" in event]
    return [(mark["by"]["via"], mark["moment"]["boot_ns"] / 1e9) for mark in found]


def outputs(folder, program, seed):
    verdicts = Verdicts()
    with laboratory(folder, seed) as (broker, _reader, desk, instruments):
        with Machine(image(program, settings(broker.port, TEXT), folder)) as machine:
            instruments.machine = machine
            machine.sh("insmod /modules/gpio-sim.ko")
            chip = Chip(machine, CHIP, SHOWN | BUTTONS)
            chip.plug()
            machine.start_station()
            desk.view(120)
            watch(machine, chip)
            desk.soaking("The long soak", PLACES)
            a_run(verdicts, machine, chip, desk, folder)
            its_death(verdicts, machine, chip, desk)
            instruments.machine = None
    return verdicts


def shaking(machine, chip, desk, place):
    """A cylinder whose shaker was started by presses of its own button; its identity."""
    specimen = desk.soaking(f"Lot {place}", place)
    for _ in ("loosen", "shake"):
        chip.press(f"START-{place}", held=200, pause=1500)
    return specimen


def a_run(verdicts, machine, chip, desk, folder):
    wait_for("the white lamp of a running interval is on", lambda: spans(watched(machine), "WHITE"), 60)
    verdicts.same(spans(watched(machine), "RELAY"), [], "an interval runs: its lamp is on, the relay is open")
    specimen = shaking(machine, chip, desk, 1)
    wait_for("the relay closes and opens", lambda: (spans(watched(machine), "RELAY") or [[0, None]])[0][1], 120)
    wait_for("the station has marked the end", lambda: marks(machine, folder, specimen)[-1][0] == "output machine", 60)
    found, seen = marks(machine, folder, specimen), watched(machine)
    (begun_by, begun), (_, ended) = found[-2:]
    closed = spans(seen, "RELAY")
    verdicts.same(begun_by, "trigger start-1", "the press began the run")
    verdicts.check(len(closed) == 1 and 0 <= closed[0][0] - begun <= 3 + LATE_S,
                   f"the relay closed once, {closed[0][0] - begun:.2f} s after the press", (closed, found))
    # The line opens by a timer, which an emulated processor on a busy host serves late; the mark is when it opened.
    verdicts.check(0 <= ended - begun - SHAKE_S < LATE_S, f"the station marked its end after {ended - begun:.3f} s", found)
    verdicts.check(abs(closed[0][1] - ended) <= LATE_S, f"the line opened {closed[0][1] - ended:+.2f} s from the mark", (closed, found))
    # It winks before, and is steady once the window is open.
    steady = [span for span in spans(seen, "LAMP") if span[1] and span[1] - span[0] > 0.5 and span[0] > begun + 10]
    verdicts.check(len(steady) == 1 and abs(steady[0][0] - begun - (SHAKE_S - 1)) < LATE_S,
                   "the lamp of the place was steady from a second before the end", steady)
    verdicts.check(spans(seen, "HORN"), f"the horn sounded {len(spans(seen, 'HORN'))} times", seen)


def its_death(verdicts, machine, chip, desk):
    before = len(spans(watched(machine), "RELAY"))
    shaking(machine, chip, desk, 2)

    def lines():
        return {name: chip.value(name) == "1" for name in SHOWN}
    wait_for("the relay is closed", lambda: lines()["RELAY"], 20)
    off = dict.fromkeys(SHOWN, False)
    machine.sh("kill -KILL $(cat /run/pid)")
    wait_for("the lines fall", lambda: lines() == off, 30)
    verdicts.check(True, "killed with the relay closed: all lines fall to their pull")
    machine.start_station()
    desk.view(120)
    wait_for("the white lamp is on again", lambda: lines()["WHITE"], 60)
    # Long enough for whatever might close it: a start is good for 3 s at most.
    until = time.monotonic() + 6
    while time.monotonic() < until:
        desk.view(60)
    closed = spans(watched(machine), "RELAY")
    verdicts.check(len(closed) == before + 1 and closed[-1][1], "started again in the same run: the relay stays open", closed)
    machine.stop_station()
    verdicts.same(lines(), off, "an orderly end: all lines are at their pull")
    machine.sh("rm /run/watching")
