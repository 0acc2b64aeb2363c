"""The day: what people, balance, probe, switches and the shaker did, over the station's public interfaces.

Everything that is fed in is kept in `Day`, with the instants at which it was sent and answered, on the
script's own clock. Nothing that the station says is kept there but identities, which acts need."""

import dataclasses
import datetime
import json
import time
import uuid
import zoneinfo

from .lab import PATIENCE, Wrong, boot_ns, wait_for

ZONE = zoneinfo.ZoneInfo("Europe/Lisbon")
METHOD = "aashto-t176-mechanical"
# What the method's copy asks for, seconds. Long enough for a busy machine to be within, short for a test.
SOAK, SHAKE, SETTLE, TEMPER, BETWEEN = 3, 2, 3, 3, 2
# So much longer than the least, after the answer to the mark before: with the time that an answer takes it
# keeps clear of where tenths of a second are rounded, so that a worksheet by hand shows what the report does.
SLACK = 0.27
ADA, BEN, CLEO = "Ada Brook", "Ben Hall", "Cleo Marsh"


@dataclasses.dataclass
class Mark:
    """One instant: not before `sent`, not after `answered`, of the boot clock. `stated`: the wall time that
    a person gave for it."""

    sent: int
    answered: int
    who: str | None
    stated: int | None = None


@dataclasses.dataclass
class Specimen:
    sample: "Sample"
    number: int
    place: int
    id: str
    marks: dict = dataclasses.field(default_factory=dict)
    readings: dict = dataclasses.field(default_factory=dict)
    readers: dict = dataclasses.field(default_factory=dict)
    corrected: dict = dataclasses.field(default_factory=dict)
    notes: list = dataclasses.field(default_factory=list)
    voided: str | None = None
    replaced_by: "Specimen | None" = None
    admitted: str | None = None
    mass: str | None = None
    tin: str | None = None
    workers: set = dataclasses.field(default_factory=set)

    @property
    def label(self):
        return f"{self.sample.label}-{self.number}"


@dataclasses.dataclass
class Sample:
    label: str
    particulars: dict
    planned: int
    id: str = ""
    course: str | None = None
    masses: dict = dataclasses.field(default_factory=dict)
    casts: list = dataclasses.field(default_factory=list)
    tins: dict = dataclasses.field(default_factory=dict)
    filled: dict = dataclasses.field(default_factory=dict)
    accepted: tuple | None = None
    before: str | None = None
    dried_at: list = dataclasses.field(default_factory=list)
    dried: list = dataclasses.field(default_factory=list)
    skipped: dict = dataclasses.field(default_factory=dict)
    specimens: list = dataclasses.field(default_factory=list)
    decisions: list = dataclasses.field(default_factory=list)


