"""The mains fail while the bench is at work, again and again.

Acts and presses over the network, weighings over a serial line; QEMU is killed at instants that chance
chooses, and what the machine had not flushed to its disk is lost. Then: what was acknowledged is in the
journal, once; what was published is what the journal holds; the chain is whole; what ran goes on."""

import bisect
import json
import os
import random
import threading
import time

from day.lab import Broker, Verdicts, Wrong, wait_for
from rig import disk
from rig.lab import PLACES, Ask, Desk, Instruments, Journal, METHOD, Reader, at_place, settings
from rig.machine import Machine, image

# Cylinders are run through these again and again; the last place holds a long soak.
BUSY = (1, 2, 3)
LONG = PLACES
WALK = (("first fill", "done"), ("soak", "begin"), ("loosen", "begin"), ("shake", "begin"), ("shake", "end"),
        ("irrigate", "end"), ("sedimentation", "end"))
# A clock chip knows whole seconds; the rest is the way of the view through the network on a busy host.
CLOCK_WITHIN_MS = 5000


class Bench:
    """Who works at the bench from outside, without a pause, whether there is a bench or not."""

    def __init__(self, desk):
        self.desk, self.stop, self.pressed, self.faults = desk, threading.Event(), 0, []
        self.threads = [threading.Thread(target=self.guarded, args=(self.works, place), daemon=True) for place in BUSY]
        self.threads.append(threading.Thread(target=self.guarded, args=(self.presses,), daemon=True))

    def start(self):
        for thread in self.threads:
            thread.start()

    def guarded(self, work, *what):
        try:
            work(*what)
        except Exception as fault:
            self.faults.append(f"{work.__name__}{what}: {fault!r}")

    def act(self, what):
        """The reply; ends the thread once the work is over."""
        reply = self.desk.act(what, self.stop)
        if reply is None:
            raise SystemExit
        return reply

    def done(self, what):
        reply = self.act(what)
        if reply["outcome"] not in ("done", "done-before"):
            self.faults.append(f"{what} was not taken: {reply}")
        return reply.get("made")

    def works(self, place):
        """One cylinder after the other at one place."""
        number = 0
        while not self.stop.is_set():
            number += 1
            sample = self.done({"act": "register-sample", "label": f"Lot {place}.{number}", "method": METHOD, "specimens": 1})
            made = self.done({"act": "register-specimen", "sample": sample, "place": place})
            # Out of order: refused, and that is kept too.
            if self.act({"act": "mark", "specimen": made, "step": "clean", "edge": "done"})["outcome"] != "refused":
                self.faults.append(f"a cylinder at place {place} was cleaned before it was filled")
            for step, edge in WALK:
                self.done({"act": "mark", "specimen": made, "step": step, "edge": edge})
            for of, value in (("clay", "8.0"), ("sand", "13.3")):
                self.done({"act": "enter-reading", "specimen": made, "of": of, "value": value})
            self.done({"act": "mark", "specimen": made, "step": "clean", "edge": "done"})

    def presses(self):
        """Buttons of which the station knows nothing: each press is refused, and kept. Each is sent once."""
        while not self.stop.is_set():
            self.pressed += 1
            self.desk.once(f"trigger/button-{self.pressed}", "press", 0.5)

    def end(self):
        self.stop.set()
        for thread in self.threads:
            thread.join(15)


class Laboratory:
    """Broker, readers, instruments and the disk, for as long as one trial lasts."""

    def __init__(self, folder, program, seed):
        self.folder, self.program, self.chance = folder, program, random.Random(seed)
        self.disk = disk.Disk(folder, self.chance)
        self.broker = Broker(folder / "broker")
        self.broker.start()
        self.reader = Reader(self.broker.port)
        self.desk = Desk(self.broker.port, self.written)
        self.instruments = Instruments(random.Random(seed + 1))
        self.first = image(program, settings(self.broker.port), folder)
        self.environment = ""

    def written(self):
        """Where the disk's log stands when a reply comes; every flush before the reply is before that."""
        try:
            return self.disk.written()
        except OSError:
            return 0

    def power_on(self, clock="utc"):
        machine = Machine(self.first, disks=[self.disk.attach()], clock=clock)
        machine.sh("mount -t ext4 /dev/vda /var/lib/stillstand")
        machine.start_station(self.environment)
        self.instruments.machine = machine
        return machine

    def cut(self, machine):
        self.instruments.machine = None
        machine.cut()
        # What had left the machine is on its way through the broker.
        time.sleep(0.3)
        return self.disk.settle()

    def journal(self):
        return Journal(disk.recover(self.disk.image, self.folder / "look"), self.program)

    def close(self):
        self.instruments.close()
        self.desk.close()
        self.reader.close()
        self.broker.stop()


