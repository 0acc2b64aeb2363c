"""Horn, lamps and relay: where their lines stand when the station dies, ends, and starts again.

A simulated line that nobody holds shows its pull, as a real one shows the resistor that it was wired with:
down here, which is off. Not run where the program's settings know no outputs."""

import random
import subprocess

from day.lab import Broker, Verdicts, wait_for
from rig.gpio import Chip
from rig.lab import Desk, Instruments, PLACES, Reader, settings
from rig.machine import Machine, image

CHIP = "rig-outputs"
LINES = {"WHITE": 0, "RELAY": 1}
OUTPUTS = f"""
[outputs.white]
shows = "white"
[outputs.white.gpio]
chip = "{CHIP}"
line = "WHITE"
[outputs.machine]
shows = "shaker-relay"
[outputs.machine.gpio]
chip = "{CHIP}"
line = "RELAY"
[outputs.machine.relay]
started-by = "press"
"""


def known(folder, program):
    """Whether the program's settings know outputs."""
    trial = folder / "outputs.toml"
    trial.write_text('[outputs.white]\nshows = "white"\n[outputs.white.gpio]\nchip = "a"\nline = "b"\n')
    said = subprocess.run([program, "check", "--settings", str(trial)], capture_output=True, text=True)
    return "outputs" not in said.stdout + said.stderr


def outputs(folder, program, seed):
    verdicts = Verdicts()
    if not known(folder, program):
        print("NOT RUN: `check` has something to say of the trial file with an output (see known())", flush=True)
        return verdicts
    broker = Broker(folder / "broker")
    broker.start()
    reader, desk, instruments = Reader(broker.port), Desk(broker.port), Instruments(random.Random(seed))
    try:
        with Machine(image(program, settings(broker.port, OUTPUTS), folder)) as machine:
            instruments.machine = machine
            machine.sh("insmod /modules/gpio-sim.ko")
            chip = Chip(machine, CHIP, LINES)
            chip.plug()
            machine.start_station()
            desk.view(120)
            desk.soaking("The long soak", PLACES)
            shows(verdicts, machine, chip, desk)
            instruments.machine = None
    finally:
        instruments.close()
        for part in (desk, reader):
            part.close()
        broker.stop()
    return verdicts


def shows(verdicts, machine, chip, desk):
    def lines():
        return chip.value("WHITE"), chip.value("RELAY")
    wait_for("the lamp of a running interval is on", lambda: lines() == ("1", "0"), 60)
    verdicts.check(True, "an interval runs: its lamp is on, the relay is open")
    machine.sh("kill -KILL $(cat /run/pid)")
    wait_for("the lines fall", lambda: lines() == ("0", "0"), 30)
    verdicts.check(True, "killed: the lines fall to their pull")
    machine.start_station()
    desk.view(120)
    wait_for("the lamp is on again", lambda: chip.value("WHITE") == "1", 60)
    verdicts.same(chip.value("RELAY"), "0", "started again: the lamp is on, the relay stays open")
    machine.stop_station()
    verdicts.same(lines(), ("0", "0"), "an orderly end: all lines are off")
