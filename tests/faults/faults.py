#!/usr/bin/env python3
"""What the station promises under load and with faults around it, tried: faults.py PROGRAM [WHAT...]

Each check says what was promised and what was seen, and the command ends with 1 where both differ.
--short takes each briefly; --report FILE puts the table between the marks of that page."""

import argparse
import importlib
import pathlib
import shutil
import sys
import time

sys.dont_write_bytecode = True
sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent))

WHAT = ["flood", "broker", "disk", "damage", "long"]
# Of these --short takes less.
BRIEFER = {"flood", "broker", "disk", "long"}
MARKS = ("<!-- faults: begin -->", "<!-- faults: end -->")


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("program")
    asked.add_argument("what", nargs="*", metavar="WHAT", help=f"of {', '.join(WHAT)}; without one all; the long run only with --short")
    asked.add_argument("--short", action="store_true", help="what fits into two minutes")
    asked.add_argument("--minutes", type=float, default=40, help="of the long run (40)")
    asked.add_argument("--report", type=pathlib.Path, help="a page whose table gets these lines")
    given = asked.parse_args()
    unknown = set(given.what) - set(WHAT)
    if unknown:
        asked.error(f"there is no {', '.join(sorted(unknown))}; there are {', '.join(WHAT)}")
    missing = [name for name in ("mosquitto", "openssl", "gcc") if shutil.which(name) is None]
    if missing:
        sys.exit(f"not installed: {', '.join(missing)} (apt-get install mosquitto openssl gcc)")
    from stand import Table, Wrong
    table, began = Table(), time.monotonic()
    program = str(pathlib.Path(given.program).resolve())
    for what in given.what or (WHAT if given.short else WHAT[:-1]):
        print(f"--- {what}", flush=True)
        more = {"short": given.short} if what in BRIEFER else {}
        if what == "long":
            more["minutes"] = given.minutes
        try:
            importlib.import_module(what if what != "long" else "long_run").run(program, table, **more)
        except Wrong as wrong:
            table.row(what, "-", "the check can be worked through", str(wrong), False, f"tests/faults/run PROGRAM {what}")
    if given.report:
        page = given.report.read_text()
        head, rest = page.split(MARKS[0])
        before, tail = rest.split(MARKS[1])
        given.report.write_text(f"{head}{MARKS[0]}\n{table.markdown(before)}\n{MARKS[1]}{tail}")
    print(f"--- {len(table.rows)} checks, {table.wrong} wrong, {time.monotonic() - began:.0f} s")
    sys.exit(1 if table.wrong else 0)


if __name__ == "__main__":
    main()
