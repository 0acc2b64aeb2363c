"""A journal in which bytes were turned over: header, schema, table, index, free room, log. It must be told,
with how far the file is sound; never be replaced by a new one, and never be changed by the telling."""

import contextlib
import hashlib
import os
import pathlib
import re
import shutil
import signal
import sqlite3
import subprocess
import time

from stand import METHOD, Bench, Broker, Reader, Wrong, folder, wait_for

COMMAND = "tests/faults/run PROGRAM damage"
PROMISED = "told, with how far the events are sound; no file is replaced or changed"


def made(program, inside):
    """A journal of some work: closed, and as it lay when the power went, with its log."""
    bench = Bench(program, inside)
    try:
        bench.start()
        return worked(bench, inside)
    finally:
        bench.close()


def worked(bench, inside):
    bench.fill(8)
    for n in range(400):
        bench.say_mass(1000 + 37 * n)
    wait_for("400 weighings", lambda: bench.count("SELECT count(*) FROM outbox") >= 400)
    backup = inside / "backup.sqlite"
    ended = bench.command("backup", str(bench.journal), str(backup))
    if ended.returncode:
        raise Wrong(f"no backup: {ended.stderr}")
    for n in range(40):
        bench.say_mass(52000 + 37 * n)
    wait_for("40 more", lambda: bench.count("SELECT count(*) FROM outbox") >= 440)
    killed = inside / "killed"
    killed.mkdir()
    bench.child.send_signal(signal.SIGSTOP)
    for name in ("", "-wal"):
        shutil.copy(f"{bench.journal}{name}", killed / f"journal.sqlite{name}")
    bench.child.send_signal(signal.SIGCONT)
    if bench.close():
        raise Wrong(f"the station ended badly: {bench.said()}")
    return bench, backup, killed / "journal.sqlite"


