"""A filled worksheet beside the report: the day's own figures, written by hand into the blank one."""

import json
import os
import pathlib
import subprocess
from fractions import Fraction

from PIL import Image

from . import model, story

ROOT = pathlib.Path(__file__).resolve().parents[3]


def beside(day, out, v):
    """The first sample's; one picture, for people to look at."""
    sample = day.samples[0]
    written = out / "written.json"
    written.write_text(json.dumps(filled(day, sample)))
    pdf = out / "worksheet.pdf"
    tools = os.environ.get("PLAYWRIGHT", str(ROOT / "tests/tools/node"))
    url = f"http://127.0.0.1:{day.station.port}/worksheet/{story.METHOD}"
    done = subprocess.run(["node", str(ROOT / "tests/outside/day/worksheet.mjs"), url, str(written), str(pdf)],
                          capture_output=True, text=True, env={**os.environ, "PLAYWRIGHT": tools})
    v.check(done.returncode == 0, "the blank worksheet has a place for everything that was written", done.stdout + done.stderr)
    if done.returncode:
        return
    text = subprocess.run(["pdftotext", "-raw", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
    for s in model.complete(sample):
        v.check(f"{model.digits(model.ratio(s.readings), 1)}" in text, f"the filled worksheet holds the ratio of {s.label}")
    report = out / "quarryfines22.pdf"
    pages = [first_page(pdf, out / "left"), first_page(report, out / "right")]
    height = max(page.height for page in pages)
    both = Image.new("RGB", (sum(page.width for page in pages) + 24, height), "#888")
    left = 0
    for page in pages:
        both.paste(page, (left, 0))
        left += page.width + 24
    # 64 colours are enough for print, and the file stays small.
    both.quantize(64).save(out / "worksheet-beside-report.png", optimize=True)


def first_page(pdf, stem):
    subprocess.run(["pdftoppm", "-r", "80", "-png", str(pdf), str(stem)], check=True)
    pages = [Image.open(path).convert("RGB") for path in sorted(stem.parent.glob(f"{stem.name}-*.png"))]
    whole = Image.new("RGB", (max(page.width for page in pages), sum(page.height + 12 for page in pages)), "#888")
    top = 0
    for page in pages:
        whole.paste(page, (0, top))
        top += page.height + 12
    for path in stem.parent.glob(f"{stem.name}-*.png"):
        path.unlink()
    return whole


def filled(day, sample):
    """What somebody at the bench would have written, in the words of the worksheet."""
    said, limit = sample.particulars, sample.particulars["limit"]
    specimens = model.complete(sample)
    # The filling of a tin is the first mark of its specimen.
    begun = min(sample.filled[s.tin][0] for s in specimens)
    ended = max(s.readers["sand"][1] for s in specimens)
    changes, constant, water = model.drying(sample)
    named = {
        "Sample": sample.label, "Identifier": said["identifier"], "Project": said["project"], "Material": said["material"],
        "Source": said["source"], "Lot": said["lot"], "Stands for": said["quantity"], "Intended use": said["intended-use"],
        "Sampled, at": f"{said['sampled-at'].replace('T', ' ')}, {said['sampled-where']}", "Sampled by": said["sampled-by"],
        "Received": said["brought-at"].replace("T", " "), "Brought by": said["brought-by"],
        "Result, made of": f"{model.result(sample)}, of {' and '.join(str(s.number) for s in model.counts(sample))}",
        "Largest difference": str(model.difference(sample)),
        "Specification": f"at least {limit['at-least']} ({limit['specification']})",
        "Acceptance: pass, fail": "pass" if model.passes(sample) else "fail",
        "Tested from, to": f"{at(day, begun)} to {at(day, ended)}", "Where": "Bench of an invented day", "By": story.ADA,
        "Status": "approved, C. Marsh",
    }
    dash = "–"
    drying = [[None, f"{sample.before} g", f"{model.digits(model.net(sample, sample.before), 2)} g", dash, dash, dash]]
    for n, grams in enumerate(sample.dried):
        row = [None, f"{grams} g", f"{model.digits(model.net(sample, grams), 2)} g", dash, dash, dash, at(day, sample.dried_at[n][0])]
        if n:
            after = sample.dried_at[n][0] - sample.dried_at[n - 1][0]
            done = "yes" if n == len(changes) and constant else "not yet"
            row[3:6] = [f"{model.digits(Fraction(after, 10**9), 1)} s", f"{model.digits(changes[n - 1], 3)} %", done]
        drying.append(row)
    tables = {
        "Specimens": [[None, *levels(s), model.digits(model.ratio(s.readings), 1), str(model.reported(s.readings)), warmth(day, s)] for s in specimens],
        "Intervals": [[None, at(day, s.marks["first fill", "done"].sent), *(spans(day, s, name) for name in model.SPANS)] for s in specimens],
        "Preparation": [[None, *(taken(sample, step))] for step in STEPS],
        "Preparation#2": [[None, s.tin, sample.tins[s.tin], f"{at(day, sample.filled[s.tin][0])}, A. Brook", tempered(sample, s), "1"] for s in specimens],
        "Drying": drying,
        "Masses": [[None, None, sample.masses["passing"], None, "BAL-1"]],
        "Solution": [["W-1", "t176-working, distilled", story.BEN, None, "ST-1"]],
        "Equipment": [[item] for item in ("BAL-1", f"CYL-{specimens[0].place}", "SHK-1", "FOOT-1")],
    }
    return {"named": named, "tables": tables}


STEPS = ("sieve", "keep the fines", "weigh what passed", "reduce", "weigh what is left", "moisture", "temper", "tins", "dry")


def taken(sample, step):
    if step in sample.skipped:
        return None, f"skipped: {sample.skipped[step]}"
    if step == "moisture":
        return story.ADA, "; ".join(f"{finding.replace('-', ' ')}{': ' + changed if changed else ''}" for finding, changed in sample.casts)
    return story.ADA, None


def tempered(sample, s):
    return f"{model.digits(Fraction(sample.filled[s.tin][0] - sample.accepted[0], 10**9), 1)} s"


def levels(s):
    return [[s.readings["clay"], model.level(s.readings["clay"], "clay")],
            [s.readings["sand"], str(float(model.OFFSET)), model.level(s.readings["sand"], "sand")]]


def warmth(day, s):
    begin, end = s.marks["first fill", "done"].answered, s.readers["clay"][1]
    low, high, mean = model.temperatures(day.site.probe.said, begin, end)
    return f"{model.digits(low, 1)}, {model.digits(mean, 2)}, {model.digits(high, 1)}"


def at(day, boot):
    return f"{day.wall(boot):%H:%M:%S}"


def spans(day, s, name):
    begin, end = (s.marks[edge].sent if edge in s.marks else None for edge in model.SPANS[name])
    if begin is None:
        return None
    return [at(day, begin), at(day, end), f"{model.digits(Fraction(end - begin, 10**9), 1)} s"]
