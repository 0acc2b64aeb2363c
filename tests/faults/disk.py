"""The journal's disk: slow, failing, read-only, full; by a library in front of the C library's calls
(slow_disk.c), and by a small file system where this machine lets us mount one."""

import contextlib
import json
import os
import pathlib
import re
import subprocess
import time

from stand import HERE, Bench, Broker, Hand, Reader, Wrong, boot_ns, folder, wait_for

COMMAND = "tests/faults/run PROGRAM disk"
# Temperatures that the station holds in memory while it cannot store (docs/journal.md). That a contact which
# chatters takes the places of nobody else is shown in src/daemon/station/test/trouble.rs: over the network
# more than 32 presses never wait here, since the broker keeps them until they are stored.
TEMPERATURES = 15_000


class Disk:
    """What the library does next."""

    def __init__(self, scratch):
        self.library, self.file = scratch / "slow_disk.so", scratch / "order"
        built = subprocess.run(["gcc", "-shared", "-fPIC", "-O2", "-Wall", "-Wextra", "-o", str(self.library),
                                str(HERE / "slow_disk.c"), "-ldl"], capture_output=True, text=True)
        if built.returncode:
            raise Wrong(f"slow_disk.c cannot be built: {built.stderr}")
        self.order("good")

    def order(self, words):
        new = self.file.with_suffix(".new")
        new.write_text(words + "\n")
        os.replace(new, self.file)

    def environment(self, journal):
        return {"LD_PRELOAD": str(self.library), "FAULTS_ORDER": str(self.file), "FAULTS_PATH": str(journal)}


@contextlib.contextmanager
def bench(program, scratch, name, broker=None):
    inside = scratch / name
    inside.mkdir()
    disk = Disk(inside)
    made = Bench(program, inside, broker=broker, environment=disk.environment(inside / "journal.sqlite"))
    try:
        made.start()
        yield made, disk
    finally:
        disk.order("good")
        made.close()


def note(station, specimen, text):
    """An act; (milliseconds, the answer)."""
    what = {"act": "note-specimen", "specimen": specimen, "note": "words", "text": text}
    sent, answered, reply = station.act("Ada Brook", what)
    return (answered - sent) / 1e6, reply


def slow(program, table, scratch, short):
    """Each flush takes a second and a half longer than the disk does."""
    with broker_of(scratch, "slow-broker") as broker, bench(program, scratch, "slow", broker.port) as (station, disk):
        hand = Hand(broker.port)
        specimen = station.fill(1)[0]
        hand.is_heard()
        disk.order("slow 1500")
        marks, apart = [], 4.0
        for _ in range(2):
            marks.append(hand.send("place-1"))
            time.sleep(apart)
        took = [note(station, specimen, f"look {n}")[0] for n in range(2 if short else 5)]
        text, _ = station.raised("disk-slow")
        disk.order("good")
        stamps = [json.loads(moment)["boot_ns"] for moment, in station.rows(
            "SELECT moment FROM event WHERE kind = 'point-marked' ORDER BY seq")][-2:]
        bent = abs((stamps[1] - stamps[0]) - (marks[1] - marks[0])) / 1e6
        again = note(station, specimen, "quick again")[0]
        hand.close()
        table.row(
            "slow flush of the disk", f"each fsync 1.5 s longer, {len(took)} acts, two presses {apart:.0f} s apart",
            "the alarm `disk-slow`; answers only once it is stored; no interval is bent",
            f"'{text}'; acts answered after {min(took):.0f} to {max(took):.0f} ms, afterwards {again:.0f} ms; "
            f"the interval between the presses is off by {bent:.1f} ms",
            min(took) >= 1400 and bent < 50 and again < 1000, COMMAND)


@contextlib.contextmanager
def broker_of(scratch, name):
    made = Broker(scratch / name)
    made.start()
    try:
        yield made
    finally:
        made.stop()


