#!/usr/bin/env python3
"""Judges `stillstand reckon --method` with other tools' arithmetic: `fractions` of the standard
library, and mpmath for the cotangent.

    formulas.py BINARY METHODS

Feeds every mark of the cylinder as CSV and compares whole outputs. The definitions, recalled from
memory and written here on their own:

- coarse durability (AASHTO T 210): Dc = 30.3 + 20.8 cot(0.29 + 0.15 H), H in inches, radians;
- cleanness value (California Test 227): CV = 100 (3.214 - 0.214 H) / (3.214 + 0.786 H), H in inches;
- sand equivalent of EN 933-8: 100 h2 / h1, levels to the millimetre, shown to the tenth;
- masses of an EN 933-8 specimen: 120 (1 + w/100) g within 1 g; with fines f over 10 %,
  M1 = (1200/f) (1 + w/100) of the material and M2 = 120 - 1200/f of corrective sand.
"""

import json
import math
import pathlib
import random
import re
import subprocess
import sys
from fractions import Fraction

from mpmath import mp

mp.dps = 50
HALF = Fraction(1, 2)


def half_up(value, steps: int) -> Fraction:
    """To 1/steps, halves up."""
    return Fraction(math.floor(value * steps + HALF), steps)


def tenths(value: Fraction) -> str:
    n = value * 10
    assert n.denominator == 1
    return f"{n.numerator // 10}.{n.numerator % 10}"


def run(*arguments: str, text: str = "") -> str:
    done = subprocess.run(arguments, input=text, capture_output=True, text=True, check=False)
    assert done.returncode == 0, (arguments, done.returncode, done.stderr[:500])
    return done.stdout


def durability(height: Fraction) -> Fraction:
    angle = mp.mpf("0.29") + mp.mpf("0.15") * height.numerator / height.denominator
    value = mp.mpf("30.3") + mp.mpf("20.8") * mp.cot(angle)
    return Fraction(int(mp.floor(value * mp.mpf(10) ** 30)), 10**30)


def cleanness(height: Fraction) -> Fraction:
    return 100 * (Fraction("3.214") - Fraction("0.214") * height) / (Fraction("3.214") + Fraction("0.786") * height)


def heights(binary: str, method: str, formula) -> int:
    marks = [Fraction(n, 10) for n in range(151)]
    text = "sediment\n" + "".join(f"{tenths(h)}\n" for h in marks)
    truth = [formula(h) for h in marks]
    wanted = ["sediment,ratio,reported"] + [
        f"{tenths(h)},{tenths(half_up(v, 10))},{half_up(v, 1)}" for h, v in zip(marks, truth)
    ]
    assert run(binary, "reckon", "--method", method, text=text).splitlines() == wanted, method
    lines = run(binary, "reckon", "--method", method, "--json", text=text).splitlines()
    for value, line in zip(truth, lines, strict=True):
        one = json.loads(line)
        if "exact" in one:
            assert Fraction(one["exact"]) == value, line
        else:
            # The stated last place: nine decimals.
            assert abs(Fraction(one["unrounded"]) - value) <= Fraction(1, 2 * 10**9) + Fraction(1, 10**20), line
    return len(marks)


def european(binary: str, method: str) -> int:
    rows = [(s, c) for c in range(1, 381) for s in range(0, 381, 7)]
    text = "sand,clay\n" + "".join(f"{s},{c}\n" for s, c in rows)
    wanted = ["sand,clay,ratio,reported"]
    for s, c in rows:
        ratio = tenths(half_up(Fraction(100 * s, c), 10))
        wanted.append(f"{s},{c},{ratio},{ratio}")
    assert run(binary, "reckon", "--method", method, text=text).splitlines() == wanted
    return len(rows)


def portions(binary: str, method: str) -> int:
    dice = random.Random(933)
    # 1200/17 with 2 percent of moisture is 72 exactly, though 1200/17 has no end.
    cases = [("2", "17"), ("0", "10"), ("1.4", "10.0"), ("1.4", "10.1"), ("0.35", "20"), ("2", "3")]
    cases += [(f"{dice.randint(0, 200) / 100:.2f}", f"{dice.randint(10, 400) / 10:.1f}") for _ in range(60)]
    for moisture, fines in cases:
        w, f = Fraction(moisture), Fraction(fines)
        out = run(binary, "reckon", "--method", method, "--moisture", moisture, "--fines", fines)
        dry = Fraction(1200) / f if f > 10 else Fraction(120)
        targets = [dry * (1 + w / 100)] + ([120 - dry] if f > 10 else [])
        figures = [Fraction(n) for n in re.findall(r"[0-9.]+", out)]
        wanted = [half_up(t + side, 10**6) for t in targets for side in (-1, 1)]
        assert figures == wanted, (moisture, fines, out)
    return len(cases)


def main() -> None:
    binary, folder = sys.argv[1], pathlib.Path(sys.argv[2])
    method = lambda name: str(folder / f"{name}.toml")
    n = heights(binary, method("aashto-t210-coarse"), durability)
    n += heights(binary, method("caltrans-ct227-cleanness"), cleanness)
    n += european(binary, method("en-933-8")) + portions(binary, method("en-933-8"))
    print(f"{n} rows agree")


if __name__ == "__main__":
    main()
