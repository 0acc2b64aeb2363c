#!/usr/bin/env python3
"""Judges `stillstand reckon` with exact rational arithmetic, by Python's standard library alone.

    reckon_exact.py BINARY

Feeds the program every pair of marks, and levels between marks, as CSV; recomputes every row with
`fractions.Fraction` from the definition and compares whole outputs, CSV and JSON lines.

The definition (AASHTO T 176 / ASTM D2419, recalled from memory, seen in two secondary texts): a
level between two marks of 0.1 in takes the higher mark; 100 x sand / clay to the nearest 0.1 (a tie
goes up: our choice, it changes no reported value); raised to the next whole number.
"""

import functools
import json
import math
import random
import subprocess
import sys
from fractions import Fraction

TENTH = Fraction(1, 10)


@functools.cache
def mark(level: str) -> Fraction:
    return math.ceil(Fraction(level) / TENTH) * TENTH


@functools.cache
def of_marks(s: Fraction, c: Fraction):
    exact = 100 * s / c
    ratio = math.floor(exact / TENTH + Fraction(1, 2)) * TENTH
    return s, c, exact, ratio, math.ceil(ratio)


def expected(sand: str, clay: str):
    return of_marks(mark(sand), mark(clay))


def one_decimal(value: Fraction) -> str:
    tenths = value / TENTH
    assert tenths.denominator == 1
    return f"{tenths.numerator // 10}.{tenths.numerator % 10}"


def rows():
    for sand in range(0, 151):
        for clay in range(1, 151):
            yield f"{sand // 10}.{sand % 10}", f"{clay // 10}.{clay % 10}"
    # Between marks: every hundredth of an inch against a few partners, then up to six decimals.
    for n in range(1, 1501):
        for other in ("0.1", "3.3", "7.95", "15"):
            yield f"{n / 100:.2f}", other
            yield other, f"{n / 100:.2f}"
    dice = random.Random(176)
    for _ in range(10_000):
        places = dice.randint(0, 6)
        sand, clay = (dice.randint(1, 15 * 10**places) for _ in range(2))
        yield tuple(
            f"{n // 10**places}.{n % 10**places:0{places}d}" if places else str(n) for n in (sand, clay)
        )


def run(binary: str, pairs, *flags: str):
    text = "sand,clay\n" + "".join(f"{s},{c}\n" for s, c in pairs)
    done = subprocess.run([binary, "reckon", *flags], input=text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (done.returncode, done.stderr[:500])
    return done


def main() -> None:
    binary = sys.argv[1]
    pairs = list(rows())
    truth = [expected(s, c) for s, c in pairs]

    done = run(binary, pairs)
    wanted = ["sand,clay,ratio,reported"] + [
        f"{one_decimal(s)},{one_decimal(c)},{one_decimal(r)},{n}" for s, c, _, r, n in truth
    ]
    got = done.stdout.splitlines()
    for line, (a, b) in enumerate(zip(wanted, got, strict=True), start=1):
        assert a == b, f"output line {line}: expected {a}, got {b} for {pairs[line - 2]}"

    over = [i for i, (s, c) in enumerate(pairs, start=2) if Fraction(s) > Fraction(c)]
    flagged = set(over)
    warned = [int(w.split(":")[0].removeprefix("line ")) for w in done.stderr.splitlines()]
    assert warned == over, "a warning for each sand reading over its clay reading, and for no other"

    for i, text in enumerate(run(binary, pairs, "--json").stdout.splitlines()):
        one = json.loads(text, parse_float=Fraction, parse_int=Fraction)
        s, c, exact, ratio, n = truth[i]
        flags = ["sand-over-clay"] if i + 2 in flagged else []
        assert one == {
            "line": i + 2, "sand": s, "clay": c, "exact": str(exact), "ratio": ratio, "reported": n, "flags": flags,
        }, (text, pairs[i])
    assert i + 1 == len(pairs)
    print(f"{len(pairs)} rows agree, {len(over)} of them with the sand reading over the clay reading")


if __name__ == "__main__":
    main()