class Day:
    def __init__(self, site):
        self.site, self.station, self.archive, self.desk = site, site.station, site.archive, site.desk
        self.weighed, self.ahead = [], time.time_ns() - boot_ns()
        self.samples, self.parts, self.checks, self.batches = [], {}, {}, {}
        self.kept_press = None
        self.outage = None

    def wall(self, boot):
        """The laboratory's time of day at an instant of the boot clock."""
        return datetime.datetime.fromtimestamp((boot + self.ahead) / 1e9, ZONE)

    # Acts

    def act(self, who, do, **more):
        return self.station.done(who, do, **more)

    def people_act(self, who, **do):
        return self.act(who, {"act": "review", **do})[2]

    def equipment(self, who, **do):
        return self.act(who, {"act": "equipment", **do})

    def solution(self, who, **do):
        return self.act(who, {"act": "solution", **do})

    def prepare(self, sample, who=ADA, **do):
        return self.act(who, {"act": "preparation", "sample": sample.id, **do})

    def weigh(self, grams):
        """The balance prints; the weighing goes out."""
        before = len(self.archive.documents("weighing"))
        self.site.balance.say(f"{grams:>11} g\r\n")
        new = lambda: [d for d in self.archive.documents("weighing")[before:] if d["data"]["weighing"]["text"] == grams]
        self.weighed.append(wait_for(f"the weighing of {grams} g", new)[0]["id"])

    def check(self, item, check, masses=(), begin=False, **found):
        """`begin`: its masses come from the balance, or its time runs."""
        if begin or masses:
            self.equipment(ADA, what="begin-check", item=item, check=check)
        for grams in masses:
            self.site.balance.say(f"{grams:>11} g\r\n")
            wait_for("the mass of the check", lambda: self.station.json("/view")["equipment"]["checking"]["masses"])
        self.equipment(ADA, what="check", item=item, check=check, found=found)
        self.checks[(item, check)] = masses or found

    # Morning

    def people(self):
        ada = self.people_act(ADA, what="add-person", name=ADA, roles=["administer", "operate"], code="7Q4K")
        self.people_act(None, what="sign-on", code="7Q4K")
        ben = self.people_act(ADA, what="add-person", name=BEN, roles=["operate"], badge="NL-STAFF-000011")
        cleo = self.people_act(ADA, what="add-person", name=CLEO, roles=["operate", "review"], badge="NL-STAFF-000012")
        for person in (ada, ben, cleo):
            self.people_act(ADA, what="qualify", person=person, method=METHOD, note="observed test of 2026-03-02")
        for badge in ("NL-STAFF-000011", "NL-STAFF-000012"):
            self.people_act(None, what="sign-on", badge=badge)

    def apparatus(self):
        kit = lambda item, kind, **more: self.equipment(ADA, what="register", item=item, kind=kind, kit=True, **more)
        kit("M-1", "check-mass", title="certificate 12", **{"class": "F1"}, nominal="1000")
        self.check("M-1", "calibration", good=True, note="certificate 12")
        kit("BAL-1", "balance", **{"class": "G1"}, instrument="balance")
        self.check("BAL-1", "check mass", ["1000.01"], **{"with": "M-1", "zero": "0.00", "zero-after": "0.00"})
        kit("FOOT-1", "foot-assembly")
        self.check("FOOT-1", "mass", ["1001.37"])
        kit("SHK-1", "shaker")
        self.check("SHK-1", "rate", cycles=350, seconds="120")
        self.check("SHK-1", "throw", value="203.4")
        for place in (1, 2, 3):
            kit(f"CYL-{place}", "cylinder", place=place)
            self.check(f"CYL-{place}", "scale", value="381.1")
            self.check(f"CYL-{place}", "bore", value="31.80")
        daily = [("FOOT-1", "free"), ("SHK-1", "mount"), *((f"CYL-{p}", "whole") for p in (1, 2, 3))]
        self.equipment(ADA, what="all-in-order", items=[{"item": i, "check": c} for i, c in daily])

    def stock(self):
        """2.5 L of stock, weighed out; 3.8 L of working solution from it, put in use."""
        self.solution(BEN, what="begin", batch="ST-1", recipe="t176-stock-glutaraldehyde", volume="2.5", unit="L", water="distilled")
        self.batches["ST-1"] = ("t176-stock-glutaraldehyde", "2.5")
        for component, grams, lot in (("calcium chloride", "381.90", "C-17"), ("glycerin", "1357.20", "G-2291"), ("glutaraldehyde", "39.10", "P-4")):
            self.solution(BEN, what="await-component", batch="ST-1", component=component)
            self.weigh(grams)
            self.solution(BEN, what="note-lot", batch="ST-1", component=component, lot=lot, expires="2099-03-31")
            self.parts[("ST-1", component)] = grams
        for step in ("dissolve", "cool", "filter", "mix"):
            self.solution(BEN, what="step-done", batch="ST-1", step=step)
        self.state("ST-1", "make up", "2.5", "L")
        self.solution(BEN, what="finish", batch="ST-1", expires="2031-06-30")
        self.solution(BEN, what="begin", batch="W-1", recipe="t176-working", volume="3.8", unit="L", water="distilled", stock="ST-1")
        self.batches["W-1"] = ("t176-working", "3.8")
        self.state("W-1", "stock", "85", "mL")
        self.state("W-1", "make up", "3.8", "L")
        self.solution(BEN, what="step-done", batch="W-1", step="mix")
        self.solution(BEN, what="finish", batch="W-1")
        self.solution(BEN, what="put-in-use", batch="W-1")

    def state(self, batch, component, value, unit):
        self.solution(BEN, what="state-component", batch=batch, component=component, value=value, unit=unit,
                      **{"with": "measuring cylinder"})
        self.parts[(batch, component)] = f"{value} {unit}"

    # Samples

    def register(self, sample, who=ADA):
        do = {"act": "register-sample", "label": sample.label, "method": METHOD, "specimens": sample.planned}
        sample.id = self.act(who, {**do, "particulars": sample.particulars})[2]
        self.samples.append(sample)

    def find(self, scan):
        return self.act(ADA, {"act": "intake", "what": "find", "scan": scan})[2]

    def sample_mass(self, sample, name, grams, who=ADA):
        self.act(who, {"act": "await-sample-mass", "sample": sample.id, "name": name})
        self.weigh(grams)
        sample.masses[name] = grams

    def follow(self, sample, course, grams, who=ADA):
        """Up to what was weighed of it."""
        sample.course = course
        self.prepare(sample, who, what="follow", course=course)
        for step in ("sieve", "keep the fines"):
            self.prepare(sample, who, what="done", step=step)
        self.sample_mass(sample, "passing", grams, who)

    def skip(self, sample, step, why, who=ADA):
        self.prepare(sample, who, what="skip", step=step, reason=why)
        sample.skipped[step] = why

    def fill(self, sample, mark, who=ADA, empty=None, remix=False):
        if empty:
            self.prepare(sample, who, what="weigh-empty-tin", mark=mark)
            self.weigh(empty)
        if remix:
            self.prepare(sample, who, what="remix")
        sample.filled[mark] = self.prepare(sample, who, what="fill-tin", mark=mark)[:2]
        sample.tins[mark] = empty

    def dry(self, sample, of, grams, since=None):
        """A weighing of load 1; `since`: not before the method's interval after that instant."""
        if since:
            pause(since[1] + (BETWEEN + 0.3) * 1e9)
        mass = {"mass": of, "load": 1} if of != "empty-pan" else {"mass": of}
        self.prepare(sample, what="await-drying-mass", of=mass)
        sent = boot_ns()
        self.weigh(grams)
        return sent, boot_ns()

    # Specimens

    def stand(self, sample, place, who=ADA):
        made = self.act(who, {"act": "register-specimen", "sample": sample.id, "place": place})[2]
        return self.stands(sample, place, made)

    def stands(self, sample, place, made):
        specimen = Specimen(sample, len(sample.specimens) + 1, place, made)
        sample.specimens.append(specimen)
        if sample.tins:
            specimen.tin = list(sample.tins)[specimen.number - 1]
        return specimen

    def mark(self, specimen, step, edge, who=ADA, **more):
        """On the page."""
        do = {"act": "mark", "specimen": specimen.id, "step": step, "edge": edge}
        sent, answered, _ = self.act(who, do, **more)
        specimen.marks[step, edge] = Mark(sent, answered, who)
        specimen.workers.add(who)

    def press(self, specimen, step, edge, trigger=None, payload="press"):
        """By a switch over the network; its own place's button unless another is said."""
        sent, replied, reply = self.desk.press(trigger or f"place-{specimen.place}", payload)
        if reply.get("outcome") != "done" or reply.get("made"):
            raise Wrong(f"{specimen.label}, {step} {edge}: the press was answered {reply}")
        specimen.marks[step, edge] = Mark(sent, replied, None)

    def begin(self, specimen, who=None):
        """`who`: on the page; else the button from the tap on."""
        self.mark(specimen, "first fill", "done", who or ADA)
        if who:
            self.mark(specimen, "soak", "begin", who)
        else:
            self.press(specimen, "tap", "done")
            self.press(specimen, "soak", "begin")

    def shake(self, specimen, meanwhile=None, seconds=SHAKE + SLACK, who=None):
        """From the end of the soak to the begin of the sedimentation."""
        after(specimen, "soak", "begin", SOAK + SLACK)
        for step, edge, trigger, payload in (
                ("loosen", "begin", None, "press"), ("shake", "begin", "shaker", "on"), ("shake", "end", "shaker", "off"),
                ("irrigate", "begin", None, "press"), ("irrigate", "end", None, "press")):
            if (step, edge) == ("shake", "end"):
                if meanwhile:
                    meanwhile()
                after(specimen, "shake", "begin", seconds)
            if who:
                self.mark(specimen, step, edge, who)
            else:
                self.press(specimen, step, edge, trigger, payload)

    def read(self, specimen, clay, sand, who):
        for of, text in (("clay", clay), ("sand", sand)):
            self.enter(specimen, of, text, who)
        self.mark(specimen, "clean", "done", who)

    def enter(self, specimen, of, text, who):
        do = {"act": "enter-reading", "specimen": specimen.id, "of": of, "value": text, "confirmed": False}
        sent, answered, _ = self.act(who, do)
        specimen.readings[of], specimen.readers[of] = text, (who, sent, answered)
        specimen.workers.add(who)

    def finish(self, specimen, clay, sand, who=ADA, page=False):
        after(specimen, "irrigate", "end", SETTLE + SLACK)
        if page:
            self.mark(specimen, "sedimentation", "end", who)
        else:
            self.press(specimen, "sedimentation", "end")
        self.read(specimen, clay, sand, who)

    def decide(self, sample, what, reason, who=CLEO):
        """By the page's list: the newest document of the result and of each record."""
        documents = [self.archive.newest("result", sample.id), *(self.archive.newest("record", s.id) for s in sample.specimens)]
        ids = [d["id"] for d in documents if d]
        do = {"act": "review", "what": what, "of": {"sample": sample.id}, "documents": ids, "reason": reason}
        return do

    def settled(self):
        """Everything that the station has published is with the archive."""
        def all_there():
            newest = self.station.json("/records/list?versions=all&limit=1")["newest"]
            return newest == len(self.archive.documents())
        wait_for("the archive has every document", all_there)