def failing(program, table, scratch, order, fault, says, short):
    """Writing fails for some seconds: acts are refused, the bench's inputs wait with their instants."""
    name = order.replace(" ", "-")
    with broker_of(scratch, f"{name}-broker") as broker, bench(program, scratch, name, broker.port) as (station, disk):
        hand = Hand(broker.port)
        reader = Reader(broker.port)
        specimen = station.fill(2)[0]
        hand.is_heard()
        before = station.count("SELECT count(*) FROM event WHERE kind = 'point-marked'")
        disk.order(order)
        first = note(station, specimen, "while it fails")[1]
        text, after = station.raised("not-kept")
        sent = boot_ns()
        hand.send("place-2")
        station.say_mass(4711)
        time.sleep(2 if short else 8)
        refused = [note(station, specimen, "again")[1] for _ in range(5)]
        disk.order("good")
        healed = station.ceased("not-kept")
        wait_for("the press is stored", lambda: station.count("SELECT count(*) FROM event WHERE kind = 'point-marked'") > before)
        wait_for("the weighing is stored", lambda: station.documents() >= 1)
        kept = json.loads(station.rows("SELECT moment FROM event WHERE kind = 'point-marked' ORDER BY seq DESC LIMIT 1")[0][0])["boot_ns"]
        late = (kept - sent) / 1e6
        works = note(station, specimen, "works again")[1]["outcome"]
        reader.reaches(1, 20)
        reader.close()
        hand.close()
        station.close()
        code, said = station.verifies()
        refusals = all(answer["outcome"] == "refused" for answer in (first, *refused))
        notes = station.count("SELECT count(*) FROM event WHERE payload LIKE '%while it fails%'")
        table.row(
            fault, f"{2 if short else 8} s, 6 acts, a press, a weighing",
            "the alarm `not-kept`; acts are refused with the reason; presses and weighings wait with their instants; it goes on without a start",
            f"`not-kept` after {after:.1f} s ('{said_of(text)}'), {'all acts refused' if refusals else 'AN ACT WAS TAKEN'}; "
            f"press stamped {late:.1f} ms after it was sent, weighing published; healed {healed:.1f} s after the disk; verify ends with {code}",
            refusals and not notes and says in said_of(text) and abs(late) < 50 and works == "done" and code == 0, COMMAND)
        if code:
            print(f"      {said}")


def said_of(text):
    """The sentence without the file's name."""
    return text.split(" could not be ", 1)[-1].split(" (")[0]


def crowded(program, table, scratch):
    """More temperatures than the memory has places for; then a press and a weighing, which have their own."""
    many = TEMPERATURES + 7000
    with broker_of(scratch, "crowd-broker") as broker, bench(program, scratch, "crowd", broker.port) as (station, disk):
        hand = Hand(broker.port)
        specimen = station.fill(2)[0]
        hand.is_heard()
        is_watched(station, hand)
        before = station.count("SELECT count(*) FROM event WHERE kind = 'point-marked'")
        disk.order("write-eio")
        note(station, specimen, "it fails")
        station.raised("not-kept")
        for n in range(many):
            station.probe.write(b"TEMP   %4.1f C\r\n" % (21.5 + n % 10 / 10))
        wait_for("the probe is heard to its end", lambda: heard(station) >= many, 60)
        hand.send("place-2")
        station.say_mass(4711)
        # Nothing shows that both are in the station while it cannot store them: some rounds of its loop.
        time.sleep(2)
        text = station.alarm("not-kept")
        disk.order("good")
        station.ceased("not-kept")
        left = left_out(text)
        temperatures = settled(lambda: station.count(STORED))
        presses = station.count("SELECT count(*) FROM event WHERE kind = 'point-marked'") - before
        masses = station.documents()
        hand.close()
        said = "temperatures are left out" in text
        table.row(
            "failing disk for hours", f"{many} temperatures, then a press and a weighing, while writing fails",
            f"temperatures have {TEMPERATURES:,} places, and the alarm says how many found none; a press and a weighing have places of their own",
            f"{left:,} temperatures left out by the alarm, {temperatures:,} stored, {presses} of 1 presses, {masses} of 1 weighings stored; "
            f"the alarm {'says what was left out' if said else 'does not say what was left out'}",
            presses == 1 and masses == 1 and said and left > 0 and temperatures + left == many, COMMAND)


STORED = "SELECT count(*) FROM event WHERE kind = 'temperature-read'"


def is_watched(station, hand):
    """Marks the specimen at place 1 until its temperature is watched: then each reading is stored, and what is
    missing can be counted."""
    begun = "SELECT count(*) FROM event WHERE kind = 'point-marked' AND payload LIKE '%\"first fill\"%'"
    for _ in range(3):
        if station.count(begun):
            return
        hand.press(1)
    raise Wrong("the specimen at place 1 does not come to the fill from which its temperature is watched")


