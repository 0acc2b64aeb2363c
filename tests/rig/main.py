"""The station's program in a machine of its own: called by tests/rig/run, which says how."""

import argparse
import os
import pathlib
import random
import shutil
import sys
import tempfile
import time

sys.dont_write_bytecode = True
HERE = pathlib.Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "outside")]
os.environ["PATH"] += ":/usr/sbin:/sbin"
from day.lab import Wrong
from rig import clock, cuts, gpio, outputs, storage, unit, wire
from rig.machine import Machine

# What is run when nothing is named; the rest is for an evening.
SHORT = ("cut", "points", "gpio", "outputs", "unit")


def trials(given):
    return {
        "cut": lambda folder: cuts.cut(folder, given.program, given.cycles, given.seed),
        "points": lambda folder: cuts.crash_points(folder, given.program, given.points, given.seed),
        "gpio": lambda folder: gpio.gpio(folder, given.program, given.seed),
        "clock": lambda folder: clock.clock(folder, given.program, given.seed),
        "storage": lambda folder: storage.storage(folder, given.program, given.seed),
        "outputs": lambda folder: outputs.outputs(folder, given.program, given.seed),
        "usb": lambda folder: wire.usb(folder, given.program, given.seed),
        "unit": lambda folder: unit.unit(folder, given.program, given.seed),
    }


def main():
    parser = argparse.ArgumentParser(prog="tests/rig/run", description=__doc__)
    parser.add_argument("what", nargs="*", help="short, all, or some of: cut points gpio clock storage outputs usb unit")
    parser.add_argument("--program", default=str(HERE.parents[1] / "target/release/stillstand"))
    parser.add_argument("--cycles", type=int, default=20, help="power cuts")
    parser.add_argument("--points", type=int, default=100, help="instants of the trial points")
    parser.add_argument("--seed", type=int, default=None, help="chooses all instants")
    given = parser.parse_args()
    if given.seed is None:
        given.seed = random.SystemRandom().randrange(1, 1_000_000)
    known = trials(given)
    wanted = []
    for name in given.what or ["short"]:
        wanted += SHORT if name == "short" else known if name == "all" else [name]
    unknown = [name for name in wanted if name not in known]
    if unknown:
        parser.error(f"{', '.join(unknown)}: no such trial; there are {', '.join(known)}")
    failed = []
    for name in wanted:
        print(f"--- {name}, seed {given.seed}", flush=True)
        began, folder = time.monotonic(), pathlib.Path(tempfile.mkdtemp(prefix="rig-"))
        try:
            verdicts = known[name](folder)
            good = not verdicts.wrong
        except Wrong as fault:
            print(f"WRONG: {fault}\n--- what the last machine said:\n{Machine.last_words}", flush=True)
            good = False
        finally:
            if os.environ.get("KEEP"):
                print(f"kept: {folder}", flush=True)
            else:
                shutil.rmtree(folder, ignore_errors=True)
        print(f"--- {name}: {'good' if good else 'WRONG'}, {time.monotonic() - began:.0f} s", flush=True)
        if not good:
            failed.append(name)
            print(f"again: tests/rig/run {name} --seed {given.seed} --cycles {given.cycles} --points {given.points} "
                  f"--program {given.program}", flush=True)
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