def pause(until):
    """Until an instant of the boot clock: laboratories wait."""
    left = (until - boot_ns()) / 1e9
    if left > 0:
        time.sleep(left)


def after(specimen, step, edge, seconds):
    """So long after an instant, whenever within its bounds it was."""
    pause(specimen.marks[step, edge].answered + seconds * 1e9)


def morning(day):
    day.people()
    day.apparatus()
    quarry, river, pit = (Sample(label, said, 2) for label, said in SAID)
    day.register(quarry)
    # The river sand's bag bears its own code already, which is scanned into the identifier.
    day.register(river, BEN)
    day.register(pit)
    day.follow(quarry, "oven-dry-2", "1204.50")
    for step in ("reduce", "weigh what is left"):
        day.skip(quarry, step, "not done here")
    for finding, changed in (("too-dry", "30 mL of water added, mixed"), ("good", None)):
        more = {"changed": changed} if changed else {}
        quarry.accepted = day.prepare(quarry, what="cast", finding=finding, **more)[:2]
        quarry.casts.append((finding, changed))
    day.stock()
    day.follow(river, "alternate-1", "1310.20", BEN)
    day.prepare(river, BEN, what="done", step="reduce")
    day.skip(river, "weigh what is left", "the agency asks for no mass", BEN)
    for mark in ("R-1", "R-2"):
        day.fill(river, mark, BEN)
    day.act(ADA, {"act": "prepare", "sample": pit.id, "what": {"done": "sieved"}})
    day.sample_mass(pit, "passing", "1100.00")
    pause(quarry.accepted[1] + (TEMPER + 0.3) * 1e9)
    for mark, empty in (("T-7", "45.20"), ("T-8", "45.40")):
        day.fill(quarry, mark, empty=empty, remix=True)
    drying(day, quarry)
    return quarry, river, pit


