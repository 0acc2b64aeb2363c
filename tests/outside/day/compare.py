"""Everything that the station says of the day, beside the model: published documents, tables, pages, papers."""

import base64
import hashlib
import json
import pathlib
import re
import subprocess
import urllib.request
from fractions import Fraction

import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from csvw import CSVW

from . import model, papers
from .story import ADA, BEN, CLEO

ROOT = pathlib.Path(__file__).resolve().parents[3]
STATUS = {"Quarry fines 22": "approved", "River sand 7": "approved", "Pit sand 3": "returned"}
# A result that was returned leaves its records as they were.
RECORDS = {**STATUS, "Pit sand 3": "preliminary"}


def all_of(day, out, v):
    consumer(day, v)
    for sample in day.samples:
        for specimen in model.complete(sample):
            record(day, specimen, v)
        result(day, sample, v)
    versions(day, v)
    weighings(day, v)
    solutions(day, v)
    equipment(day, v)
    lists(day, v)
    signatures(day, v)
    lines(day, out, v)
    tables(day, out, v)
    papers.reports(day, out, v)
    proof(day, out, v)


def at(value, *path):
    for key in path:
        value = value.get(key) if isinstance(value, dict) else value[key] if isinstance(value, list) and key < len(value) else None
    return value


def text(value, *path):
    return at(value, *path, "text")


def consumer(day, v):
    """Exactly once and in order, over the outage and the power cut."""
    archive = day.archive
    numbers = [int(d["sequence"]) for d in archive.documents()]
    v.same(numbers, list(range(1, len(numbers) + 1)), f"the consumer has {len(numbers)} documents, each once, in order")
    v.same(len({d["id"] for d in archive.documents()}), len(numbers), "no identity came under two numbers")
    v.same(archive.odd, [], "content type, not retained, one id for each number")
    before, after = day.outage
    v.same(after, before, "nothing came while the broker was away")
    made = [d for d in archive.documents("record") if d["subject"] in {s.id for s in day.samples[0].specimens}]
    v.check(len(made) >= 2, "what was made meanwhile came afterwards")
    v.check(int(made[-1]["sequence"]) > before, "and has a later number")


def record(day, s, v):
    """One specimen's newest record."""
    data = day.archive.newest("record", s.id)["data"]
    name = s.label
    v.same(data["specimen"]["label"], name, f"{name}: label")
    v.same(data["specimen"]["place"], s.place, f"{name}: place")
    for of in ("clay", "sand"):
        reading = data["readings"][of]
        v.same(reading["entered"], s.readings[of], f"{name}: {of} as it was read")
        v.same(reading["text"], model.level(s.readings[of], of), f"{name}: {of} at the mark that counts")
        v.same(data["calculation"][f"{of}Marks"], model.marks(s.readings[of], of), f"{name}: marks of {of}")
        v.same(at(reading, "by", "person"), s.readers[of][0], f"{name}: who read the {of}")
    exact = data["calculation"]["exact"]
    v.same(Fraction(exact["numerator"], exact["denominator"]), model.exact(s.readings), f"{name}: exact ratio")
    v.same(text(data, "calculation", "ratio"), model.digits(model.ratio(s.readings), 1), f"{name}: ratio to the tenth")
    v.same(text(data, "result"), str(model.reported(s.readings)), f"{name}: reported value")
    v.same([d["code"] for d in data["deviations"]], model.deviations(s), f"{name}: deviations")
    v.same([(n["kind"], n["text"], n["during"]) for n in at(data, "incidents", "notes") or []],
           [n[:3] for n in s.notes], f"{name}: notes")
    mass = data["specimen"]["mass"]
    v.same(mass and mass["text"], s.mass, f"{name}: mass of its tin")
    intervals(s, data, v)
    instants(s, data, v)
    temperature(day, s, data["temperature"], v)
    used = {(u["id"], u["state"]) for u in data["equipment"]}
    expected = {(item, "good") for item in (f"CYL-{s.place}", "SHK-1", "FOOT-1", "BAL-1")}
    v.same(used, expected, f"{name}: equipment that it used, in order")
    uses = [(u["step"], u["batch"]) for u in data["solution"]["uses"]]
    v.same(uses, [("first fill", "W-1"), ("irrigate", "W-1")], f"{name}: its bottle at fill and irrigation")
    v.same(data["solution"]["batches"][0]["stock"]["id"], "ST-1", f"{name}: the stock in that bottle")
    v.same({o["person"] for o in data["review"]["operators"]}, s.workers, f"{name}: who worked on it")
    v.same({o["qualification"] for o in data["review"]["operators"]}, {"held"}, f"{name}: they held the qualification")
    authorised(data, RECORDS[s.sample.label], v, name)
    preparation(s, data.get("preparation"), v)


