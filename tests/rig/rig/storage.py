"""The disk under the journal fails, fills, becomes read-only, becomes slow, while the station runs.

In the machine the disk lies under a device mapper, so that what it does is changed under the feet of
whoever writes. What is promised is in docs/journal.md, 'When the disk fails'."""

import random
import re
import subprocess
import threading
import time

from day.lab import Broker, Verdicts, Wrong, wait_for
from rig import disk
from rig.lab import Desk, Instruments, Journal, METHOD, PLACES, Reader, settings
from rig.machine import Machine, image

SIZE = 64 << 20
MOUNT = "/var/lib/stillstand"


# Reads are good, writes are not: none of the time up, all of it down.
FAILS = "flakey /dev/vda @ 0 1 1 error_writes"


def own_blocks(image_):
    """Blocks of an ext4 file system that are its own, none of its files': sectors for each, ranges in order."""
    told = subprocess.run(["dumpe2fs", str(image_)], capture_output=True, text=True, check=True).stdout
    size = int(re.search(r"^Block size: +(\d+)", told, re.M)[1])
    ranges = [(0, int(re.search(r"^First block: +(\d+)", told, re.M)[1]))]
    for first, last in re.findall(r"(?:superblock|descriptors|GDT blocks|bitmap|table) at (\d+)(?:-(\d+))?", told):
        ranges.append((int(first), int(last or first)))
    # Its journal, and the one folder.
    for inode in ("<8>", "<2>"):
        said = subprocess.run(["debugfs", "-R", f"stat {inode}", str(image_)], capture_output=True, text=True, check=True).stdout
        for first, last in re.findall(r"\([0-9-]+\):(\d+)(?:-(\d+))?", said):
            ranges.append((int(first), int(last or first)))
    merged = []
    for first, last in sorted(ranges):
        if merged and first <= merged[-1][1] + 1:
            merged[-1] = (merged[-1][0], max(merged[-1][1], last))
        else:
            merged.append((first, last))
    return size // disk.SECTOR, merged


class Bench:
    """A station on a disk that can be made to fail."""

    def __init__(self, folder, program, seed):
        self.folder, self.program, self.number = folder, program, 0
        self.broker = Broker(folder / "broker")
        self.broker.start()
        self.reader, self.desk = Reader(self.broker.port), Desk(self.broker.port)
        self.instruments = Instruments(random.Random(seed))
        self.first = image(program, settings(self.broker.port), folder)
        self.disk = folder / "disk"
        with open(self.disk, "wb") as made:
            made.truncate(SIZE)
        # No part is kept for root, as whom the station runs here: full is full.
        subprocess.run(["mkfs.ext4", "-q", "-F", "-m", "0", str(self.disk)], check=True)
        self.sectors, self.machine = SIZE // disk.SECTOR, None

    def power_on(self):
        self.machine = Machine(self.first, disks=[["-drive", f"file={self.disk},format=raw,if=none,id=disk,cache=writeback",
                                                   "-device", "virtio-blk-pci,drive=disk"]])
        self.machine.sh(f"dmsetup create bench --noudevsync --table '0 {self.sectors} linear /dev/vda 0'")
        self.machine.sh(f"mount -t ext4 -o errors=remount-ro /dev/dm-0 {MOUNT}")
        self.machine.start_station()
        self.instruments.machine = self.machine
        self.desk.view(120)

    def becomes(self, *parts):
        """The disk is something else from now on: (sectors, target with what it takes after the device's offset)."""
        table, at = [], 0
        for sectors, target in parts:
            table.append(f"{at} {sectors} {target.replace('@', str(at))}")
            at += sectors
        assert at == self.sectors
        text = "\\n".join(table)
        self.machine.sh("dmsetup suspend --nolockfs --noflush bench --noudevsync && "
                        f"printf '{text}\\n' | dmsetup reload bench --noudevsync && dmsetup resume bench --noudevsync")

    def whole(self, target):
        self.becomes((self.sectors, target))

    def sound(self):
        self.whole("linear /dev/vda @")

    def data_fails(self):
        """Writes to files fail from now on; those of the file system's own tables and journal do not."""
        self.machine.sh("sync")
        per_block, kept = own_blocks(self.disk)
        parts, at = [], 0
        for first, last in kept:
            if first * per_block > at:
                parts.append((first * per_block - at, FAILS))
            parts.append(((last + 1 - first) * per_block, "linear /dev/vda @"))
            at = (last + 1) * per_block
        if at < self.sectors:
            parts.append((self.sectors - at, FAILS))
        self.becomes(*parts)

    def act(self):
        """One act, sent once; the reply."""
        self.number += 1
        what = {"act": "register-sample", "label": f"Lot {self.number}", "method": METHOD, "specimens": 1}
        return self.desk.act(what, threading.Event())

    def cut(self):
        self.instruments.machine = None
        self.machine.cut()
        time.sleep(0.3)

    def journal(self):
        return Journal(disk.recover(self.disk, self.folder / "look"), self.program)

    def close(self):
        if self.machine:
            self.machine.cut()
        self.instruments.close()
        for part in (self.desk, self.reader):
            part.close()
        self.broker.stop()


def refused_and_said(verdicts, bench, what):
    """Acts are refused while it lasts, and the alarm stands; a view is still given.

    What the log's file has room for already may still be written over on a full disk, and is taken rightly."""
    until, reply = time.monotonic() + 120, bench.act()
    while time.monotonic() < until and reply["outcome"] == "done":
        reply = bench.act()
    verdicts.check(reply["outcome"] == "refused", f"{what}: an act is refused with the reason", reply)
    wait_for(f"{what}: the alarm not-kept", lambda: bench.reader.alarm("not-kept"), 60)
    verdicts.check(bool(bench.desk.view(60)["places"]), f"{what}: the alarm stands, views are given")


