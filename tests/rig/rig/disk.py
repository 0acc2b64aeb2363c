"""A disk with a cache that a power cut empties.

QEMU writes each request of the machine into a log (its driver `blklogwrites`; the format is that of the
kernel's dm-log-writes). After a cut the disk is put together from it: everything up to the last flush
that was confirmed, and of what came after it only a part that chance leaves, some of it torn."""

import os
import pathlib
import shutil
import struct
import subprocess
from typing import NamedTuple

MAGIC = 0x6A736677736872
SECTOR = 512
# Pages of the disk are written whole or not at all; a write of several may end between two of them.
PAGE = 4096
FLUSH, DISCARD = 1, 4
LARGEST = 8 << 20


class Entry(NamedTuple):
    """One request: where, which flags, what, and where its entry ends in the log."""
    offset: int
    flags: int
    data: bytes
    end: int


def entries(path, size):
    """The requests of a log in their order; an entry that the cut tore is the end."""
    log = pathlib.Path(path).read_bytes()
    if len(log) < SECTOR:
        return []
    magic, _version, _count, sector = struct.unpack_from("<QQQI", log)
    assert magic == MAGIC, "the log is not one of writes"
    at, found = sector, []
    while at + sector <= len(log):
        where, sectors, flags, _length = struct.unpack_from("<QQQQ", log, at)
        length = sectors * sector
        if flags > 15 or length > LARGEST or where * sector + length > size or (where, sectors, flags) == (0, 0, 0):
            break
        held = length if sectors and not flags & DISCARD else 0
        if at + sector + held > len(log):
            break
        found.append(Entry(where * sector, flags, log[at + sector:at + sector + held], at + sector + held))
        at += sector + held
    return found


def last_flush(requests, behind=0):
    """How many requests the last flush among them covers, itself included; or, of a drive that confirms
    before it has written, a flush so many before the last."""
    found = [n for n, entry in enumerate(requests, 1) if entry.flags & FLUSH]
    return found[-1 - behind] if len(found) > behind else 0


def apply(file, requests):
    for entry in requests:
        if entry.data:
            os.pwrite(file, entry.data, entry.offset)


def leave(file, requests, chance):
    """Of writes that no flush covers: half are gone, a fifth are torn; how many are gone."""
    gone = 0
    for entry in requests:
        if not entry.data:
            continue
        luck = chance.random()
        if luck < 0.5:
            gone += 1
            continue
        data = entry.data
        if luck < 0.7 and len(data) > PAGE:
            data = data[:chance.randrange(1, len(data) // PAGE + 1) * PAGE]
        os.pwrite(file, data, entry.offset)
    return gone


def copy(source, target):
    subprocess.run(["cp", "--sparse=always", str(source), str(target)], check=True)


class Disk:
    """An ext4 file system on such a disk."""

    def __init__(self, folder, chance, megabytes=96):
        self.folder, self.chance, self.size = folder, chance, megabytes << 20
        self.image, self.live, self.log = folder / "disk", folder / "disk.live", folder / "disk.log"
        with open(self.image, "wb") as made:
            made.truncate(self.size)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(self.image)], check=True)

    def attach(self):
        """What QEMU is told of it."""
        copy(self.image, self.live)
        self.log.write_bytes(b"")
        return ["-blockdev", "driver=blklogwrites,node-name=disk,log-sector-size=512,"
                f"file.driver=file,file.filename={self.live},log.driver=file,log.filename={self.log}",
                "-device", "virtio-blk-pci,drive=disk"]

    def written(self):
        """How long the log is by now."""
        return os.stat(self.log).st_size

    def settle(self):
        """After a cut: what the disk holds then. How many requests there were, how many writes are gone."""
        requests = entries(self.log, self.size)
        covered = last_flush(requests)
        file = os.open(self.image, os.O_RDWR)
        apply(file, requests[:covered])
        gone = leave(file, requests[covered:], self.chance)
        os.close(file)
        return len(requests), gone

    def keep(self):
        """After an orderly end: everything."""
        shutil.move(self.live, self.image)


def recover(image, into, name="stillstand.sqlite"):
    """The journal out of an image of a disk, as the next start finds it: the file system's own recovery
    first (on a copy), then the files. A file system that cannot be repaired ends here."""
    into.mkdir(parents=True, exist_ok=True)
    look = into / "image"
    copy(image, look)
    done = subprocess.run(["e2fsck", "-fy", str(look)], capture_output=True, text=True)
    if done.returncode > 1:
        raise RuntimeError(f"the file system is damaged, e2fsck ended with {done.returncode}: {done.stdout[-1000:]}")
    for suffix in ("", "-wal"):
        (into / (name + suffix)).unlink(missing_ok=True)
        subprocess.run(["debugfs", "-R", f"dump {name}{suffix} {into / (name + suffix)}", str(look)], capture_output=True, check=True)
        if (into / (name + suffix)).exists() and (into / (name + suffix)).stat().st_size == 0:
            (into / (name + suffix)).unlink()
    look.unlink()
    return into / name