def drying(day, quarry):
    day.prepare(quarry, what="begin-drying", tins=[1, 2])
    day.dry(quarry, "before-drying", "352.90")
    quarry.before = "352.90"
    day.prepare(quarry, what="note-oven", load=1, temperature="110", unit="Cel")
    at = None
    for grams in ("350.60", "350.20", "350.10"):
        at = day.dry(quarry, "dried", grams, at)
        quarry.dried.append(grams)
        quarry.dried_at.append(at)
    day.prepare(quarry, what="cooled", load=1)


def bench(day, quarry, river, pit):
    """Eight cylinders at three places, interleaved."""
    q1 = day.stand(quarry, 1)
    day.begin(q1)
    r1 = day.stand(river, 2, BEN)
    day.shake(q1, lambda: day.begin(r1))
    p1 = day.stand(pit, 3)
    day.act(ADA, {"act": "await-specimen-mass", "specimen": p1.id})
    day.weigh("131.25")
    p1.mass = "131.25"
    # The shaker was stopped at once: too short.
    day.shake(r1, seconds=0)
    day.begin(p1)
    kept(day, q1, r1)
    day.read(q1, "7.95", "13.22", ADA)
    day.press(r1, "sedimentation", "end")
    day.read(r1, "7.5", "12.9", BEN)
    q2 = day.stand(quarry, 1)
    day.shake(p1, lambda: day.begin(q2))
    r2 = replaced(day, r1, 2)
    missed(day, p1)
    day.site.probe.celsius = "22.9"
    day.shake(q2, lambda: day.begin(r2))
    # The broker is away; people go on at the page.
    day.site.broker.stop()
    before = len(day.archive.documents())
    day.shake(r2, who=BEN)
    p2 = day.stand(pit, 3)
    day.begin(p2, ADA)
    day.finish(q2, "8.1", "13.4", page=True)
    day.act(ADA, {"act": "void-specimen", "specimen": p2.id, "reason": "knocked over"})
    p2.voided = "knocked over"
    day.mark(p2, "clean", "done")
    day.outage = (before, len(day.archive.documents()))
    day.site.broker.start()
    day.archive.online()
    day.desk.reaches()
    r3 = day.stand(river, 1, BEN)
    day.begin(r3)
    power_cut(day)
    sent, answered, _ = day.act(BEN, {"act": "note-specimen", "specimen": r3.id, "note": "bumped", "text": "a trolley against the bench"})
    r3.notes.append(("bumped", "a trolley against the bench", "soak", sent, answered))
    r3.workers.add(BEN)
    day.finish(r2, "6.6", "14.31", BEN)
    p3 = day.stand(pit, 3)
    day.site.probe.celsius = "22.6"
    day.shake(r3, lambda: day.begin(p3))
    day.shake(p3)
    day.finish(r3, "6.47", "13.9", BEN)
    day.act(CLEO, {"act": "quality", "what": "admit", "specimen": r3.id, "reason": "a light touch, early in the soak"})
    r3.admitted = "a light touch, early in the soak"
    # One cylinder alone on the bench: the shared foot switch is clear.
    after(p3, "irrigate", "end", SETTLE + SLACK)
    day.press(p3, "sedimentation", "end", "foot-switch")
    day.read(p3, "3.2", "12.41", ADA)


