"""Switches and contacts on a simulated GPIO chip: what the station records beside what was done to the lines.

The chip is the kernel's own (gpio-sim); a small program of the rig sets the pull of a line and notes the
kernel's clock before and after. The station knows the chip by its label and the lines by their names."""

import json
import sqlite3

from day.lab import Verdicts, wait_for
from rig.lab import laboratory, settings
from rig.machine import JOURNAL, Machine, image

CHIP = "rig-switches"
LINES = {"PEDAL": 0, "BUTTON-4": 1, "SHAKER": 2, "STROKE": 3, "DULL": 4, "FLOOD": 5, "GROUNDED": 6, "PULLED": 7, "MANY": 8}
# The kernel stamps in the interrupt that the pull raises, so between the two looks at the clock; the slack
# is for the two clocks' rounding and an interrupt that an emulated processor takes late.
SLACK_NS = 2_000_000
DEBOUNCE_MS = 60
# What the kernel's timer of a debounced line may be late.
TIMER_NS = 20_000_000


def triggers():
    """One of each kind, by label and name."""
    does = {"pedal": ("PEDAL", "next", ""), "button": ("BUTTON-4", "next", "place = 4"), "contact": ("SHAKER", "shaker-contact", ""),
            "stroke": ("STROKE", "shaker-pulse", ""), "dull": ("DULL", "next", "place = 5"), "flood": ("FLOOD", "next", "place = 6"),
            "grounded": ("GROUNDED", "next", "place = 7"), "pulled": ("PULLED", "next", "place = 8"), "many": ("MANY", "next", "place = 1")}
    # A switch to ground, without a resistor (the simulated chip holds such a line low: closed) and with the chip's own.
    wired = {"grounded": "active-low = true\n", "pulled": 'active-low = true\nbias = "pull-up"\n'}
    return "\n".join(
        f'[triggers.{name}]\ndoes = "{what}"\n{place}\n[triggers.{name}.gpio]\nchip = "{CHIP}"\nline = "{line}"\n'
        + f"debounce-ms = {DEBOUNCE_MS if name == 'dull' else 0}\n" + wired.get(name, "") for name, (line, what, place) in does.items())


class Chip:
    """The chip in the machine, by configfs."""

    def __init__(self, machine, label=CHIP, lines=None, lines_in_all=16):
        self.machine, self.lines = machine, LINES if lines is None else lines
        self.folder = f"/sys/kernel/config/gpio-sim/{label}"
        steps = [f"mkdir -p {self.folder}/bank0", f"echo {lines_in_all} > {self.folder}/bank0/num_lines",
                 f"echo {label} > {self.folder}/bank0/label"]
        for name, offset in self.lines.items():
            steps += [f"mkdir {self.folder}/bank0/line{offset}", f"echo {name} > {self.folder}/bank0/line{offset}/name"]
        machine.sh(" && ".join(steps))
        self.there = None

    def plug(self):
        self.machine.sh(f"echo 1 > {self.folder}/live")
        self.there = self.machine.sh(f"echo /sys/devices/platform/$(cat {self.folder}/dev_name)/$(cat {self.folder}/bank0/chip_name)").strip()

    def unplug(self):
        self.machine.sh(f"echo 0 > {self.folder}/live")
        self.there = None

    def file(self, name, of="pull"):
        return f"{self.there}/sim_gpio{self.lines[name]}/{of}"

    def value(self, name):
        return self.machine.sh(f"cat {self.file(name, 'value')}").strip()

    def set(self, *moves):
        """Moves (line, closed, milliseconds until the next); for each (before, after) on the boot clock."""
        words = " ".join(f"{self.file(name)} pull-{'up' if closed else 'down'} {wait}" for name, closed, wait in moves)
        said = self.machine.sh(f"edges {words}")
        marks = [list(map(int, line.split())) for line in said.splitlines()]
        return [(before + ahead, after + ahead) for before, after, ahead in marks]

    def press(self, name, held=120, pause=150):
        """When the press was."""
        return self.set((name, True, held), (name, False, pause))[0]


def rows(machine, folder):
    """Inputs of the switches: (name, what, the moment), in order; and what was said of the switches themselves."""
    copy = machine.fetch(JOURNAL, folder / "journal.sqlite")
    edges, reports = [], []
    database = sqlite3.connect(copy)
    for at, payload in database.execute("SELECT at, payload FROM input ORDER BY number"):
        what = json.loads(payload)
        if what["input"] == "trigger" and what["via"] == "gpio":
            edges.append((what["name"], what["contact"].get("Ok"), json.loads(at)))
        elif what["input"] == "switch":
            reports.append(what)
    database.close()
    return edges, reports


