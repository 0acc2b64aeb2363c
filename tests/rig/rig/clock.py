"""The machine's time of day is set while intervals run, its clocks are slewed, and the time of day is years
wrong after the mains came back."""

import time

from day.lab import Verdicts, wait_for
from rig.cuts import CLOCK_WITHIN_MS, Laboratory, WALK
from rig.lab import PLACES, at_place

HOUR = 3600
# A chip that lost its battery.
LOST = "2019-01-01T00:00:00"
# From an act on its way in to its reply, and from the view to here, on a busy host.
SLACK_MS = 1500
# Seconds; a tenth of it is well over what is allowed.
SLEWED_FOR = 40


class Watch:
    """The host's own watch on one interval."""

    def __init__(self, desk, label, place):
        before = time.monotonic()
        self.desk, self.place = desk, place
        self.specimen = desk.soaking(label, place)
        self.earliest, self.latest = before, time.monotonic()

    def seen(self):
        """(clock, how many ms the station's figure lies outside of what the watch allows)."""
        asked = time.monotonic()
        running = at_place(self.desk.view(60), self.place)["running"]
        answered = time.monotonic()
        least, most = (asked - self.latest) * 1000, (answered - self.earliest) * 1000
        return running["clock"], round(max(0, least - running["elapsedMs"], running["elapsedMs"] - most))


def step(machine, seconds):
    """The time of day is set forward or back; by how much it then is."""
    now = int(machine.sh("date +%s"))
    machine.sh(f"date -s @{now + seconds}")
    return int(machine.sh("date +%s")) - now


def clock(folder, program, seed):
    verdicts, lab = Verdicts(), Laboratory(folder, program, seed)
    try:
        machine = lab.power_on()
        try:
            lab.desk.view(120)
            long, short = Watch(lab.desk, "The long soak", PLACES), Watch(lab.desk, "Lot 1", 1)
            for seconds in (HOUR, -2 * HOUR, HOUR):
                moved = step(machine, seconds)
                verdicts.check(abs(moved - seconds) < 60, f"the time of day was set by {seconds} s", moved)
                clock_, off = long.seen()
                verdicts.check(clock_ == "boot-clock" and off <= SLACK_MS, f"the soak does not notice: {clock_}, {off} ms off", (clock_, off))
            slewed(verdicts, machine, long)
            stepped(verdicts, lab, short)
            lab.cut(machine)
            machine = lab.power_on(clock=LOST)
            years(verdicts, lab, machine, long)
        finally:
            machine.cut()
    finally:
        lab.close()
    return verdicts


def uptime(machine):
    """Seconds since the machine started, by the kernel's clock that time services slew."""
    return float(machine.sh("cut -d' ' -f1 /proc/uptime"))


def slewed(verdicts, machine, watch):
    """A time service lets the machine's clocks run a tenth too fast, as some do to make up for an offset."""
    machine.sh("busybox adjtimex -t 11000")
    begun, up = time.monotonic(), uptime(machine)
    time.sleep(SLEWED_FOR)
    gained = uptime(machine) - up - (time.monotonic() - begun)
    machine.sh("busybox adjtimex -t 10000")
    verdicts.check(gained > SLEWED_FOR * 0.07, f"control: the kernel's own clock gained {gained:.1f} s in {SLEWED_FOR} s", gained)
    clock_, off = watch.seen()
    verdicts.check(clock_ == "boot-clock" and off <= SLACK_MS, f"the soak does not notice: {clock_}, {off} ms off", (clock_, off))


def stepped(verdicts, lab, short):
    """The record of a specimen in whose soak the time of day was set."""
    for at, (name, edge) in enumerate(WALK[2:]):
        asked = time.monotonic()
        lab.desk.done({"act": "mark", "specimen": short.specimen, "step": name, "edge": edge})
        if at == 0:
            least, most = asked - short.latest, time.monotonic() - short.earliest
    for of, value in (("clay", "8.0"), ("sand", "13.3")):
        lab.desk.done({"act": "enter-reading", "specimen": short.specimen, "of": of, "value": value})
    record = wait_for("the record", lambda: lab.reader.newest("record", short.specimen), 60)
    soak = next(s for s in record["data"]["steps"] if s["name"] == "soak")
    exact = int(soak["duration"]["exactNs"]) / 1e9
    verdicts.check(soak["duration"]["clock"] == "boot-clock" and least - SLACK_MS / 1000 <= exact <= most,
                   f"its record says so too: {exact:.3f} s on the {soak['duration']['clock']}", (soak, least, most))
    said = {soak["begin"]["wallClock"], soak["end"]["wallClock"]}
    verdicts.check("synchronised" not in said, f"and that nobody vouches for the time of day: {', '.join(sorted(said))}", said)


def years(verdicts, lab, machine, long):
    """After a power cut the clock chip says another year."""
    view = lab.desk.view(120)
    running = at_place(view, PLACES)["running"]
    verdicts.same(running["clock"], "wall-clock", "a soak across the restart stands on the wall clock, and says so")
    verdicts.same(running["elapsedMs"], None, f"and with a clock {LOST} nobody knows how long it has run")
    ahead = [coming["place"] for coming in view["ahead"]]
    verdicts.check(PLACES not in ahead, "nothing is counted down of it", ahead)
    other = Watch(lab.desk, "Lot 2", 2)
    machine.sh(f"date -s @{int(time.time())}")
    clock_, off = other.seen()
    verdicts.check(clock_ == "boot-clock" and off <= SLACK_MS, f"one that began in the wrong year is right all the same: {clock_}, {off} ms off")
    clock_, off = long.seen()
    verdicts.check(clock_ == "wall-clock" and off <= CLOCK_WITHIN_MS,
                   f"once the time of day is right the soak across the restart is too: {clock_}, {off} ms off", (clock_, off))