def authorised(data, expected, v, name):
    v.same(data["status"], expected, f"{name}: status")
    v.same(at(data, "review", "authorised", "person"), CLEO if expected == "approved" else None, f"{name}: who authorised it")


def intervals(s, data, v):
    for step in data["steps"]:
        if step["kind"] != "interval":
            continue
        label, bounds = f"{s.label}: {step['name']}", model.lasted(s, step["name"])
        if bounds is None:
            v.check(False, f"{label} was not fed in", step)
            continue
        ns = step["duration"]["exactNs"]
        width = (bounds[1] - bounds[0]) / 1e6
        v.check(bounds[0] <= ns <= bounds[1], f"{label} lasted as fed in, known to {width:.1f} ms", (bounds, ns))
        v.same(step["duration"]["text"], model.digits(Fraction(ns, 10**9), 1), f"{label}: shown to the tenth")
        v.check(step["verdict"] in model.verdicts(s, step["name"]), f"{label}: verdict", step["verdict"])
    told = {step["name"] for step in data["steps"] if step["kind"] == "interval"}
    fed = {name for name in model.SPANS if model.lasted(s, name)}
    v.same(told, fed, f"{s.label}: these intervals and no others")


def instants(s, data, v):
    """Each mark's instant lies between sending and answer, and says who marked it."""
    found = {}
    for step in data["steps"]:
        for edge in ("begin", "end", "at"):
            if step.get(edge):
                found[step["name"], "done" if edge == "at" else edge] = step[edge]
    for edge, mark in s.marks.items():
        if edge == ("clean", "done"):
            continue
        told = found.get(edge)
        if told is None:
            v.check(False, f"{s.label}: {' '.join(edge)} is told", sorted(found))
            continue
        ns = int(Fraction(told["bootClock"]["text"]) * 10**9)
        slack = 20_000_000 if mark.stated else 0
        v.check(mark.sent - slack <= ns <= mark.answered + slack, f"{s.label}: {' '.join(edge)} when it happened", (mark, ns))
        v.same(told["by"]["person"], mark.who, f"{s.label}: who marked {' '.join(edge)}")
        stamp = "entered" if mark.stated else "arrival"
        v.same(told["stamp"], stamp, f"{s.label}: how {' '.join(edge)} was stamped")


def during(told, bounds):
    """An instant lies between sending and answer."""
    return bounds[0] <= Fraction(told["bootClock"]["text"]) * 10**9 <= bounds[1]


def temperature(day, s, told, v):
    begin, end = s.marks["first fill", "done"].answered, s.readers["clay"][1]
    low, high, mean = model.temperatures(day.site.probe.said, begin, end)
    v.same((Fraction(text(told, "minimum")), Fraction(text(told, "maximum"))), (low, high), f"{s.label}: lowest and highest temperature")
    off = abs(Fraction(text(told, "mean")) - mean)
    v.check(off <= Fraction(6, 100), f"{s.label}: mean temperature over time", (text(told, "mean"), float(mean)))
    v.same((text(told, "withoutReading"), text(told, "outside")), ("0.0", "0.0"), f"{s.label}: always a reading, always within")


