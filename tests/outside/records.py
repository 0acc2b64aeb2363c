#!/usr/bin/env python3
"""Check published documents from their own figures: records.py FILE.jsonl WORKFOLDER

Written from docs/integrator.md and the schemas. The envelope is built by PyPI `cloudevents`; every
result is made again from the digits that a person entered, in exact fractions; every duration
again from the boot clock of its two ends. WORKFOLDER receives the documents by schema, and the
units that they and the schemas use, for the validators that records.sh calls."""

import json
import math
import pathlib
import re
import sys
from fractions import Fraction

from cloudevents.core.v1.event import CloudEvent
from datetime import datetime

SCHEMAS = pathlib.Path(__file__).resolve().parents[2] / "docs" / "schema"
faults = []


def check(truth, what):
    if not truth:
        faults.append(what)


def envelope(event):
    """PyPI cloudevents refuses illegal attribute names and wrong required attributes."""
    attributes = {k: v for k, v in event.items() if k != "data"}
    attributes["time"] = datetime.fromisoformat(attributes["time"].replace("Z", "+00:00"))
    try:
        CloudEvent(attributes, event["data"])
    except Exception as error:  # its exceptions differ between versions
        faults.append(f"{event['id']}: no CloudEvent: {error}")


def half_up(value):
    return math.floor(value + Fraction(1, 2))


def to_mark(level, mark):
    """The higher mark where the level lies between two."""
    return math.ceil(level / mark)


def level(name, reading):
    entered, offset = Fraction(reading["entered"]), Fraction(reading["offset"]["text"])
    mark = Fraction(reading["resolution"]["text"])
    marks = to_mark(entered - offset, mark)
    check(Fraction(reading["text"]) == marks * mark,
          f"{name}: entered {reading['entered']} less {offset} is {marks * mark}, the record says {reading['text']}")
    return marks


def ratio_and_result(sand, clay, result_rule):
    exact = Fraction(100 * sand, clay)
    tenths = half_up(exact * 10)
    reported = Fraction(math.ceil(Fraction(tenths, 10))) if result_rule == "raise-to-whole" else Fraction(tenths, 10)
    return exact, Fraction(tenths, 10), reported


def duration(label, step):
    if step["kind"] != "interval" or step["end"] is None:
        return 0
    begin, end = step["begin"]["bootClock"], step["end"]["bootClock"]
    lasted = step["duration"]
    check((begin["boot"] == end["boot"]) == (lasted["clock"] == "boot-clock"), f"{label}: clock of {step['name']}")
    if begin["boot"] == end["boot"]:
        ns = (Fraction(end["text"]) - Fraction(begin["text"])) * 10**9
        check(ns == lasted["exactNs"], f"{label}: {step['name']} lasted {ns} ns by its ends, {lasted['exactNs']} by the record")
    digits = len(lasted["text"].partition(".")[2])
    shown = Fraction(half_up(Fraction(lasted["exactNs"], 10**9) * 10**digits), 10**digits)
    check(shown == Fraction(lasted["text"]), f"{label}: {step['name']} shown as {lasted['text']}")
    low, high = (step["required"][k] and Fraction(step["required"][k]) for k in ("min", "max"))
    verdict = ("no-limit" if low is None and high is None else "short" if low is not None and shown < low
               else "over" if high is not None and shown > high else "within")
    bounded = step["end"]["bound"] and step["verdict"] == "not-shown" and verdict != "short"
    check(step["verdict"] == verdict or bounded, f"{label}: {step['name']} is {verdict}, the record says {step['verdict']}")
    return 1


def record(event):
    data = event["data"]
    label = data["specimen"]["label"]
    readings, calculation = data["readings"], data["calculation"]
    sand, clay = (level(f"{label} {of}", readings[of]) for of in ("sand", "clay"))
    check((sand, clay) == (calculation["sandMarks"], calculation["clayMarks"]), f"{label}: marks")
    exact, ratio, reported = ratio_and_result(sand, clay, calculation["resultRule"])
    check(exact == Fraction(calculation["exact"]["numerator"], calculation["exact"]["denominator"]), f"{label}: exact ratio")
    check(ratio == Fraction(calculation["ratio"]["text"]), f"{label}: ratio {ratio}")
    if data["status"] == "void":
        check(data["result"] is None, f"{label}: void, and still a result")
    else:
        check(reported == Fraction(data["result"]["text"]), f"{label}: result is {reported}, the record says {data['result']['text']}")
    over = any(d["code"] == "sand-over-clay" for d in data["deviations"])
    true_levels = [Fraction(readings[of]["entered"]) - Fraction(readings[of]["offset"]["text"]) for of in ("sand", "clay")]
    check(over == (true_levels[0] > true_levels[1]), f"{label}: sand over clay")
    t = data["temperature"]
    check(Fraction(t["outside"]["text"]) <= Fraction(t["below"]["text"]) + Fraction(t["above"]["text"]) + Fraction(1, 10), f"{label}: time outside")
    return sum(duration(label, step) for step in data["steps"])