def kept(day, meant, other):
    """The foot switch where several acts are due: the press is kept, and given to its cylinder afterwards."""
    for specimen in (meant, other):
        after(specimen, "irrigate", "end", SETTLE + SLACK)
    sent, replied, day.kept_press = day.desk.press("foot-switch")
    if not day.kept_press.get("made"):
        raise Wrong(f"two acts were due, and the press was not kept: {day.kept_press}")
    day.act(ADA, {"act": "assign-press", "press": day.kept_press["made"], "specimens": [meant.id]})
    meant.marks["sedimentation", "end"] = Mark(sent, replied, ADA)
    meant.workers.add(ADA)


def replaced(day, held, place):
    """Another specimen in the place of one that is held; only then does the sample want one tin more."""
    do = {"act": "quality", "what": "replace", "specimen": held.id, "place": place}
    made = day.act(BEN, do)[2]
    # R-2 was filled before, so it is the replacement's.
    held.replaced_by = day.stands(held.sample, place, made)
    day.fill(held.sample, "R-3", BEN)
    return held.replaced_by


def missed(day, specimen):
    """The end of the sedimentation was not pressed; the reading was entered; the time is stated then."""
    after(specimen, "irrigate", "end", SETTLE + SLACK)
    boot, wall = boot_ns(), time.time_ns()
    day.enter(specimen, "clay", "3.05", ADA)
    day.act(ADA, {"act": "mark", "specimen": specimen.id, "step": "sedimentation", "edge": "end"}, **{"stated-wall-ns": wall})
    specimen.marks["sedimentation", "end"] = Mark(boot, boot, ADA, wall)
    day.enter(specimen, "sand", "12.6", ADA)
    day.mark(specimen, "clean", "done")