def within(span, moment, slack=SLACK_NS):
    """The recorded instant lies where the line was moved, and says that the kernel stamped it."""
    before, after = span
    doubt = slack + moment["doubt_ns"]
    return moment["stamp"] == "kernel" and before - doubt <= moment["boot_ns"] <= after + doubt


def off_by(span, moment):
    return round((moment["boot_ns"] - span[0]) / 1e6, 3)


def gpio(folder, program, seed):
    """All of it in one machine."""
    verdicts = Verdicts()
    with laboratory(folder, seed) as (broker, reader, desk, instruments):
        with Machine(image(program, settings(broker.port, triggers()), folder)) as machine:
            instruments.machine = machine
            machine.sh("insmod /modules/gpio-sim.ko")
            machine.start_station()
            desk.view(120)
            watched(verdicts, machine, reader, desk, folder)
            instruments.machine = None
    return verdicts


def watched(verdicts, machine, reader, desk, folder):
    mine = {"button", "pedal", "contact", "stroke", "dull", "flood", "grounded", "pulled", "many"}
    wait_for("the absent chip is an alarm of each switch", lambda: set(reader.alarm("switch-gone")) == mine, 30)
    verdicts.check(True, "a chip that is absent at the start is an alarm of each switch, and the station runs")
    chip = Chip(machine)
    chip.plug()
    wait_for("the alarm ends", lambda: not reader.alarm("switch-gone"), 60)
    verdicts.check(True, "once it is there its lines are used, without a start")
    to_ground(verdicts, machine, chip, folder)
    desk.soaking("Lot 4", 4)

    spans = {"button": [chip.press("BUTTON-4") for _ in range(4)], "pedal": [chip.press("PEDAL") for _ in range(4)],
             "dull": [chip.press("DULL", 200, 200) for _ in range(3)]}
    contact = [chip.set(("SHAKER", True, 200))[0]]
    strokes = chip.set(*[move for _ in range(20) for move in (("STROKE", True, 60), ("STROKE", False, 60))])[::2]
    contact.append(chip.set(("SHAKER", False, 300))[0])
    # Pulses are told as one count, a while after the last.
    wait_for("the shaker's run is stored", lambda: sum(r.get("pulses", 0) for r in rows(machine, folder)[1]) >= 20, 60)
    edges, reports = rows(machine, folder)
    for name in ("button", "pedal"):
        found = [moment for who, what, moment in edges if (who, what) == (name, "on")]
        verdicts.check(len(found) == 4 and all(map(within, spans[name], found)),
                       f"{name}: each press stands at the kernel's instant, ms after the write began "
                       f"{[off_by(s, m) for s, m in zip(spans[name], found)]}", found)
    found = [(what, moment) for who, what, moment in edges if who == "contact"]
    # What the contact showed when its line was first seen is no edge.
    verdicts.check([w for w, _ in found][-2:] == ["on", "off"] and all(map(within, contact, [m for _, m in found][-2:])),
                   "contact: closing and opening stand at the kernel's instants", found)
    counted = [r for r in reports if r["switch"] == "counted"]
    verdicts.check(sum(r["pulses"] for r in counted) == 20 and within(strokes[0], counted[0]["first"]) and within(strokes[-1], counted[-1]["last"]),
                   "stroke: 20 pulses are 20, the first and the last at the kernel's instants", counted)
    dull = [moment for who, what, moment in edges if (who, what) == ("dull", "on")]
    late = [off_by(s, m) for s, m in zip(spans["dull"], dull)]
    verdicts.check(len(dull) == 3 and all(m["doubt_ns"] >= DEBOUNCE_MS * 1_000_000 and within(s, m, TIMER_NS) for s, m in zip(spans["dull"], dull)),
                   f"a debounced line stands within its stated doubt of {DEBOUNCE_MS} ms: {late}", dull)
    verdicts.check(all(d > DEBOUNCE_MS / 2 for d in late), "control: that the kernel stamps such an edge late is seen", late)

    chip.unplug()
    wait_for("the chip that is gone is an alarm of each switch", lambda: set(reader.alarm("switch-gone")) == mine, 60)
    verdicts.check(True, "a chip that is taken away is an alarm of each switch")
    before = machine.sh("cat /run/pid").strip()
    chip.plug()
    wait_for("the alarm ends", lambda: not reader.alarm("switch-gone"), 60)
    again = chip.press("PEDAL")
    wait_for("the press is stored", lambda: len([e for e in rows(machine, folder)[0] if e[:2] == ("pedal", "on")]) >= 5, 30)
    moment = [m for who, what, m in rows(machine, folder)[0] if (who, what) == ("pedal", "on")][-1]
    verdicts.check(within(again, moment) and machine.sh("cat /run/pid").strip() == before and
                   machine.sh(f"kill -0 {before}", good=False)[0] == 0, "it comes back without a start, and a press counts", off_by(again, moment))
    many(verdicts, machine, chip, folder)
    flood(verdicts, machine, chip, folder)


