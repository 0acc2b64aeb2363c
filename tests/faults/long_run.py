"""Months of work, one cylinder after another, and weeks of a rehearsal with its time stepped: what grows?

The first is the station as it runs at a bench, twenty specimens at a time from the first press to the record,
in real time and as quickly as --minutes and the pace allow. The second has a clock that is moved
(`rehearse --pace 600`); the rehearsal keeps every message for its own comparison, and this grows."""

import os
import pathlib
import re
import subprocess
import time

import phases
import programs
from stand import Wrong, folder, wait_for

COMMAND = "tests/faults/run PROGRAM long --minutes 40"
# Seconds for twenty specimens: at this pace forty minutes are some 2 GB of journal.
TURN = 1.0
# MB for a thousand records, at most.
GROWTH = 75


class Figures:
    """What the kernel says of a process, again and again."""

    def __init__(self, pid, journal):
        self.pid, self.journal, self.rows = pid, pathlib.Path(journal), []

    def take(self, done):
        text = pathlib.Path(f"/proc/{self.pid}/status").read_text()
        rss, own, threads = (int(re.search(rf"^{name}:\s+(\d+)", text, re.M)[1]) for name in ("VmRSS", "RssAnon", "Threads"))
        handles = len(os.listdir(f"/proc/{self.pid}/fd"))
        size = sum(path.stat().st_size for path in (self.journal, pathlib.Path(f"{self.journal}-wal")) if path.exists())
        self.rows.append((time.monotonic(), done, rss, own, threads, handles, size))

    def late(self):
        """Without the first third, in which what is kept in sight fills up."""
        return self.rows[len(self.rows) // 3:]

    def slope(self, column, over=1):
        """By least squares: of a column over the work done."""
        rows = self.late()
        xs, ys = [row[over] for row in rows], [row[column] for row in rows]
        mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
        below = sum((x - mean_x) ** 2 for x in xs)
        return sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys)) / below if below else 0.0

    def span(self, column):
        values = [row[column] for row in self.late()]
        return min(values), max(values)


def work(program, scratch, minutes, beside):
    """(figures, records made, seconds); `beside` is called again and again."""
    broker = programs.Broker(str(scratch))
    station = programs.Station(str(scratch / "station"), broker.port, program)
    station.observe()
    station.start()
    try:
        station.probe_once_a_second()
        figures = Figures(station.process.pid, scratch / "station/journal.sqlite")
        began, done = time.monotonic(), 0
        while time.monotonic() < began + minutes * 60:
            turn = time.monotonic()
            phases.records(station, 1)
            done += programs.PLACES
            figures.take(done)
            beside()
            time.sleep(max(0.0, TURN - (time.monotonic() - turn)))
        return figures, done, time.monotonic() - began
    finally:
        station.quiet.set()
        station.stop()
        station.close()
        broker.stop()


class Rehearsal:
    """Runs beside, until told to end."""

    def __init__(self, program, scratch):
        self.out = scratch / "rehearsal"
        self.log = open(scratch / "rehearsal.log", "wb")
        self.process = subprocess.Popen([program, "rehearse", "--pace", "600", "--listen", "127.0.0.1:0", "--out", str(self.out)],
                                        stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log)
        wait_for("the rehearsal has a journal", lambda: (self.out / "journal.sqlite").exists())
        self.figures = Figures(self.process.pid, self.out / "journal.sqlite")
        self.began = time.monotonic()

    def look(self):
        if self.process.poll() is None:
            self.figures.take(0)

    def records(self):
        return sum(path.read_bytes().count(b"\n") for path in self.out.glob("records-*.jsonl"))

    def end(self):
        """Seconds, and how it ended: by itself, or when it was told to."""
        lasted, early = time.monotonic() - self.began, self.process.poll() is not None
        self.process.terminate()
        code = self.process.wait(60)
        self.log.close()
        said = pathlib.Path(self.log.name).read_text().strip().splitlines()[-1:]
        return lasted, f"it ended by itself with {code}: {said[0][:200]}" if early else f"ended with {code}", code == 0 and not early


def brief(program, table):
    """A quarter of a minute of it, too little to tell what grows: that it can be run."""
    with folder() as scratch:
        figures, done, lasted = work(program, scratch, 0.25, lambda: None)
        verified = subprocess.run([program, "verify", str(scratch / "station/journal.sqlite")], capture_output=True, text=True)
    table.row("specimen after specimen, in small", f"{lasted:.0f} s, {done:,} specimens to their records",
              "a record of each; handles flat; the journal verifies",
              f"{done:,} records, handles {span(figures, 5)}; verify ends with {verified.returncode}",
              done >= programs.PLACES and figures.span(5)[1] - figures.span(5)[0] <= 2 and not verified.returncode,
              "tests/faults/run PROGRAM long --short")


def run(program, table, short, minutes=40):
    if short:
        brief(program, table)
        return
    with folder() as scratch:
        os.nice(10)
        rehearsal = Rehearsal(program, scratch)
        try:
            figures, done, lasted = work(program, scratch, minutes, rehearsal.look)
        finally:
            stepped, ended, well = rehearsal.end()
        if done < 200:
            raise Wrong(f"{done} records only: too few to tell what grows")
        verified = subprocess.run([program, "verify", str(scratch / "station/journal.sqlite")], capture_output=True, text=True)
        row = table.row
        memory = figures.span(2)
        grows = figures.slope(2)
        row("long run at the bench", f"{lasted / 60:.0f} min, {done:,} specimens to their records ({done / 16 / 5:,.0f} weeks of 80)",
            "memory flat: under 50 KiB for a thousand records; handles and threads flat",
            f"{memory[0] / 1024:.1f} to {memory[1] / 1024:.1f} MB, {grows * 1000:+.0f} KiB for a thousand records; handles {span(figures, 5)}, threads {span(figures, 4)}; "
            f"verify ends with {verified.returncode}",
            grows * 1000 < 50 and figures.span(5)[1] - figures.span(5)[0] <= 2 and figures.span(4)[1] <= figures.span(4)[0] + 1 and not verified.returncode, COMMAND)
        growth = figures.slope(6) * 1000 / 1e6
        row("growth of the journal", f"{done:,} records", f"under {GROWTH} MB for a thousand specimens: 60 without temperatures (docs/journal.md), and a quarter of that for them",
            f"{growth:.1f} MB for a thousand records, with their result, one temperature a second of real time, and the log", growth < GROWTH, COMMAND)
        made = rehearsal.records()
        row("weeks with the clock stepped", f"{stepped * 600 / 86400:.1f} days in {stepped / 60:.0f} min, {made:,} records", "no trouble, a clean end; handles and threads do not grow",
            f"{ended}, handles {span(rehearsal.figures, 5)}, threads {span(rehearsal.figures, 4)}, {rehearsal.figures.span(2)[1] / 1024:.0f} MB "
            "with all messages that the rehearsal keeps",
            well and made > 0 and all(rehearsal.figures.span(n)[1] - rehearsal.figures.span(n)[0] <= 4 for n in (4, 5)), COMMAND)


def span(figures, column):
    least, most = figures.span(column)
    return f"{least}" if least == most else f"{least} to {most}"
