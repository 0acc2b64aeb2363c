#!/usr/bin/env python3
"""Holds exported tables against other people's programs: PyPI's `csvw` reads and validates the table
by its description (W3C CSVW), and Python's `csv` finds in it the digits of the published documents.
Usage: tables.py PROGRAM JOURNAL..."""

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
    """Whether there was anything to export."""
    command = [program, "export", "--journal", journal, "--zone", "Europe/Lisbon", "--out", str(out), *more]
    code = subprocess.run(command, stdout=subprocess.DEVNULL).returncode
    assert code in (0, 65), f"{' '.join(command)} ended with {code}"
    return code == 0


def at(document, *path):
    for key in path:
        document = document.get(key) if isinstance(document, dict) else None
    return "" if document is None else str(document)


def typed(cell):
    """A text as it was typed."""
    return cell[1:] if cell.startswith("'") else cell


def each(items, *path):
    """The texts at a place of each item."""
    found = [at(item, *path) for item in items or []]
    return [text for text in found if text]


def once(texts):
    return "; ".join(dict.fromkeys(texts))


def figure(text):
    return decimal.Decimal(text) if text else None


def instant(text):
    return datetime.datetime.fromisoformat(text) if text else None


def of_both(data):
    """What columns of both tables hold, by the published document. Kinds of columns: `text`, `names`,
    `figure`, `whole`, `truth`, `instant`."""
    decisions = data.get("review", {}).get("decisions", [])
    last = decisions[-1] if decisions else {}
    changes = data.get("changes", [])
    return {
        ("status", "text"): data["status"],
        ("version", "whole"): data["version"],
        ("replaces", "text"): at(data, "replaces", "id"),
        ("replaces_number", "whole"): data.get("replaces", {}).get("number"),
        ("planned", "whole"): data["sample"]["planned"],
        ("registered_utc", "instant"): at(data, "sample", "registered", "time"),
        ("registered_by", "text"): at(data, "sample", "registered", "by", "person"),
        ("intended_use", "text"): at(data, "sample", "particulars", "intendedUse"),
        ("software", "text"): data["station"]["software"],
        ("corrections", "whole"): len(changes),
        ("correction_kinds", "names"): [change["kind"] for change in changes],
        ("reasons_pending", "whole"): sum(change["reasonPending"] for change in changes),
        ("operators", "text"): once(each(data.get("review", {}).get("operators"), "person")),
        ("decision", "text"): at(last, "decision"),
        ("decided_by", "text"): at(last, "who", "person"),
        ("decided_utc", "instant"): at(last, "when", "time"),
        ("decision_reason", "text"): at(last, "reason"),
        ("authorised_by", "text"): at(data, "review", "authorised", "person"),
        ("authorised_utc", "instant"): at(data, "review", "authorised", "when", "time"),
    }


def of_record(data, result):
    uses = data.get("solution", {}).get("uses", [])
    batches = {batch["id"]: batch for batch in data.get("solution", {}).get("batches", [])}
    first = batches.get(uses[0]["batch"], {}) if uses else {}
    doubts = [item for item in data.get("equipment", []) if item["state"] not in ("good", "due-soon")]
    specimen = data["specimen"]
    counted, others = None, []
    if result is not None:
        counted = any(s["id"] == specimen["id"] for s in result["data"]["specimens"])
        others = result["data"].get("notCounted", result["data"].get("repeat", {}).get("notCounted", []))
    other = next((o for o in others if o["id"] == specimen["id"]), {})
    why = "" if counted is not False else at(other, "why") or ("void" if data["status"] == "void" else "")
    return {
        ("deviation_codes", "names"): [d["code"] for d in data["deviations"]],
        ("counts", "truth"): counted,
        ("not_counted_why", "text"): why,
        ("counted_in", "text"): result["id"] if result else "",
        ("replaced_by", "text"): "" if counted else at(other, "replacedBy", "label"),
        ("in_place_of", "text"): at(specimen, "inPlaceOf", "label"),
        ("specimen_kind", "text"): specimen["kind"],
        ("foot", "text"): at(data, "readings", "sand", "foot"),
        ("solution_first_fill", "text"): at(uses[0], "batch") if uses else "",
        ("solution_irrigation", "text"): at(uses[-1], "batch") if len(uses) > 1 else "",
        ("solution_states", "names"): each(uses, "state"),
        ("solution_recipe", "text"): at(first, "recipe", "id"),
        ("solution_made_utc", "instant"): at(first, "made"),
        ("solution_expires_utc", "instant"): at(first, "expires"),
        ("solution_stock", "text"): at(first, "stock", "id"),
        ("solution_lot", "text"): at(first, "bought", "lot"),
        ("course", "text"): at(data, "preparation", "course"),
        ("tin_mark", "text"): at(data, "preparation", "tin", "mark"),
        ("constant_mass", "truth"): (data.get("preparation", {}).get("drying") or {}).get("constant"),
        ("water_content", "figure"): at(data, "preparation", "drying", "water", "text"),
        ("drying_stopped", "text"): at(data, "preparation", "drying", "stopped", "reason"),
        ("tempering", "figure"): at(data, "preparation", "tempering", "duration", "text"),
        ("equipment", "text"): once(each(data.get("equipment"), "id")),
        ("mass_by", "text"): at(specimen, "mass", "weighedBy", "person"),
        ("equipment_in_doubt", "text"): once(each(doubts, "id")),
        ("equipment_doubts", "names"): list(dict.fromkeys(each(doubts, "state"))),
    }


