#!/usr/bin/env python3
"""The results of a worksheet, exactly, as Python's own csv and fractions modules give them: the
measure for `reckon`. CSV on standard input with the columns sand and clay; CSV comes out."""

import csv
import math
import sys
from fractions import Fraction

TENTH = Fraction(1, 10)


def main():
    rows = csv.DictReader(sys.stdin)
    out = csv.writer(sys.stdout, lineterminator="\n")
    out.writerow(["sand", "clay", "ratio", "reported"])
    for row in rows:
        sand, clay = (math.ceil(Fraction(row[name]) / TENTH) * TENTH for name in ("sand", "clay"))
        ratio = math.floor(100 * sand / clay / TENTH + Fraction(1, 2)) * TENTH
        out.writerow([f"{float(sand):.1f}", f"{float(clay):.1f}", f"{float(ratio):.1f}", math.ceil(ratio)])


main()