def began(view):
    """When the long soak began by the host's own clock, in ms, and on which clock the station has it."""
    now, running = time.time() * 1000, at_place(view, LONG)["running"]
    if not running or running["step"] != "soak":
        raise Wrong(f"the long soak does not run: {running}")
    return round(now - running["elapsedMs"]), running["clock"]


def cut(folder, program, cycles, seed):
    """`cycles` cuts; the verdicts."""
    verdicts, lab = Verdicts(), Laboratory(folder, program, seed)
    bench = Bench(lab.desk)
    lost, faults, gone, requests, offs = [], [], 0, 0, []
    try:
        machine = lab.power_on()
        try:
            lab.desk.view(120)
            lab.desk.soaking("The long soak", LONG)
            first, clock = began(lab.desk.view())
            verdicts.same(clock, "boot-clock", "before any cut the soak stands on the boot clock")
            bench.start()
            lab.instruments.weighs.set()
            for number in range(1, cycles + 1):
                time.sleep(lab.chance.uniform(0.3, 3.0))
                writes, dropped = lab.cut(machine)
                requests, gone = requests + writes, gone + dropped
                journal = lab.journal()
                missing = journal.missing(lab.desk.replied(), lab.reader.heard_by_number)
                lost += missing
                faults += journal.faults
                machine = lab.power_on()
                # Some fail while they start, too.
                if lab.chance.random() < 0.25:
                    time.sleep(lab.chance.uniform(0.05, 1.5))
                    lab.cut(machine)
                    machine = lab.power_on()
                again, clock = began(lab.desk.view(120))
                offs.append(abs(again - first))
                print(f"cut {number}: {len(lab.desk.replied())} replies, {len(journal.documents)} documents, "
                      f"{writes} requests to the disk, {dropped} lost; missing {len(missing)}; "
                      f"the soak stands on the {clock}, {offs[-1]} ms off", flush=True)
                if clock != "wall-clock":
                    faults.append(f"after cut {number} the soak stands on the {clock}")
                if missing:
                    print("\n".join(missing[:3]), flush=True)
            bench.end()
            lab.instruments.weighs.clear()
            machine = finish(lab, machine)
        finally:
            machine.cut()
        verdicts.same(lost[:3], [], f"nothing acknowledged was lost in {cycles} cuts ({gone} of {requests} requests to the disk lost)")
        verdicts.same(faults[:3], [], "after each cut the journal is whole, and the soak stands on wall time")
        verdicts.check(max(offs) <= CLOCK_WITHIN_MS, f"the soak is as old as the host's watch says, {max(offs)} ms off at most", offs)
        compare(verdicts, lab, bench)
    finally:
        bench.stop.set()
        lab.close()
    return verdicts


def finish(lab, machine):
    """An orderly end after everything went out; the last machine."""
    def whole():
        machine.stop_station()
        machine.off()
        lab.disk.keep()
        return len(lab.journal().documents)
    quiet = [0, time.monotonic()]

    def all_out():
        now = len(lab.reader.documents())
        if now != quiet[0]:
            quiet[:] = [now, time.monotonic()]
        return time.monotonic() - quiet[1] > 3
    wait_for("documents stop coming", all_out, 120)
    count = whole()
    if len(lab.reader.documents()) < count:
        machine = lab.power_on()
        wait_for(f"all {count} documents are with the reader", lambda: len(lab.reader.documents()) >= count, 120)
        whole()
    return machine


def compare(verdicts, lab, bench):
    """The journal after it all, against everything that was ever told."""
    journal = lab.journal()
    verdicts.same(journal.faults, [], "the journal verifies at the end, by two implementations")
    replied = lab.desk.replied()
    verdicts.same(journal.missing(replied, lab.reader.heard_by_number)[:3], [], f"all {len(replied)} replies stand in it")
    verdicts.check(all(times == 1 for times in journal.confirmed.values()), "no act was carried out twice")
    verdicts.same(lab.desk.unlike, [], "an ask that was sent again had the same reply, word for word")
    verdicts.same(bench.faults[:3], [], "whoever worked met no refusal but the one that was meant")
    buttons = [times for name, times in journal.triggers.items() if name.startswith("button-")]
    verdicts.check(all(times == 1 for times in buttons) and len(buttons) <= bench.pressed, "no press is there twice")
    taken = [json.loads(text) for _, text in sorted(journal.documents.items())]
    verdicts.check(lab.reader.documents() == taken, f"each of {len(taken)} documents came, in order",
                   (len(lab.reader.documents()), len(taken)))
    verdicts.same((lab.reader.odd, lab.reader.unlike), ([], []), "no number came with two contents")
    masses = [document["data"]["weighing"]["text"] for document in taken if document["type"].startswith("example.stillstand.weighing")]
    verdicts.check(masses and len(masses) == len(set(masses)) and set(masses) <= lab.instruments.sent,
                   f"each of {len(masses)} weighings was on the balance, once")
    across = spans(taken)
    verdicts.check(across[1] == [], f"{across[0]} intervals in records span a cut, and each says which clock it stands on", across[1])
    verdicts.check(len(replied) > 50 and len(taken) > 10, "it was no idle bench", (len(replied), len(taken)))