def preparation(s, told, v):
    sample = s.sample
    if not sample.course:
        v.check(told is None, f"{s.label}: no course, none told", told)
        return
    v.same(told["course"], sample.course, f"{s.label}: its course")
    v.same(told["tin"]["mark"], s.tin, f"{s.label}: its tin")
    v.same(text(told, "tin", "empty"), sample.tins[s.tin], f"{s.label}: mass of the empty tin")
    v.same([(c["finding"], c["changed"]) for c in told["casts"]], sample.casts, f"{s.label}: casts")
    filled = sample.filled[s.tin]
    v.check(during(told["tin"]["filled"], filled), f"{s.label}: when its tin was filled", told["tin"]["filled"])
    if sample.accepted:
        least, most = filled[0] - sample.accepted[1], filled[1] - sample.accepted[0]
        tempered = Fraction(text(told, "tempering", "duration")) * 10**9
        v.check(least - 5e7 <= tempered <= most + 5e7, f"{s.label}: tempered from the accepted cast to its tin", (least, most, float(tempered)))
    skipped = {t["name"]: t["reason"] for t in told["steps"] if t["standing"] == "skipped"}
    v.same(skipped, sample.skipped, f"{s.label}: what was skipped, and why")
    if not sample.dried:
        return
    changes, constant, water = model.drying(sample)
    drying = told["drying"]
    v.same([text(w, "gross") for w in drying["weighings"]], sample.dried, f"{s.label}: each weighing of the drying")
    v.same([Fraction(text(w, "net")) for w in drying["weighings"]], [model.net(sample, g) for g in sample.dried], f"{s.label}: the same less the tins")
    for (sent, taken), weighed, (before, heard) in zip(sample.dried_at[1:], drying["weighings"][1:], sample.dried_at):
        after = Fraction(text(weighed, "after")) * 10**9
        v.check(sent - heard <= after <= taken - before, f"{s.label}: time between two weighings", (sent - heard, taken - before, float(after)))
    shown = [text(w, "change") for w in drying["weighings"][1:]]
    v.same(shown, [model.digits(c, len(t.partition(".")[2])) for c, t in zip(changes, shown)], f"{s.label}: changes of mass in percent")
    v.check(len(shown) == len(changes) and all(len(t.partition(".")[2]) >= 3 for t in shown), f"{s.label}: to a thousandth at least", shown)
    v.same(drying["constant"], constant, f"{s.label}: constant mass")
    wet = text(drying, "water")
    v.same(wet, model.digits(water, len(wet.partition(".")[2])), f"{s.label}: water that was driven off")


def result(day, sample, v):
    data = day.archive.newest("result", sample.id)["data"]
    name = sample.label
    counting = model.counts(sample)
    v.same([s["label"] for s in data["specimens"]], [s.label for s in counting], f"{name}: what counts")
    v.same([text(s, "reported") for s in data["specimens"]], [str(model.reported(s.readings)) for s in counting], f"{name}: reported values of them")
    v.same(text(data, "result"), str(model.result(sample)), f"{name}: the result")
    v.same(text(data, "difference"), str(model.difference(sample)), f"{name}: difference")
    total = sum(model.reported(s.readings) for s in counting)
    v.same((data["average"]["count"], text(data, "average", "sum")), (len(counting), str(total)), f"{name}: sum and count")
    accepted = data["acceptance"]
    v.same(accepted["limit"], {"atLeast": sample.particulars["limit"]["at-least"], "specification": sample.particulars["limit"]["specification"]}, f"{name}: its limit")
    v.same(accepted["verdict"], "pass" if model.passes(sample) else "fail", f"{name}: pass or fail")
    v.same(accepted["compared"], str(model.result(sample)), f"{name}: what was compared")
    told, (which, allowed, verdict) = data["precision"], model.precision(sample)
    v.same((told["class"], Fraction(told["operator"]["range"]), told["verdict"]), (which, allowed, verdict), f"{name}: beside the published precision")
    out = {n["label"]: (n["why"], at(n, "replacedBy", "label")) for n in data.get("notCounted", [])}
    expected = {s.label: ("void", None) for s in sample.specimens if s.voided}
    expected |= {s.label: ("replaced", s.replaced_by.label) for s in sample.specimens if s.replaced_by}
    v.same(out, expected, f"{name}: what does not count, and why")
    admitted = [(c["who"]["person"], c["reason"]) for c in data.get("changes", []) if c["kind"] == "admitted"]
    v.same(admitted, [(CLEO, s.admitted) for s in sample.specimens if s.admitted], f"{name}: who admitted what")
    decided = [(d["decision"], d["who"]["person"], d["reason"]) for d in data["review"]["decisions"]]
    v.same(decided, sample.decisions, f"{name}: what the reviewer decided")
    authorised(data, STATUS[name], v, name)
    said = data["sample"]["particulars"]
    camel = lambda key: re.sub("-(.)", lambda m: m[1].upper(), key)
    fed = {camel(k): t for k, t in sample.particulars.items() if k != "limit"}
    v.same({k: t for k, t in said.items() if k != "limit"}, fed, f"{name}: what came with the bag")
    v.same({k: m["text"] for k, m in data["sample"]["masses"].items()}, sample.masses, f"{name}: its masses")