def left_out(text):
    """How many temperatures an alarm says that it left out."""
    found = re.search(r"([\d,]+) temperatures", text)
    return int(found[1].replace(",", "")) if found else 0


def settled(look):
    """A count, once it has not risen for two seconds."""
    before, since = look(), time.monotonic()
    while time.monotonic() < since + 2:
        time.sleep(0.2)
        if (now := look()) != before:
            before, since = now, time.monotonic()
    return before


def heard(station):
    """Lines that the probe said, as the pages show it."""
    return next(one["lines"] for one in station.view()["instruments"] if one["name"] == "probe")


def full(program, table, scratch):
    """A file system of 24 MB of our own, filled to the last byte."""
    tries = subprocess.run(["unshare", "-m", "sh", "-c", "mount -t tmpfs -o size=1m tmpfs /mnt"], capture_output=True)
    if tries.returncode:
        print("NOT RUN: this machine lets us mount no small file system (unshare -m, mount)", flush=True)
        return
    inside = scratch / "small"
    (inside / "disk").mkdir(parents=True)
    mount = f'mount -t tmpfs -o size=24m tmpfs "{inside}/disk" && exec "$0" "$@"'
    station = Bench(program, inside, prefix=["unshare", "-m", "sh", "-c", mount], more="", journal=inside / "disk/journal.sqlite")
    try:
        station.start()
        filled(program, table, scratch, station, pathlib.Path(f"/proc/{station.child.pid}/root{inside}/disk"))
    finally:
        station.close()


def filled(program, table, scratch, station, seen):
    specimen = station.fill(1)[0]
    kept, answer = 0, {}
    for n in range(4000):
        # The log may have room of its own for some that come after the last free byte is gone.
        if n == 50:
            fill_up(seen)
        answer = note(station, specimen, f"note no. {n:05} " + "x" * 150)[1]
        if answer["outcome"] != "done":
            break
        kept += 1
    if "not kept" not in answer.get("text", ""):
        raise Wrong(f"after {kept} acts on a full disk: {answer}")
    text, after = station.raised("not-kept")
    (seen / "filler").unlink()
    healed = station.ceased("not-kept")
    works = note(station, specimen, "works again")[1]["outcome"]
    # A copy that is taken from within: a path through /proc is none that the database follows.
    copy = scratch / "copy.sqlite"
    within = ["nsenter", "-t", str(station.child.pid), "-m", program, "backup", str(station.journal), str(copy)]
    backed = subprocess.run(within, capture_output=True, text=True)
    station.close()
    if backed.returncode:
        raise Wrong(f"no backup from within: {backed.stderr}")
    station.journal = copy
    # A note is one act: each stands once.
    notes = station.count("SELECT count(DISTINCT substr(payload, instr(payload, 'note no. '), 14)) FROM event WHERE payload LIKE '%note no. %'")
    code, _ = station.verifies()
    table.row(
        "full disk", f"24 MB filled to the last byte, {kept} acts until one was refused",
        "acts are refused and not half stored; what was confirmed is there; it goes on without a start once there is room",
        f"refused with '{answer['text'].split('.')[0]}', `not-kept` after {after:.1f} s, {notes} of {kept} confirmed notes "
        f"stored, healed {healed:.1f} s after there was room, verify ends with {code}",
        works == "done" and code == 0 and notes == kept >= 50 and "full" in text, COMMAND)


def fill_up(disk):
    with contextlib.suppress(OSError), open(disk / "filler", "ab", buffering=0) as file:
        while file.write(b"\0" * 4096) == 4096:
            pass


def run(program, table, short=False):
    with folder() as scratch:
        slow(program, table, scratch, short)
        failing(program, table, scratch, "sync-eio", "flush of the disk fails (EIO)", "failed", short)
        failing(program, table, scratch, "write-eio", "writing fails (EIO)", "failed", short)
        failing(program, table, scratch, "read-only", "file system turned read-only (EROFS)", "failed", short)
        failing(program, table, scratch, "full", "no room by the disk's word (ENOSPC)", "full", short)
        full(program, table, scratch)
        if not short:
            crowded(program, table, scratch)