def spans(documents):
    """Intervals of records with ends in two boots: how many, and those on the wrong clock."""
    count, wrong = 0, []
    for document in documents:
        for step in document["data"].get("steps", []):
            begin, end, duration = step.get("begin"), step.get("end"), step.get("duration")
            if not (begin and end and duration):
                continue
            two = begin["bootClock"]["boot"] != end["bootClock"]["boot"]
            count += two
            if duration["clock"] != ("wall-clock" if two else "boot-clock"):
                wrong.append((document["subject"], step["name"], duration["clock"]))
    return count, wrong


# A reply is noted when it reaches the host; some flushes later already, since the bench is never idle. A drive
# that is one behind is not seen by it.
BEHIND = 24


class Run:
    """Some seconds of work on a disk whose requests are all known, and what anybody was told meanwhile."""

    def __init__(self, folder, program, seconds, seed, environment=""):
        folder.mkdir()
        self.lab = lab = Laboratory(folder, program, seed)
        lab.environment = environment
        bench, self.base = Bench(lab.desk), folder / "base"
        try:
            disk.copy(lab.disk.image, self.base)
            machine = lab.power_on()
            try:
                lab.desk.view(120)
                started = lab.disk.written()
                lab.desk.soaking("The long soak", LONG)
                bench.start()
                lab.instruments.weighs.set()
                time.sleep(seconds)
            finally:
                lab.instruments.machine = None
                machine.cut()
            bench.end()
            self.requests = disk.entries(lab.disk.log, lab.disk.size)
            self.ends = [entry.end for entry in self.requests]
            self.first, self.replied = bisect.bisect(self.ends, started), lab.desk.replied()
        finally:
            bench.stop.set()
            lab.close()

    def losses(self, count, behind=0):
        """`count` instants at which the mains might have failed: for each the disk is put together as it would
        have been, and looked at without a machine. How many lose something, and what."""
        chosen = sorted(self.lab.chance.randrange(self.first, len(self.requests) + 1) for _ in range(count))
        sure, point, done, bad, told = self.base.with_suffix(".sure"), self.base.with_suffix(".point"), 0, 0, []
        disk.copy(self.base, sure)
        file = os.open(sure, os.O_RDWR)
        for at in chosen:
            covered = disk.last_flush(self.requests[:at], behind)
            disk.apply(file, self.requests[done:covered])
            done = max(done, covered)
            disk.copy(sure, point)
            with open(point, "r+b") as cut_off:
                disk.leave(cut_off.fileno(), self.requests[covered:at], self.lab.chance)
            wrong = self.look(point, self.ends[at - 1] if at else 0)
            bad += bool(wrong)
            told += [f"after request {at}: {w[:300]}" for w in wrong[:2]]
        os.close(file)
        return bad, told

    def look(self, image_, reached):
        """What is wrong with a disk on which everything stands that was told before the log reached there."""
        try:
            journal = Journal(disk.recover(image_, self.base.parent / "look"), self.lab.program)
        except Exception as fault:
            return [f"{fault!r}"]
        return journal.faults + journal.missing([ask for ask in self.replied if ask.mark <= reached])


def crash_points(folder, program, count, seed):
    """Many instants of one run; and two controls that must be seen to lose, else this check sees nothing: a
    drive that confirms too early, and a program of whose flushes three in four reach no disk."""
    verdicts, few = Verdicts(), max(10, count // 4)
    sound = Run(folder / "sound", program, 8, seed)
    bad, told = sound.losses(count)
    verdicts.same((bad, told[:3]), (0, []),
                  f"none of {count} instants among {len(sound.requests)} requests to the disk loses one of {len(sound.replied)} replies")
    verdicts.check(len(sound.replied) > 50, "it was no idle bench", len(sound.replied))
    bad, told = sound.losses(few, BEHIND)
    print("\n".join(told[:2]), flush=True)
    verdicts.check(bad > 0, f"control: on a drive that is {BEHIND} flushes behind, {bad} of {few} instants lose something", bad)
    weak = Run(folder / "weak", program, 6, seed, "LD_PRELOAD=/bin/nosync.so")
    bad, told = weak.losses(few)
    print("\n".join(told[:2]), flush=True)
    verdicts.check(bad > 0 and len(weak.replied) > 50,
                   f"control: with three flushes in four left out, {bad} of {few} instants lose something of {len(weak.replied)} replies", bad)
    return verdicts