def power_cut(day):
    day.site.station.kill()
    day.site.balance.free()
    day.site.probe.line.free()
    day.archive.status = {}
    day.site.station.start()
    day.archive.online()
    day.desk.reaches()


def evening(day, quarry, river, pit):
    day.settled()
    # The quarry's is approved, corrected, and approved again; over the network this time.
    day.act(CLEO, day.decide(quarry, "approve", "raw data looked through"))
    quarry.decisions.append(("approved", CLEO, "raw data looked through"))
    day.settled()
    first = quarry.specimens[0]
    do = {"act": "correct-reading", "specimen": first.id, "of": "sand", "value": "13.12", "confirmed": False, "reason": "the digits were swapped"}
    day.act(ADA, do)
    first.corrected["sand"] = (first.readings["sand"], "13.12", ADA, "the digits were swapped")
    first.readings["sand"] = "13.12"
    day.settled()
    ask = {"id": str(uuid.uuid4()), "who": CLEO, "do": day.decide(quarry, "approve", "corrected reading seen on the worksheet")}
    reply = day.desk.ask("ask/act", json.dumps(ask))[2]
    if reply.get("outcome") != "done":
        raise Wrong(f"the approval over the network was answered {reply}")
    quarry.decisions.append(("approved", CLEO, "corrected reading seen on the worksheet"))
    day.act(CLEO, day.decide(river, "approve", "admission and replacement are in order"))
    river.decisions.append(("approved", CLEO, "admission and replacement are in order"))
    day.act(CLEO, day.decide(pit, "return", "they lie further apart than the precision: say why"))
    pit.decisions.append(("returned", CLEO, "they lie further apart than the precision: say why"))
    day.settled()
    newest = day.archive.documents()[-1]
    receipt = {"consumer": "archive", "journal": day.site.journal(), "through": int(newest["sequence"])}
    reply = day.desk.ask("ask/confirm-receipt", json.dumps(receipt))[2]
    if reply.get("outcome") != "done":
        raise Wrong(f"the receipt was answered {reply}")


SAID = [
    ("Quarry fines 22", {
        "identifier": "NL-26-0416", "project": "North road, section 3", "lot": "12", "quantity": "500 t",
        "material": "crushed sand 0/4", "source": "Upper pit", "sampled-by": "Ben Hall", "sampled-where": "belt 2",
        "sampled-at": "2026-11-24T07:30", "intended-use": "asphalt base course",
        "limit": {"at-least": "41", "specification": "Section 3 contract"},
        "brought-by": "Dora Lind", "brought-at": "2026-11-24T10:05"}),
    ("River sand 7", {
        "identifier": "NL-26-0417", "project": "Harbour wall", "lot": "3", "material": "natural sand 0/2",
        "source": "Ness river, bar 2", "sampled-by": "Dora Lind", "sampled-at": "2026-11-24T09:00",
        "limit": {"at-least": "65", "specification": "Harbour contract"}, "brought-at": "2026-11-24T11:40"}),
    ("Pit sand 3", {
        "project": "Fernhollow yard", "material": "pit sand 0/4", "source": "Fernhollow",
        "limit": {"at-least": "75", "specification": "yard's own"}}),
]


__all__ = ["Day", "morning", "bench", "evening", "PATIENCE"]