def sample_result(event, records):
    data = event["data"]
    label, average = data["sample"]["label"], data["average"]
    if data["status"] == "void":
        check(data["result"] is None and average is None, f"{label}: void, and still a result")
        return
    for specimen in data["specimens"]:
        known = records.get(specimen["record"])
        if known:
            check(known["data"]["result"]["text"] == specimen["reported"]["text"], f"{label}: {specimen['label']} differs from its record")
            check(len(known["data"]["deviations"]) == specimen["deviations"], f"{label}: {specimen['label']}: count of deviations")
    reported = [Fraction(s["reported"]["text"]) for s in data["specimens"]]
    if average["rule"] == "raise-mean-of-reported":
        expected = math.ceil(sum(reported) / len(reported))
    else:
        expected = half_up(sum(Fraction(s["ratio"]["text"]) for s in data["specimens"]) / len(reported))
    check(expected == Fraction(data["result"]["text"]), f"{label}: average is {expected}, the result says {data['result']['text']}")
    check(max(reported) - min(reported) == Fraction(data["difference"]["text"]), f"{label}: difference")


def replaced(event, newest):
    """A version after the first names the one before it: the newest of its subject until now."""
    before, data = newest.get(event["subject"]), event["data"]
    if "version" not in data:
        return
    label = f"{event['type']} {event['sequence']}"
    check(data["version"] == (before["data"]["version"] + 1 if before else 1), f"{label}: version {data['version']}")
    named = data.get("replaces") or {"id": None, "number": 0}
    check(named["id"] == (before and before["id"]), f"{label}: replaces another document")
    check(named["number"] == int(before["sequence"] if before else 0), f"{label}: replaces another number")
    pending = [c for c in data.get("changes", []) if c["reasonPending"] != (c["reason"] is None)]
    check(not pending, f"{label}: a reason is pending and given")
    newest[event["subject"]] = event


def units_in(value, found):
    if isinstance(value, dict):
        if isinstance(value.get("unit"), str):
            found.add(value["unit"])
        unit = value.get("unit")
        if isinstance(unit, dict):  # a schema
            found.update(unit.get("enum", []) + ([unit["const"]] if "const" in unit else []))
        for inner in value.values():
            units_in(inner, found)
    elif isinstance(value, list):
        for inner in value:
            units_in(inner, found)


def main(path, work):
    events = [json.loads(line) for line in pathlib.Path(path).read_text(encoding="utf-8").splitlines() if line.strip()]
    units, records, numbers, steps, newest = set(), {}, {}, 0, {}
    for n, event in enumerate(events):
        envelope(event)
        replaced(event, newest)
        name, _, version = event["dataschema"].removeprefix("https://stillstand.example/schema/").rpartition("/")
        if not version.startswith("1.0."):  # a later version stands in a file of its own
            name += "-" + version.rpartition(".")[0]
        check((SCHEMAS / f"{name}.schema.json").is_file(), f"line {n + 1}: no schema {event['dataschema']}")
        folder = pathlib.Path(work) / name
        folder.mkdir(exist_ok=True)
        (folder / f"{n + 1:06}.json").write_text(json.dumps(event), encoding="utf-8")
        numbers.setdefault(event["source"], {}).setdefault(int(event["sequence"]), event["id"])
        check(numbers[event["source"]][int(event["sequence"])] == event["id"], f"number {event['sequence']} has two ids")
        if "toolarge" not in event["type"]:
            link = event["data"]["station"]["journal"]["link"]
            check(re.fullmatch("[0-9a-f]{64}", link), f"{event['id']}: link {link!r}")
        units_in(event["data"], units)
        if "specimen.recorded" in event["type"]:
            records[event["id"]] = event
            steps += record(event)
        if "sample.resulted" in event["type"]:
            sample_result(event, records)
    # With records alone the numbers of the other kinds are not in the file: ascending is what remains.
    whole = any("sample.resulted" in e["type"] or "weighing.taken" in e["type"] for e in events)
    for source, found in numbers.items():
        order = list(found)
        check(order == sorted(order), f"{source}: numbers are not ascending: {order}")
        check(not whole or order == list(range(order[0], order[0] + len(order))), f"{source}: numbers have gaps: {order}")
    for schema in SCHEMAS.glob("*.schema.json"):
        units_in(json.loads(schema.read_text(encoding="utf-8")), units)
    (pathlib.Path(work) / "units.json").write_text(json.dumps(sorted(units)), encoding="utf-8")
    for fault in faults:
        print(fault, file=sys.stderr)
    check(events, "no document")
    print(f"{len(events)} documents, {len(records)} results and {steps} intervals computed again, {len(faults)} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