def ends(look, seconds=60):
    try:
        return wait_for("it ends", look, seconds)
    except Wrong:
        return False


def goes_on(verdicts, bench, what):
    """It takes acts again, and nothing says any more that it does not."""
    ended = ends(lambda: not bench.reader.alarm("not-kept"))
    verdicts.check(ended, f"{what}: the alarm not-kept ends on the network")
    reply = bench.act()
    verdicts.check(reply["outcome"] == "done", f"{what}: the station goes on and takes acts", reply)


def storage(folder, program, seed):
    """All of it, one after the other."""
    verdicts, bench = Verdicts(), Bench(folder, program, seed)
    try:
        bench.power_on()
        bench.desk.soaking("The long soak", PLACES)
        bench.instruments.weighs.set()
        full(verdicts, bench)
        slow(verdicts, bench)
        read_only(verdicts, bench)
        emergency(verdicts, bench)
        broken(verdicts, bench)
        for turn in (1, 2, 3):
            forgotten(verdicts, bench, turn)
    finally:
        bench.close()
    return verdicts


def full(verdicts, bench):
    bench.machine.sh(f"dd if=/dev/zero of={MOUNT}/fill bs=64k 2>/dev/null; dd if=/dev/zero of={MOUNT}/more bs=512 2>/dev/null; true", seconds=180)
    refused_and_said(verdicts, bench, "full")
    bench.machine.sh(f"rm {MOUNT}/fill {MOUNT}/more")
    goes_on(verdicts, bench, "full, then room again, without a start")


def slow(verdicts, bench):
    bench.whole("delay /dev/vda @ 0 /dev/vda @ 0 /dev/vda @ 1500")
    took, reply = [], None
    for _ in range(3):
        began = time.monotonic()
        reply = bench.act()
        took.append(time.monotonic() - began)
    # The host's clock and the machine's differ by less than the tenth that is left for it.
    verdicts.check(min(took) >= 1.4, "slow: no act is answered before its flush of 1.5 s",
                   f"after {', '.join(f'{one:.2f}' for one in took)} s")
    wait_for("slow: the alarm disk-slow", lambda: bench.reader.alarm("disk-slow"), 90)
    verdicts.same(reply["outcome"], "done", "slow: each flush takes 1.5 s; an act is answered once it is flushed, and the alarm stands")
    bench.sound()
    began = time.monotonic()
    bench.act()
    verdicts.check(time.monotonic() - began < 10, "slow: it is as quick as before afterwards")


def read_only(verdicts, bench):
    """The file system finds a fault in itself and takes no more writes until it is mounted anew."""
    bench.machine.sh("echo 1 > /sys/fs/ext4/dm-0/trigger_fs_error")
    after_mending(verdicts, bench, "read-only")


def emergency(verdicts, bench):
    """The kernel's emergency remount, as before a forced power-off. ext4 confirms flushes then that it does not
    make, and takes writes to files that are open: whoever answers by that loses it with the mains."""
    bench.machine.sh("echo u > /proc/sysrq-trigger")
    wait_for("the file system is read-only", lambda: " ro" in bench.machine.sh(f"grep ' {MOUNT} ' /proc/mounts"), 30)
    after_mending(verdicts, bench, "emergency remount")


def after_mending(verdicts, bench, what):
    """Refused and said while it lasts; the mains fail; the file system is repaired; all is there."""
    refused_and_said(verdicts, bench, what)
    alive = bench.machine.sh("kill -0 $(cat /run/pid) && echo yes", good=False)[1].strip()
    verdicts.same(alive, "yes", f"{what}: the station still runs")
    bench.cut()
    journal = bench.journal()
    verdicts.same((journal.faults + journal.missing(bench.desk.replied(), bench.reader.heard_by_number))[:3], [],
                  f"{what}, then the mains: nothing of {len(bench.desk.replied())} replies is lost")
    subprocess.run(["e2fsck", "-fy", str(bench.disk)], capture_output=True, check=False)
    bench.power_on()
    goes_on(verdicts, bench, f"{what}, after a start on the repaired disk")


def broken(verdicts, bench):
    """Every write fails. ext4 gives its journal up then, and the disk must be mounted anew."""
    bench.whole(FAILS)
    after_mending(verdicts, bench, "EIO")


def forgotten(verdicts, bench, turn):
    """Writes fail for a moment and are good again, and then the mains fail. A kernel keeps in memory what it
    could not write and believes it written; whoever trusts that loses it here."""
    bench.data_fails()
    refused_and_said(verdicts, bench, f"EIO for a moment, {turn}")
    process = bench.machine.sh("cat /run/pid")
    bench.sound()
    goes_on(verdicts, bench, f"EIO for a moment, {turn}, without a start")
    verdicts.same(bench.machine.sh("kill -0 $(cat /run/pid); cat /run/pid"), process, f"EIO for a moment, {turn}: it is the same process")
    for _ in range(3):
        bench.act()
    bench.cut()
    journal = bench.journal()
    verdicts.same((journal.faults + journal.missing(bench.desk.replied(), bench.reader.heard_by_number))[:3], [],
                  f"EIO for a moment, then the mains, {turn}: nothing of {len(bench.desk.replied())} replies is lost")
    bench.power_on()