def pages(path):
    """One page of each kind, by name: its number, where its content begins, and whether it is a node above
    others (None: neither)."""
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
        size = db.execute("PRAGMA page_size").fetchone()[0]
        wanted = {
            "a page of events": ("event", "leaf", False), "a node above the events": ("event", "internal", True),
            "a page of documents": ("outbox", "leaf", False), "a page of inputs": ("input", "leaf", False),
            "a page of an index": ("sqlite_autoindex_input_1", "leaf", False),
        }
        found = {"the header": (1, 0, None), "the page of the tables' list": (1, 100, None)}
        for name, (of, kind, node) in wanted.items():
            rows = db.execute(
                "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = ? ORDER BY pageno", (of, kind)).fetchall()
            if rows:
                found[name] = (rows[0][0] if node else rows[len(rows) // 2][0], 0, node)
    return size, found


def in_a_cell(path, begin, by):
    """So many bytes behind the beginning of the cell in the middle of a leaf: what it holds, and no free room
    (https://www.sqlite.org/fileformat2.html, section 1.6)."""
    page = pathlib.Path(path).read_bytes()[begin:begin + 65536]
    middle = 8 + int.from_bytes(page[3:5], "big") // 2 * 2
    return int.from_bytes(page[middle:middle + 2], "big") + by


def frames(log):
    """Where the frames of a write-ahead log begin that belong to it, in order: those that carry the salts of its
    header. What lies behind them is of an earlier round, or room that was laid out, and nobody reads it
    (https://www.sqlite.org/fileformat2.html, section 4.1)."""
    data = pathlib.Path(log).read_bytes()
    size, salts, at, found = int.from_bytes(data[8:12], "big"), data[16:24], 32, []
    while data[at + 8:at + 16] == salts and at + 24 + size <= len(data):
        found.append(at)
        at += 24 + size
    return found


def turn_over(path, at, count):
    with open(path, "r+b") as file:
        file.seek(at)
        old = file.read(count)
        file.seek(at)
        file.write(bytes(255 - byte for byte in old))


def digest(path):
    """Of the file and of its log; an empty log beside it says nothing, and whoever looks may leave one."""
    return {name: hashlib.sha256(pathlib.Path(name).read_bytes()).hexdigest()
            for name in (str(path), f"{path}-wal") if pathlib.Path(name).exists() and pathlib.Path(name).stat().st_size}


def same(path, before):
    """File and log of a copy are what they were elsewhere, byte for byte."""
    return list(digest(path).values()) == list(before.values())


def starts(program, path, inside):
    """(exit code or None where it runs on, what it said) of a station on that journal."""
    bench = Bench(program, inside, journal=path)
    bench.launch()
    until, ready = time.monotonic() + 20, False
    while time.monotonic() < until and bench.child.poll() is None and not ready:
        with contextlib.suppress(OSError, Wrong):
            ready = bool(bench.is_ready())
        time.sleep(0.05)
    code = bench.child.poll()
    said = bench.said().strip()
    if code is None:
        bench.child.kill()
        bench.child.wait()
    bench.balance.close()
    bench.probe.close()
    return code, said


def one(program, scratch, source, name, damage):
    """Damages a copy, and gives what `verify`, a start and `backup` make of it."""
    work = scratch / re.sub(r"\W+", "-", name)
    work.mkdir()
    copy = work / "journal.sqlite"
    for more in ("", "-wal"):
        with contextlib.suppress(FileNotFoundError):
            shutil.copy(f"{source}{more}", f"{copy}{more}")
    damage(copy)
    before = digest(copy)
    run = lambda *words: subprocess.run([program, *words], capture_output=True, text=True, timeout=120)  # noqa: E731
    verified = run("verify", str(copy))
    untouched = digest(copy) == before
    backed = run("backup", str(copy), str(work / "copy.sqlite"))
    untouched = untouched and digest(copy) == before
    # A station may fold the log into the file: it is given a copy of its own.
    own = work / "own"
    own.mkdir()
    for more in ("", "-wal"):
        with contextlib.suppress(FileNotFoundError):
            shutil.copy(f"{copy}{more}", own / f"journal.sqlite{more}")
    code, said = starts(program, own / "journal.sqlite", own)
    refused = code is not None
    return {
        "verify": verified.returncode, "says": (verified.stdout + verified.stderr).strip(), "untouched": untouched,
        "backup": backed.returncode, "backup says": (backed.stdout + backed.stderr).strip(), "start": code, "start says": said,
        # One that starts may write; one that refuses leaves each byte as it was.
        "kept": same(own / "journal.sqlite", before) if refused else (own / "journal.sqlite").stat().st_size >= copy.stat().st_size,
    }


def words(seen):
    """The sentence about it, without the file's name and what of it differs from run to run."""
    text = re.sub(r"\S*journal\.sqlite:? ?", "", " ".join(seen.removeprefix("stillstand: ").split()))
    text = re.sub(r"journal [0-9a-f-]{36}, |, head.*", "", text)
    return text if len(text) < 130 else text[:127] + "..."


def documents(said):
    """How many documents `verify` found."""
    found = re.search(r"(\d+) documents", said)
    return int(found[1]) if found else None


def run(program, table):
    with folder() as scratch:
        bench, backup, killed = made(program, scratch)
        size, found = pages(bench.journal)
        cases = {}
        for name, (page, inside, node) in found.items():
            begin = (page - 1) * size + inside
            if node is None:
                cases[name] = lambda path, at=begin: turn_over(path, at, 64)
            elif node:
                cases[name] = lambda path, at=begin: turn_over(path, at, size)
            else:
                content = begin + in_a_cell(bench.journal, begin, 8 if "index" in name else 60)
                cases[f"{name}: its head"] = lambda path, at=begin: turn_over(path, at, 8)
                cases[f"{name}: its content"] = lambda path, at=content: turn_over(path, at, 8)
        half = bench.journal.stat().st_size // 2 // size * size
        cases["the end is missing"] = lambda path: os.truncate(path, half)
        for name, damage in cases.items():
            judge(table, name, one(program, scratch, bench.journal, name, damage))
        whole = one(program, scratch, killed, "the log as it lay", lambda path: None)
        all_frames = frames(f"{killed}-wal")
        if not all_frames:
            raise Wrong("no frame of the log is its own: nothing of it could be damaged")
        # In the page behind the head of the frame in the middle, and of the last one.
        middle, last = (all_frames[n] + 24 + 100 for n in (len(all_frames) // 2, -1))
        in_log(table, whole, len(all_frames), one(program, scratch, killed, "the log", lambda path: turn_over(f"{path}-wal", middle, 64)))
        torn(table, whole, one(program, scratch, killed, "the end of the log", lambda path: turn_over(f"{path}-wal", last, 64)))
        page, _, _ = found["a page of documents"]
        not_sent(program, table, scratch, bench.journal, lambda path: turn_over(path, (page - 1) * size, 8))
        way_back(program, table, scratch, backup)


def judge(table, name, seen):
    told = seen["verify"] == 65
    # How far the chain is sound is what is still of use.
    far = "event " in seen["says"] or not name.startswith("a page of events")
    # An index is made anew in a copy, so a copy of that journal may well be sound.
    copied = seen["backup"] != 0 or "index" in name
    # A start reads the newest part alone, and may not come by the damage; it must not hide it.
    good = told and far and seen["untouched"] and copied and seen["start"] in (None, 65, 70, 74) and seen["kept"]
    start = "a station starts, since it does not read there" if seen["start"] is None else f"a start ends with {seen['start']}"
    table.row(
        f"damaged journal: {name}", "bytes of a copy turned over", PROMISED,
        f"verify ends with {seen['verify']}: '{words(seen['says'])}'; backup ends with {seen['backup']}; {start}; "
        f"the file {'is untouched' if seen['untouched'] and seen['kept'] else 'WAS CHANGED'}", good, COMMAND)


def in_log(table, whole, count, seen):
    """Commits that were confirmed stand behind the damage: whoever went on without them would lose them unseen."""
    good = all(seen[code] == 65 for code in ("verify", "backup", "start")) and seen["untouched"] and seen["kept"]
    table.row("damaged journal: the log", f"64 bytes turned over in the middle one of its {count} frames",
              "told, with how many commits stand behind it; neither file is changed, and nobody goes on without them",
              f"verify, backup and a start end with {seen['verify']}, {seen['backup']}, {seen['start']}: '{words(seen['says'])}'; "
              f"the files {'are untouched' if seen['untouched'] and seen['kept'] else 'WERE CHANGED'}", good and whole["verify"] == 0, COMMAND)


def torn(table, whole, seen):
    """The commit that was being written, as a power cut leaves it: it was confirmed to nobody."""
    had, has = documents(whole["says"]), documents(seen["says"])
    good = seen["verify"] == 0 and seen["untouched"] and seen["backup"] == 0 and seen["start"] is None
    table.row("the log's last commit is torn", "64 bytes turned over in its last frame", "the journal ends in front of that commit, and is whole",
              f"verify ends with {seen['verify']}: '{words(seen['says'])}', of {had} documents before",
              good and whole["verify"] == 0 and None not in (had, has) and 0 < has <= had, COMMAND)


def not_sent(program, table, scratch, source, damage):
    """Documents that the network is to have lie on the damaged page."""
    inside = scratch / "not-sent"
    inside.mkdir()
    journal = inside / "journal.sqlite"
    shutil.copy(source, journal)
    damage(journal)
    broker = Broker(inside / "broker")
    broker.start()
    # Somebody takes them: else the first one is held.
    reader, bench = Reader(broker.port), Bench(program, inside, broker=broker.port, journal=journal)
    try:
        bench.start()
        text, after = bench.raised("journal-unreadable")
        before = bench.count("SELECT count(*) FROM event")
        note = bench.done("Ada Brook", {"act": "register-sample", "label": "Goes on", "method": METHOD, "specimens": 1})
        goes_on = bench.count("SELECT count(*) FROM event") > before
    finally:
        bench.close()
        reader.close()
        broker.stop()
    table.row("damaged journal: documents that are to be sent", "bytes of a copy turned over, and a broker",
              "an alarm says that they cannot be read; what happens at the bench is stored as before",
              f"`journal-unreadable` after {after:.1f} s: '{words(text)}'; an act is stored", bool(note) and goes_on, COMMAND)


def way_back(program, table, scratch, backup):
    """As docs/journal.md says: the copy at the journal's place."""
    inside = scratch / "restored"
    inside.mkdir()
    journal = inside / "journal.sqlite"
    shutil.copy(backup, journal)
    bench = Bench(program, inside, journal=journal)
    try:
        goes_on(table, bench)
    finally:
        bench.close()


def goes_on(table, bench):
    bench.start()
    before = bench.count("SELECT count(*) FROM identity")
    bench.say_mass(77700)
    wait_for("a weighing after the way back", lambda: bench.count("SELECT count(*) FROM outbox") >= 401)
    code = bench.close()
    verified, said = bench.verifies()
    table.row("the way back from a backup", "1 time, after 400 weighings", "goes on under a new identity, and verifies",
              f"{before} identities, number 401 is the next document, verify ends with {verified}",
              (code, verified, before) == (0, 0, 2), COMMAND)
