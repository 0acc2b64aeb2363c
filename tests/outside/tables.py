#!/usr/bin/env python3
"""Holds exported tables against other people's programs: PyPI's `csvw` reads and validates the table
by its description (W3C CSVW), and Python's `csv` finds in it the digits of the published documents.
Usage: tables.py PROGRAM JOURNAL"""

import csv
import datetime
import decimal
import json
import pathlib
import subprocess
import sys
import tempfile

from csvw import CSVW


def export(program, journal, out, *more):
    command = [program, "export", "--journal", journal, "--zone", "Europe/Lisbon", "--out", str(out), *more]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def at(document, *path):
    for key in path:
        document = document.get(key) if isinstance(document, dict) else None
    return "" if document is None else str(document)


def typed(cell):
    """A text as it was typed."""
    return cell[1:] if cell.startswith("'") else cell


def table(program, journal, folder, what, documents):
    out = folder / f"{what}.csv"
    export(program, journal, out, "--what", what, "--versions", "all")
    described = CSVW(f"{out}-metadata.json", validate=True)
    assert described.is_valid, f"{what}: not valid CSVW"
    parsed = list(described.tables[0].iterdicts(strict=True))
    with open(out, encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    assert len(rows) == len(parsed) > 0, f"{what}: {len(rows)} rows, {len(parsed)} read by the description"
    for row, values in zip(rows, parsed):
        document = documents[row["document"]]
        data = document["data"]
        assert row["number"] == str(int(document["sequence"]))
        assert row["result"] == at(data, "result", "text") and typed(row["sample"]) == at(data, "sample", "label")
        assert values["number"] == int(document["sequence"]) and values["rehearsal"] is data["station"]["rehearsal"]
        assert isinstance(values["result"], (decimal.Decimal, type(None))), values["result"]
        local, utc = values["made_local"], values["made_utc"]
        assert isinstance(utc, datetime.datetime) and local == utc, (local, utc)
        if what == "records":
            assert row["clay_entered"] == at(data, "readings", "clay", "entered")
            assert values["deviation_codes"] == [d["code"] for d in data["deviations"]]
            assert row["before_rounding"] in (
                "{numerator}/{denominator}".format(**data["calculation"]["exact"])
                if "exact" in data["calculation"] else at(data, "calculation", "unrounded"),
            )
        else:
            assert values["records"] == [s["record"] for s in data["specimens"]]
    print(f"{what}: {len(rows)} rows, valid by their description, as published")


def main(program, journal):
    folder = pathlib.Path(tempfile.mkdtemp())
    lines = folder / "both.jsonl"
    export(program, journal, lines, "--what", "both", "--as", "json-lines", "--versions", "all")
    documents = {d["id"]: d for d in map(json.loads, lines.read_text("utf-8").splitlines())}
    for what in ("records", "results"):
        table(program, journal, folder, what, documents)


if __name__ == "__main__":
    main(*sys.argv[1:])