def versions(day, v):
    """The correction after approval: each version names the one before."""
    quarry, _, pit = day.samples
    first = quarry.specimens[0]
    of = lambda kind, subject: [d for d in day.archive.documents(kind) if d["subject"] == subject]
    records, results = of("record", first.id), of("result", quarry.id)
    v.same([d["data"]["status"] for d in records], ["preliminary", "approved", "preliminary", "approved"], "a corrected record is preliminary again, then approved")
    v.same([d["data"]["status"] for d in results], ["preliminary", "approved", "preliminary", "approved"], "so is the result")
    for kind, series in (("record", records), ("result", results)):
        v.same([at(d, "data", "replaces", "id") for d in series[1:]], [d["id"] for d in series[:-1]], f"each {kind} names the one that it replaces")
    before, after, who, reason = first.corrected["sand"]
    [change] = [c for c in records[-1]["data"]["changes"] if c["kind"] == "reading-corrected"] or [{}]
    v.same((at(change, "from", "entered"), at(change, "to", "entered"), at(change, "who", "person"), change.get("reason")),
           (before, after, who, reason), "what stood there, what stands there, who and why")
    old = dict(first.readings, sand=before)
    v.same(text(records[0]["data"], "result"), str(model.reported(old)), "the first version holds the first value")
    mean = [model.reported(old), model.reported(quarry.specimens[1].readings)]
    v.same(text(results[0]["data"], "result"), str(-(-sum(mean) // 2)), "and so does the first result")
    v.same([d["data"]["status"] for d in of("result", pit.id)], ["preliminary", "returned"], "the returned result is told")


def weighings(day, v):
    told = {d["id"]: d["data"] for d in day.archive.documents("weighing")}
    fed = [grams for sample in day.samples for grams in sample.masses.values()]
    fed += [g for s in day.samples for g in [*s.dried, *([s.before] if s.before else []), *filter(None, s.tins.values())]]
    fed += [grams for (_, _), grams in day.parts.items() if " " not in grams]
    fed += [s.mass for sample in day.samples for s in sample.specimens if s.mass]
    found = sorted(told[identity]["weighing"]["text"] for identity in day.weighed)
    v.same(found, sorted(fed), f"{len(fed)} weighings, each with the digits of the balance")
    v.check(all(w["text"] in w["origin"]["raw"] for w in (d["weighing"] for d in told.values())), "each with the balance's own line behind it")
    pit = day.samples[2]
    tin = [d for d in told.values() if d["weighing"]["text"] == pit.specimens[0].mass]
    v.same(at(tin, 0, "for", "label"), pit.specimens[0].label, "the tin's mass went to its specimen")


def solutions(day, v):
    page = {b["id"]: b for b in day.station.json("/solutions/view")["batches"]}
    litres = day.batches["ST-1"][1]
    for part in page["ST-1"]["parts"]:
        if part["name"] not in model.STOCK:
            continue
        target, least, most = model.component(part["name"], litres)
        shown = part["mass"]["text"].removesuffix(" g")
        places = len(shown.partition(".")[2])
        v.same(shown, model.digits(target, places), f"stock, {part['name']}: how much was wanted for {litres} L")
        v.check(least <= Fraction(day.parts["ST-1", part["name"]]) <= most, f"stock, {part['name']}: within the limits of the model")
        v.same(part["sum"], f"{day.parts['ST-1', part['name']]} g", f"stock, {part['name']}: as it was weighed")
    filled = len([s for sample in day.samples for s in sample.specimens])
    irrigated = len([s for sample in day.samples for s in model.complete(sample)])
    v.same((page["W-1"]["inUse"], page["W-1"]["fillings"]), (True, filled), "the working solution is in use, and its cylinders counted")
    # 80 mL at the first fill and 221 mL at irrigation (bore 31.75 mm, 4.0 and 15.0 in), of 3.8 L.
    left = Fraction("3.8") - Fraction(80 * filled + 221 * irrigated, 1000)
    v.same(page["W-1"]["left"], f"{model.digits(left, 1)} L", "about so much is left")


def equipment(day, v):
    items = {i["id"]: i for i in day.station.json("/equipment/view")["items"]}
    v.same({i["state"] for i in items.values()}, {"good"}, f"{len(items)} items, each in order")
    foot = json.dumps(items["FOOT-1"]["checks"], ensure_ascii=False)
    v.check("1001.37 g" in foot, "the foot's mass stands at its check", foot[:600])
    rate = json.dumps(items["SHK-1"]["checks"], ensure_ascii=False)
    # 350 cycles in 120 s.
    v.check(re.search(r"\b175(\.0+)?\b", rate), "350 cycles in 120 s are 175 a minute", rate[:900])
    balance = json.dumps(items["BAL-1"]["checks"], ensure_ascii=False)
    v.check("0.01" in balance and "1000.01" in balance, "the balance's error at its check mass", balance[:900])


def lists(day, v):
    """What the pages show as lists."""
    newest = day.station.json("/records/list?versions=newest&limit=200")["documents"]
    found = {(d["kind"], d["label"]): (d["result"], d["status"]) for d in newest}
    expected = {("result", s.label): (str(model.result(s)), STATUS[s.label]) for s in day.samples}
    expected |= {("record", c.label): (str(model.reported(c.readings)), RECORDS[s.label]) for s in day.samples for c in model.complete(s)}
    v.same(found, expected, "the list of records: newest versions, results, statuses")
    waits = day.station.json("/review/view")["items"]
    v.same([(w["label"], w["state"]) for w in waits], [("Pit sand 3", "returned")], "the reviewer's list holds what was returned alone")
    for sample in day.samples:
        page = day.station.json(f"/samples/{sample.id}/data")
        v.same(page["reported"], str(model.result(sample)), f"{sample.label}: its page shows the result")
        shown = [f"sand equivalent {model.reported(s.readings)}" if s.readings else f"given up: {s.voided}" for s in sample.specimens]
        v.same([(s["label"], s["state"]) for s in page["specimens"]], list(zip([s.label for s in sample.specimens], shown)), f"{sample.label}: its page shows its specimens")
        by_code = day.station.json(f"/samples/{int(sample.id.replace('-', ''), 16):040}/data")
        v.same(by_code["id"], sample.id, f"{sample.label}: found by the code on its label")
        v.same(day.find(f"{int(sample.id.replace('-', ''), 16):040}"), sample.id, f"{sample.label}: and by a scan of it")
    v.same(day.find(day.samples[1].particulars["identifier"]), day.samples[1].id, "a scan of the bag's own code leads to its sample")
    points = {p["label"]: p["text"] for c in day.station.json("/charts/view")["charts"] for p in c["points"]}
    v.same(points, {s.label: model.digits(model.mean(s), 2) for s in day.samples}, "control charts hold the means before any rounding")


def lines(day, out, v):
    """JSON lines: byte for byte as they were published."""
    body = day.station.get("/records/export?what=both&as=json-lines&versions=all")
    published = [p for p, (k, _) in zip(day.archive.payloads, day.archive.taken) if k != "weighing"]
    v.same(body.splitlines(), published, f"JSON lines: {len(published)} documents, byte for byte as published")
    path = out / "day.jsonl"
    path.write_bytes(b"\n".join(day.archive.payloads) + b"\n")
    records = subprocess.run([str(ROOT / "tests/outside/records.sh"), str(path)], capture_output=True, text=True)
    v.check(records.returncode == 0, "schemas, envelopes and units, by other people's validators", records.stdout[-1500:] + records.stderr[-1500:])


def signatures(day, v):
    """Each record and result: Ed25519 (RFC 8032, by PyPI `cryptography`) over canonical JSON (RFC 8785, by
    PyPI `rfc8785`), as docs/integrator.md says, with the keys that are kept at the broker (RFC 7517)."""
    v.same(day.station.json("/keys"), day.archive.keys, "the keys at the broker are those of the pages")
    v.same(len(day.archive.keys["keys"]), 1, "one key for the whole day, though the station was killed in it")
    keys = {}
    for key in day.archive.keys["keys"]:
        # RFC 7638: the required members of the key, in canonical form.
        thumb = hashlib.sha256(rfc8785.dumps({name: key[name] for name in ("crv", "kty", "x")})).digest()
        v.same(key["kid"], base64.urlsafe_b64encode(thumb).decode().rstrip("="), "a key is named by its thumbprint")
        keys[key["kid"]] = Ed25519PublicKey.from_public_bytes(base64.urlsafe_b64decode(key["x"] + "="))

    def holds(document):
        document = dict(document)
        signature = base64.urlsafe_b64decode(document.pop("signature") + "==")
        try:
            keys[document["signedby"]].verify(signature, rfc8785.dumps(document))
        except InvalidSignature:
            return False
        return True

    documents = [(kind, json.loads(payload)) for (kind, _), payload in zip(day.archive.taken, day.archive.payloads)]
    signed = [document for kind, document in documents if kind != "weighing"]
    v.check(signed and all(map(holds, signed)), f"the signatures of {len(signed)} records and results are good")
    v.check(not any("signature" in document for kind, document in documents if kind == "weighing"), "weighings bear none")
    for name, other in (("sequence", "0000000000"), ("time", "2031-01-01T00:00:00.000Z"), ("data", {})):
        v.check(not holds({**signed[0], name: other}), f"control: another `{name}` breaks it")
    v.same(day.station.json(f"/documents/{signed[0]['id']}/signature"), {"seen": "good", "key": signed[0]["signedby"]},
           "the record's page says so")


def fetched(day, what, out):
    """A table with its description, as they lie side by side."""
    query = f"what={what}&as=csv&versions=newest"
    with urllib.request.urlopen(f"http://127.0.0.1:{day.station.port}/records/export?{query}") as answer:
        body, link = answer.read(), answer.headers.get("Link") or ""
    description = day.station.get(f"/records/export/description?what={what}&as=csv&versions=newest")
    name = json.loads(description)["url"]
    (out / name).write_bytes(body)
    (out / f"{name}-metadata.json").write_bytes(description)
    return name, link


def tables(day, out, v):
    for what in ("records", "results"):
        name, link = fetched(day, what, out)
        v.check('rel="describedby"' in link, f"table of {what}: names its description", link)
        table = CSVW(str(out / f"{name}-metadata.json"), validate=True)
        v.check(table.is_valid, f"table of {what}: valid by its description")
        rows = list(table.tables[0].iterdicts(strict=True))
        records_table(day, rows, v) if what == "records" else results_table(day, rows, v)


def records_table(day, rows, v):
    by_label = {row["specimen"]: row for row in rows}
    fed = [s for sample in day.samples for s in model.complete(sample)]
    v.same(sorted(by_label), sorted(s.label for s in fed), "table of records: a row for each complete specimen")
    for s in fed:
        row, exact = by_label[s.label], model.exact(s.readings)
        found = [str(row[k]) for k in ("clay_entered", "clay", "sand_entered", "sand", "ratio", "result", "clay_by", "status", "place", "sample", "limit_at_least")]
        expected = [s.readings["clay"], model.level(s.readings["clay"], "clay"), s.readings["sand"], model.level(s.readings["sand"], "sand"),
                    model.digits(model.ratio(s.readings), 1), str(model.reported(s.readings)), s.readers["clay"][0], RECORDS[s.sample.label],
                    str(s.place), s.sample.label, s.sample.particulars["limit"]["at-least"]]
        v.same(found, expected, f"table of records: {s.label}")
        v.same(Fraction(row["before_rounding"]), exact, f"table of records: {s.label} before rounding")
        v.same(row["deviation_codes"] or [], model.deviations(s), f"table of records: {s.label}, its deviations")
        v.same(row["mass"] and str(row["mass"]), s.mass, f"table of records: {s.label}, its mass")


def results_table(day, rows, v):
    by_label = {row["sample"]: row for row in rows}
    for sample in day.samples:
        row = by_label[sample.label]
        found = [str(row[k]) for k in ("result", "specimens", "difference", "difference_verdict", "status", "project", "material")]
        expected = [str(model.result(sample)), str(len(model.counts(sample))), str(model.difference(sample)), "no-limit",
                    STATUS[sample.label], sample.particulars["project"], sample.particulars["material"]]
        v.same(found, expected, f"table of results: {sample.label}")


def proof(day, out, v):
    journal, copy = day.site.work / "journal.sqlite", out / "backup.sqlite"
    copy.unlink(missing_ok=True)
    sound = day.station.command("verify", str(journal))
    v.check(sound.returncode == 0 and f"{len(day.archive.documents())} documents" in sound.stdout, "the journal verifies while the station runs", sound.stdout + sound.stderr)
    made = day.station.command("backup", str(journal), str(copy))
    v.check(made.returncode == 0, "a backup is made and found sound", made.stdout + made.stderr)
    again = day.station.command("verify", str(copy))
    v.check(again.returncode == 0, "the backup verifies", again.stdout + again.stderr)
    exported = out / "from-backup.csv"
    for path in (exported, out / "from-backup.csv-metadata.json"):
        path.unlink(missing_ok=True)
    command = day.station.command("export", "--journal", str(copy), "--zone", "Europe/Lisbon", "--out", str(exported))
    same = command.returncode == 0 and exported.read_bytes() == next(out.glob("*records*.csv")).read_bytes()
    v.check(same, "the command gives the same table from the backup", command.stdout + command.stderr)
    copy.unlink(missing_ok=True)


__all__ = ["all_of", "ADA", "BEN"]