def to_ground(verdicts, machine, chip, folder):
    """Switches between line and ground: `active-low`, with the chip's own resistor and without."""
    def found():
        seen = {r["name"]: r["closed"] for r in rows(machine, folder)[1] if r["switch"] == "found"}
        return seen if set(seen) >= {"grounded", "pulled"} else None
    seen = wait_for("how the contacts stand is stored", found, 30)
    verdicts.same((seen["grounded"], seen["pulled"]), (True, False),
                  "a contact that is closed when its line is first seen is found closed, one with a pull-up open")
    spans = {"grounded": [], "pulled": []}
    for name, span in spans.items():
        line = name.upper()
        chip.set((line, True, 150))
        span += [chip.set((line, False, 120), (line, True, 150))[0] for _ in range(3)]
    pressed = {name: [m for who, what, m in rows(machine, folder)[0] if (who, what) == (name, "on")] for name in spans}
    verdicts.check(all(len(pressed[name]) == 3 and all(map(within, spans[name], pressed[name])) for name in spans),
                   "each of 6 presses to ground is a press, at the kernel's instant, and what was found closed is none", pressed)


# Edges of each of the two.
EDGES = 500
LOADS = {
    "an idle machine": "true",
    "a processor that counts and a disk that is written to":
        "(while :; do :; done) >/dev/null 2>&1 </dev/null & echo $! >/run/load; (while :; do dd if=/dev/zero of=/var/lib/stillstand/load "
        "bs=64k count=16 conv=fsync; done) >/dev/null 2>&1 </dev/null & echo $! >>/run/load",
}


def many(verdicts, machine, chip, folder):
    """What the station stored of many edges, beside the looks at the clock around each."""
    had = 0
    for name, load in LOADS.items():
        machine.sh(load)
        spans = []
        while len(spans) < EDGES:
            spans += chip.set(*[move for _ in range(25) for move in (("MANY", True, 6), ("MANY", False, 6))])

        def stored(so_many=had + EDGES):
            edges = [m for who, _, m in rows(machine, folder)[0] if who == "many"]
            return edges if len(edges) >= so_many else None
        edges = wait_for(f"{EDGES} edges are stored", stored, 120)[had:]
        had += EDGES
        machine.sh("[ ! -e /run/load ] || kill $(cat /run/load); rm -f /run/load")
        off = sorted(max(span[0] - m["boot_ns"], m["boot_ns"] - span[1], 0) / 1e6 for span, m in zip(spans, edges))
        verdicts.check(len(edges) == EDGES and all(map(within, spans, edges)),
                       f"{name}: each of {EDGES} edges stands between the two looks at the clock around it, or at most {off[-1]:.3f} ms "
                       f"beside them (at the 99th percentile {off[EDGES * 99 // 100]:.3f} ms)", off[-3:])


def flood(verdicts, machine, chip, folder):
    """More edges than the kernel keeps while the station cannot look."""
    presses = 300
    machine.sh("kill -STOP $(cat /run/pid)")
    file = chip.file("FLOOD")
    machine.sh(f"i=0; while [ $i -lt {presses} ]; do echo pull-up > {file}; echo pull-down > {file}; i=$((i+1)); done")
    machine.sh("kill -CONT $(cat /run/pid)")

    def told():
        edges, reports = rows(machine, folder)
        lost = sum(r["edges"] for r in reports if r["switch"] == "lost" and r["name"] == "flood")
        kept = len([1 for who, _, _ in edges if who == "flood"])
        return (lost, kept) if lost + kept >= 2 * presses else None
    lost, kept = wait_for("all edges are stored or said to be lost", told, 60)
    verdicts.check(lost > 0 and lost + kept == 2 * presses,
                   f"of {2 * presses} edges in a stand-still {lost} are said to be lost, the others are kept", (lost, kept))
