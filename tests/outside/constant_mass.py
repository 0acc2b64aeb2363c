#!/usr/bin/env python3
"""Makes `tests/data/constant_mass.json` with exact rational arithmetic, by Python's standard library.

    constant_mass.py > tests/data/constant_mass.json

The definition (FOP for AASHTO T 255 / T 265, recalled): the change is 100 x (earlier - later) / earlier
of masses net of the tare, and is held to a figure in percent, 'less than' or 'not more than'. Shown is
the change to three decimals, a tie away from nought. A figure under three divisions of the balance
cannot be told from its rounding (common practice, no source). Water is 100 x (wet - dry) / dry, to two
decimals, a tie away from nought.
"""

import json
import random
from decimal import Decimal
from fractions import Fraction


def rounded(value: Fraction, digits: int) -> str:
    scale = 10**digits
    size = abs(value) * scale
    whole = size.numerator // size.denominator
    if size - whole >= Fraction(1, 2):
        whole += 1
    sign = "-" if value < 0 and whole else ""
    text = f"{whole // scale}.{whole % scale:0{digits}d}"
    return sign + text


def case(gross_earlier, gross_later, tare, percent, source):
    earlier = Fraction(gross_earlier) - Fraction(tare)
    later = Fraction(gross_later) - Fraction(tare)
    places = max(-Decimal(text).as_tuple().exponent for text in (gross_earlier, gross_later))
    division = Fraction(1, 10**places)
    change = 100 * (earlier - later) / earlier
    return {
        "earlier": gross_earlier,
        "later": gross_later,
        "tare": tare,
        "percent": percent,
        "change": rounded(change, 3),
        "under": change < Fraction(percent),
        "atMost": change <= Fraction(percent),
        "gained": later - earlier > division,
        "coarse": earlier * Fraction(percent) / 100 < 3 * division,
        "source": source,
    }


KNOWN = [
    # FOP for AASHTO T 255, worked example, recalled: container 1232.1 g; 0.22 is not under 0.10, 0.08 is.
    ("2637.2", "2634.1", "1232.1", "0.10", "FOP for AASHTO T 255, worked example, recalled"),
    ("2634.1", "2633.0", "1232.1", "0.10", "FOP for AASHTO T 255, worked example, recalled"),
    ("1002.3", "1001.4", "0.0", "0.10", "made"),
    ("1002.3", "1001.2", "0.0", "0.10", "made"),
    # Exactly the figure: 'less than' and 'not more than' part here.
    ("500.0", "499.5", "0.0", "0.10", "made: exactly the figure"),
    ("1250.0", "1249.0", "250.0", "0.10", "made: exactly the figure, net of the tare"),
    ("500.0", "499.6", "0.0", "0.10", "made"),
    # One division of gain is the balance's own; two are none.
    ("500.0", "500.1", "0.0", "0.10", "made: a gain of one division"),
    ("500.0", "500.2", "0.0", "0.10", "made: a gain of two divisions"),
    # The tare decides: 0.10 of the gross mass is far more of the net one.
    ("650.0", "649.5", "520.0", "0.10", "made: under of the gross mass, over of the net mass"),
    # One tin on a balance of 0.1 g, and of 0.01 g.
    ("171.4", "171.3", "45.2", "0.10", "made: one tin, a coarse balance"),
    ("171.42", "171.31", "45.20", "0.10", "made: one tin, a finer balance"),
    # A fraction without an end.
    ("300.7", "300.4", "0.7", "0.10", "made"),
    ("333.3", "333.0", "33.3", "0.10", "made: exactly the figure"),
]

random.seed(20260921)
cases = [case(*known) for known in KNOWN]
for _ in range(400):
    places = random.choice([1, 2, 2, 3])
    scale = 10**places
    tare = random.randrange(0, 600 * scale)
    net = random.randrange(80 * scale, 1500 * scale)
    loss = random.randrange(-3, max(4, int(net * 0.0025)))
    if random.random() < 0.3:
        # Next to the edge, on both sides.
        loss = net // 1000 + random.randrange(-1, 2)
    number = lambda value: f"{value // scale}.{value % scale:0{places}d}"
    cases.append(case(number(tare + net), number(tare + net - loss), number(tare), "0.10", "random"))

water = []
for before, dry in [("812.4", "745.9"), ("500.0", "500.0"), ("120.5", "118.2"), ("1040.0", "1000.0"), ("100.01", "99.00")]:
    value = 100 * (Fraction(before) - Fraction(dry)) / Fraction(dry)
    water.append({"before": before, "dry": dry, "water": rounded(value, 2)})

lines = lambda rows: ",\n".join(json.dumps(row) for row in rows)
print('{"changes": [\n' + lines(cases) + '\n], "water": [\n' + lines(water) + "\n]}")
