"""What a day's report has to say, computed from what was fed in, with Python's fractions.

A second implementation: nothing here is taken from the station. Rules by their source: the readings'
marks, the ratio to a tenth, the raised result and the raised mean of reported values stand in
config/methods/aashto-t176-mechanical.toml with where each was found; the precision of D2419 stands there
too, from memory. Constant mass: FOP for AASHTO T 255, recalled. Proportions of the solutions: AASHTO T 176,
reagents, recalled (glutaraldehyde: 577 g, 2050 g and 59 g to 3.78 L)."""

import math
import statistics
from fractions import Fraction

from . import story

MARK, OFFSET = Fraction(1, 10), 10
# For 3.78 L: grams, and one percent each way (common practice, no source).
STOCK = {"calcium chloride": 577, "glycerin": 2050, "glutaraldehyde": 59}
STOCK_MAKES, PERCENT = Fraction("3.78"), Fraction(1, 100)
# Acceptable difference of two results of one operator (ASTM D2419, precision, recalled).
TWO_RESULTS = {"over 80": Fraction("4.2"), "under 80": Fraction("8.2")}
CONSTANT = Fraction("0.10")
SPANS = {
    "soak": (("soak", "begin"), ("loosen", "begin")),
    "loosen": (("loosen", "begin"), ("shake", "begin")),
    "shake": (("shake", "begin"), ("shake", "end")),
    "irrigate": (("irrigate", "begin"), ("irrigate", "end")),
    "sedimentation": (("irrigate", "end"), ("sedimentation", "end")),
}
LIMITS = {"soak": (story.SOAK, 120), "shake": (story.SHAKE, 60), "sedimentation": (story.SETTLE, 120)}


def half_up(value, places=0):
    """A fraction rounded to so many places, halves up (every figure here is positive)."""
    scale = 10**places
    return Fraction(math.floor(value * scale + Fraction(1, 2)), scale)


def digits(value, places):
    """The same as digits."""
    whole = str(int(half_up(value, places) * 10**places)).rjust(places + 1, "0")
    return f"{whole[:-places]}.{whole[-places:]}" if places else whole


def marks(entered, of):
    """The higher mark counts; sand is read at the foot's indicator."""
    level = Fraction(entered) - (OFFSET if of == "sand" else 0)
    return math.ceil(level / MARK)


def level(entered, of):
    """As it counts, in inches."""
    return digits(marks(entered, of) * MARK, 1)


def exact(readings):
    return Fraction(100 * marks(readings["sand"], "sand"), marks(readings["clay"], "clay"))


def ratio(readings):
    return half_up(exact(readings), 1)


def reported(readings):
    """The ratio to a tenth, raised; a whole one stays."""
    return math.ceil(ratio(readings))


def counts(sample):
    """Complete, with no deviation or admitted, and none run in its place."""
    return [s for s in complete(sample) if not s.replaced_by and (not deviations(s) or s.admitted)]


def complete(sample):
    return [s for s in sample.specimens if s.readings and not s.voided]


def deviations(specimen):
    """Codes. A bump counts while the cylinder stands undisturbed."""
    found = ["interval-short" for name in LIMITS if verdicts(specimen, name) == {"short"}]
    return found + ["bumped" for note in specimen.notes if note[0] == "bumped"]


def result(sample, readings=lambda s: s.readings):
    """The raised mean of the reported values."""
    return math.ceil(statistics.mean(Fraction(reported(readings(s))) for s in counts(sample)))


def mean(sample):
    """Before any rounding, as a control chart wants it."""
    return statistics.mean(exact(s.readings) for s in counts(sample))


def difference(sample):
    of = [reported(s.readings) for s in counts(sample)]
    return max(of) - min(of)


def passes(sample):
    """Compared at the last place in which the limit is written (ASTM E29); the limit itself is met."""
    limit = sample.particulars["limit"]["at-least"]
    places = len(limit.partition(".")[2])
    return half_up(Fraction(result(sample)), places) >= Fraction(limit)


def precision(sample):
    """Class, allowed range of two, and whether they are within."""
    middle = statistics.mean(Fraction(reported(s.readings)) for s in counts(sample))
    name = "over 80" if middle > 80 else "under 80"
    return name, TWO_RESULTS[name], "within" if difference(sample) <= TWO_RESULTS[name] else "outside"


def lasted(specimen, step):
    """(shortest, longest) that it can have lasted, nanoseconds."""
    begin, end = (specimen.marks.get(edge) for edge in SPANS[step])
    if begin is None or end is None:
        return None
    # A stated time is placed by the wall clock.
    slack = 20_000_000 if begin.stated or end.stated else 0
    return end.sent - begin.answered - slack, end.answered - begin.sent + slack


def verdict(step, ns):
    """Held against the limits at a tenth of a second, limits included."""
    if step not in LIMITS:
        return "no-limit"
    shown = half_up(Fraction(max(ns, 0), 10**9), 1)
    least, most = LIMITS[step]
    return "short" if shown < least else "over" if shown > most else "within"


def verdicts(specimen, step):
    bounds = lasted(specimen, step)
    return {verdict(step, ns) for ns in bounds} if bounds else set()


def net(sample, gross):
    return Fraction(gross) - sum(Fraction(empty) for empty in sample.tins.values() if empty)


def drying(sample):
    """Changes from one weighing to the next in percent, and whether it ended constant; water in percent."""
    nets = [net(sample, gross) for gross in sample.dried]
    changes = [100 * (a - b) / a for a, b in zip(nets, nets[1:])]
    water = 100 * (net(sample, sample.before) - nets[-1]) / nets[-1]
    return changes, changes[-1] < CONSTANT, water


def component(name, litres):
    """(target, least, most) grams."""
    target = STOCK[name] * Fraction(litres) / STOCK_MAKES
    return target, target * (1 - PERCENT), target * (1 + PERCENT)


def temperatures(said, begin, end):
    """(lowest, highest, mean over time) of what the probe said between two instants; a reading holds until
    the next one."""
    inside = [(max(before, begin), Fraction(shows)) for before, _, shows in said if before <= end]
    ends = [at for at, _ in inside[1:]] + [end]
    held = [(shows, until - at) for (at, shows), until in zip(inside, ends) if until > begin]
    total = sum(weight for _, weight in held)
    return min(s for s, _ in held), max(s for s, _ in held), sum(s * w for s, w in held) / total
