#!/usr/bin/env python3
"""A whole day of an invented laboratory, from the bag to the signed report: day.py PROGRAM [FOLDER]

Written as an outsider would, from docs/ and the schemas: PyPI `paho-mqtt` (MQTT 5) against a real
mosquitto, pseudo-terminals for balance and probe, Python's HTTP. People sign on, equipment is checked,
stock is weighed out, three samples are prepared, eight cylinders run interleaved at three places by foot
switch, buttons and the shaker's contact, with what goes otherwise on such a day; the broker stops and comes
back, the station is killed in the middle of a soak. Then everything that reports, records, tables and pages
say is compared with a model (`day/model.py`) that knows only what was fed in. FOLDER keeps the papers and
their pictures. Prints `good:` or `WRONG:` for each comparison, and ends with 1 if one was wrong."""

import pathlib
import shutil
import sys
import tempfile
import time

sys.dont_write_bytecode = True
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))
from day import compare, paper, story
from day.lab import Archive, Broker, Desk, Line, Probe, Station, Verdicts, Wrong, folder_of, free_port

ROOT = pathlib.Path(__file__).resolve().parents[2]
BENCH = "day-bench"
# Only durations, and only what a day cannot wait for.
SHORTER = [
    ('tempering-min = { value = 15, unit = "min"', f'tempering-min = {{ value = {story.TEMPER}, unit = "s"'),
    ('constant-mass-every = { value = 30, unit = "min"', f'constant-mass-every = {{ value = {story.BETWEEN}, unit = "s"'),
    ('required = { value = 10, unit = "min"', f'required = {{ value = {story.SOAK}, unit = "s"'),
    ('window = { min = 9, max = 11, unit = "min"', f'window = {{ min = {story.SOAK}, max = 120, unit = "s"'),
    ('required = { value = 45, unit = "s"', f'required = {{ value = {story.SHAKE}, unit = "s"'),
    ('window = { min = 44, max = 46, unit = "s"', f'window = {{ min = {story.SHAKE}, max = 60, unit = "s"'),
    ('required = { value = 20, unit = "min"', f'required = {{ value = {story.SETTLE}, unit = "s"'),
    ('window = { min = 1185, max = 1215, unit = "s"', f'window = {{ min = {story.SETTLE}, max = 120, unit = "s"'),
]
LABORATORY = ("Ostrow Materials Laboratory", "4 Kiln Lane", "Ostrow Mills")


def methods(scratch):
    folder = folder_of(scratch, "methods")
    text = (ROOT / f"config/methods/{story.METHOD}.toml").read_text()
    for shipped, short in SHORTER:
        if text.count(shipped) != 1:
            raise Wrong(f"the shipped method has {text.count(shipped)} times `{shipped}`, and one was expected")
        text = text.replace(shipped, short)
    (folder / f"{story.METHOD}.toml").write_text(text)
    return folder


def settings(work, port, broker):
    """Of a station that uses everything."""
    own = "\n".join(f'[triggers.place-{place}]\ndoes = "next"\nplace = {place}' for place in (1, 2, 3))
    config = ROOT / "config"
    return f"""
[station]
id = "{BENCH}"
title = "Bench of an invented day"
time-zone = "Europe/Lisbon"
methods = "{work}/methods"
shapes = "{config}/instruments"
equipment = "{config}/equipment"
solutions = "{config}/solutions"
[bench]
places = 3
approach-s = 1
deviations = "hold"
precision = "on"
charts = "on"
review = "on"
qualification = "note"
[journal]
path = "{work}/journal.sqlite"
[web]
listen = "127.0.0.1:{port}"
[laboratory]
name = "{LABORATORY[0]}"
address = ["{LABORATORY[1]}", "{LABORATORY[2]}"]
[network]
host = "127.0.0.1"
port = {broker}
[instruments.balance]
kind = "balance"
port = "{work}/balance.port"
shape = "balance-trailing-mark"
readability = "0.01 g"
[instruments.probe]
kind = "solution-probe"
port = "{work}/probe.port"
shape = "probe-text-unit"
[triggers.foot-switch]
does = "next"
[triggers.shaker]
does = "shaker-contact"
{own}
"""


class Site:
    """The laboratory, set up."""

    def __init__(self, program, work):
        self.work = work
        methods(work)
        self.broker = Broker(work / "broker")
        self.broker.start()
        self.balance = Line(work / "balance.port")
        self.probe = Probe(Line(work / "probe.port"), "22.4")
        port = free_port()
        (work / "stillstand.toml").write_text(settings(work, port, self.broker.port))
        self.archive = Archive(self.broker.port, BENCH)
        self.archive.subscribed.wait(10)
        self.desk = Desk(self.broker.port, BENCH)
        self.desk.granted.wait(10)
        self.station = Station(program, work / "stillstand.toml", port)
        self.station.start()
        self.archive.online()
        self.desk.reaches()

    def journal(self):
        return self.archive.documents()[-1]["data"]["station"]["journal"]["id"]

    def close(self):
        for ends in (self.station.stop, self.archive.close, self.desk.close, self.probe.end, self.broker.stop):
            ends()
        self.balance.close()
        self.probe.line.close()


def main(program, folder=None):
    began, verdicts = time.monotonic(), Verdicts()
    scratch = pathlib.Path(tempfile.mkdtemp(prefix="day-"))
    out = pathlib.Path(folder) if folder else scratch / "out"
    out.mkdir(parents=True, exist_ok=True)
    site = None
    try:
        site = Site(program, scratch)
        day = story.Day(site)
        samples = story.morning(day)
        story.bench(day, *samples)
        story.evening(day, *samples)
        print(f"the day is over after {time.monotonic() - began:.0f} s", flush=True)
        compare.all_of(day, out, verdicts)
        paper.beside(day, out, verdicts)
    except Wrong as wrong:
        verdicts.check(False, "the day can be worked through", wrong)
        if site:
            print(site.station.said(), file=sys.stderr)
    finally:
        if site:
            site.close()
        shutil.rmtree(scratch)
    print(f"{verdicts.good} comparisons good, {len(verdicts.wrong)} wrong, {time.monotonic() - began:.0f} s")
    return 1 if verdicts.wrong else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