def of_result(data):
    others = data.get("notCounted", data.get("repeat", {}).get("notCounted"))
    uncertainty = data.get("acceptance", {}).get("uncertainty", data.get("uncertainty", {}))
    return {
        ("records", "names"): [s["record"] for s in data["specimens"]],
        ("acceptance_limit", "figure"): at(data, "acceptance", "limit", "atLeast"),
        ("acceptance_rule", "text"): at(data, "acceptance", "rule"),
        ("acceptance_compared", "figure"): at(data, "acceptance", "compared"),
        ("acceptance_verdict", "text"): at(data, "acceptance", "verdict"),
        ("acceptance_why", "text"): at(data, "acceptance", "why"),
        ("acceptance_though_cold", "truth"): data.get("acceptance", {}).get("standsThoughCold"),
        ("uncertainty", "figure"): at(uncertainty, "expanded"),
        ("not_counted", "whole"): None if others is None else len(others),
        ("not_counted_specimens", "names"): each(others, "id"),
        ("not_counted_whys", "names"): each(others, "why"),
        ("precision_verdict", "text"): at(data, "precision", "verdict"),
        ("repeated", "truth"): "repeat" in data,
    }


def compare(row, values, expected, seen):
    """A row as it stands, and as the description reads it."""
    for (name, kind), wanted in expected.items():
        if kind == "text":
            good = typed(row[name]) == wanted and (values[name] is None) == (wanted == "")
        elif kind == "names":
            good = (values[name] or []) == wanted
        elif kind == "figure":
            good = row[name] == wanted and values[name] == figure(wanted)
        elif kind == "instant":
            good = row[name] == wanted and values[name] == instant(wanted)
        else:
            good = values[name] == wanted and (row[name] == "") == (wanted is None)
        assert good, f"{row['document']}: {name}: {row[name]!r}, read as {values[name]!r}; published {wanted!r}"
        if wanted not in ("", None, [], 0, False):
            seen.add(name)


def table(program, journal, folder, what, documents, seen):
    out = folder / f"{what}.csv"
    assert export(program, journal, out, "--what", what, "--versions", "all")
    described = CSVW(f"{out}-metadata.json", validate=True)
    assert described.is_valid, f"{what}: not valid CSVW"
    parsed = list(described.tables[0].iterdicts(strict=True))
    with open(out, encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    assert len(rows) == len(parsed) > 0, f"{what}: {len(rows)} rows, {len(parsed)} read by the description"
    # The newest result of each sample: the last by number.
    results = {}
    for document in sorted(documents.values(), key=lambda d: int(d["sequence"])):
        if "specimens" in document["data"]:
            results[document["data"]["sample"]["id"]] = document
    for row, values in zip(rows, parsed):
        document = documents[row["document"]]
        data = document["data"]
        assert row["number"] == str(int(document["sequence"]))
        assert row["result"] == at(data, "result", "text") and typed(row["sample"]) == at(data, "sample", "label")
        assert values["number"] == int(document["sequence"]) and values["rehearsal"] is data["station"]["rehearsal"]
        assert isinstance(values["result"], (decimal.Decimal, type(None))), values["result"]
        local, utc = values["made_local"], values["made_utc"]
        assert isinstance(utc, datetime.datetime) and local == utc, (local, utc)
        compare(row, values, of_both(data), seen)
        if what == "records":
            assert row["clay_entered"] == at(data, "readings", "clay", "entered")
            assert row["before_rounding"] in (
                "{numerator}/{denominator}".format(**data["calculation"]["exact"])
                if "exact" in data["calculation"] else at(data, "calculation", "unrounded"),
            )
            compare(row, values, of_record(data, results.get(data["sample"]["id"])), seen)
        else:
            compare(row, values, of_result(data), seen)
    print(f"{what}: {len(rows)} rows, valid by their description, as published")


def holds(documents, what):
    return any(("specimens" in document["data"]) == (what == "results") for document in documents.values())


def main(program, *journals):
    seen = set()
    assert journals, "give a journal"
    for journal in journals:
        folder = pathlib.Path(tempfile.mkdtemp())
        lines = folder / "both.jsonl"
        if not export(program, journal, lines, "--what", "both", "--as", "json-lines", "--versions", "all"):
            print(f"{pathlib.Path(journal).name}: no records, no results")
            continue
        documents = {d["id"]: d for d in map(json.loads, lines.read_text("utf-8").splitlines())}
        for what in ("records", "results"):
            if holds(documents, what):
                table(program, journal, folder, what, documents, seen)
    assert seen, "nothing was compared"
    print("columns that held something:", ", ".join(sorted(seen)))


if __name__ == "__main__":
    main(*sys.argv[1:])
