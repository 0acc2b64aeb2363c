"""Reports as a page and as PDF, read back by poppler's `pdftotext` and Python's HTML parser."""

import re
import subprocess
from html.parser import HTMLParser

from . import model

FEET = "less 10.0"


class Words(HTMLParser):
    """What a reader sees of the sheet."""

    def __init__(self, page):
        super().__init__()
        self.depth, self.words = 0, []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        if tag == "article" or self.depth and tag not in ("br", "meta", "link"):
            self.depth += 1

    def handle_endtag(self, tag):
        if self.depth:
            self.depth -= 1

    def handle_data(self, data):
        if self.depth:
            self.words.append(data)


def squeezed(text):
    """Without white space: where lines break is the printer's business."""
    return re.sub(r"\s+", "", text)


def expected(sample):
    """(name, words that stand on the report), from what was fed in."""
    said = sample.particulars
    for key in ("identifier", "project", "lot", "quantity", "material", "source", "intended-use", "sampled-by", "sampled-where", "brought-by"):
        if key in said:
            yield key, said[key]
    for key in ("sampled-at", "brought-at"):
        if key in said:
            yield key, said[key].replace("T", " ")
    limit = said["limit"]
    yield "limit", f"at least {limit['at-least']} ({limit['specification']})"
    yield "result", f"{model.result(sample)} Sand equivalent"
    yield "verdict", f"{'Pass' if model.passes(sample) else 'Fail'}: {model.result(sample)}, at least {limit['at-least']}"
    first, *others = model.counts(sample)
    yield "what counts", ", ".join([f"Made of {first.label}", *(f"-{s.number}" for s in others)])
    yield "difference", f"Largest difference {model.difference(sample)}"
    for s in model.complete(sample):
        clay, sand = (model.level(s.readings[of], of) for of in ("clay", "sand"))
        entered = s.readings["clay"]
        read = f"{clay} in" if entered == clay else f"{clay} in (read {entered})"
        row = f"{s.label} {read} {sand} in (read {s.readings['sand']}, {FEET}) {model.digits(model.ratio(s.readings), 1)} {model.reported(s.readings)}"
        yield f"readings, ratio and result of {s.label}", row
        if s.mass:
            yield f"tin of {s.label}", f"{s.mass} g"
    for name, grams in sample.masses.items():
        yield f"mass {name}", f"{grams} g"
    yield from course(sample)
    for s in sample.specimens:
        if s.replaced_by:
            yield f"{s.label} is replaced", s.replaced_by.label
        if s.voided:
            yield f"{s.label} is given up", s.voided
        if s.admitted:
            yield f"{s.label} is admitted", s.admitted
        for note in s.notes:
            yield f"note on {s.label}", note[1]
        for before, after, who, reason in s.corrected.values():
            yield f"correction of {s.label}", reason
            sand = [f"{model.level(text, 'sand')} in (read {text}, {FEET})" for text in (before, after)]
            yield f"digits before and after at {s.label}", " ".join(sand)
    which, allowed, verdict = model.precision(sample)
    yield "precision", f"{verdict.capitalize()}: {model.difference(sample)} apart, {float(allowed)} published for one operator (class {which}"
    for item in ("BAL-1", "FOOT-1", "SHK-1"):
        yield "equipment", item
    yield "bottle", "W-1"
    yield "stock, its last day", "last day 2031-06-30"
    decision, who, why = sample.decisions[-1]
    yield "who decided", f"authorised by {who}" if decision == "approved" else f"Returned by {who}: {why}"


def course(sample):
    for mark, empty in sample.tins.items():
        yield f"tin {mark}", mark
        if empty:
            yield f"tin {mark}, empty", f"{empty} g"
    for step, why in sample.skipped.items():
        yield f"skipped: {step}", why
    if not sample.dried:
        return
    changes, constant, water = model.drying(sample)
    for grams in (sample.before, *sample.dried):
        yield "drying", f"{grams} g"
        yield "net", f"{model.digits(model.net(sample, grams), 2)} g"
    for change in changes:
        yield "change of mass", model.digits(change, 3)
    yield "water", model.digits(water, 2)
    for _, changed in sample.casts:
        if changed:
            yield "cast", changed


def reports(day, out, v):
    for sample in day.samples:
        name = squeezed(sample.label).lower()
        page = day.station.get(f"/report/{sample.id}").decode()
        pdf = out / f"{name}.pdf"
        pdf.write_bytes(day.station.get(f"/report/{sample.id}/pdf"))
        text = subprocess.run(["pdftotext", "-raw", str(pdf), "-"], capture_output=True, text=True, check=True).stdout
        papers = {"page": squeezed("".join(Words(page).words).replace("▲", "")), "PDF": squeezed(text.replace("▲", ""))}
        for where, flat in papers.items():
            missing = [(what, words) for what, words in expected(sample) if squeezed(words) not in flat]
            for what, words in expected(sample):
                v.check((what, words) not in missing, f"{sample.label}, report as {where}: {what}", words)
            identity = day.archive.newest("result", sample.id)["id"]
            v.check(identity in flat, f"{sample.label}, report as {where}: names the newest result")
            for s in model.complete(sample):
                mark = s.marks["first fill", "done"]
                rows = {squeezed(f"{s.label} {day.wall(at):%Y-%m-%d %H:%M:%S}") for at in (mark.sent, mark.answered)}
                v.check(any(row in flat for row in rows), f"{sample.label}, report as {where}: first fill of {s.label}", rows)
            v.same("RETURNED" in flat, sample.label == "Pit sand 3", f"{sample.label}, report as {where}: returned across the page, or not")
            raw = re.findall(r"own-rule|before-drying|not-remixed|max-difference|oven-dry-2|alternate-1|first-fill", flat)
            v.same(raw, [], f"{sample.label}, report as {where}: no raw word of a program")
        for old in out.glob(f"{name}-*.png"):
            old.unlink()
        subprocess.run(["pdftoppm", "-r", "70", "-png", str(pdf), str(out / name)], check=True)
