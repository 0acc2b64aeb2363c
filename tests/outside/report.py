#!/usr/bin/env python3
"""Reports of a rehearsal, read back by other tools: report.py PROGRAM [FOLDER]

Plays a rehearsal to its end, prints the report of every sample beside the journal, and compares what
poppler's `pdftotext` reads in it with the documents in the journal (read with Python's sqlite3, their
digests made with Python's hashlib). The QR symbol is read from a picture of the page by PyPI's
`zxing-cpp`; `pdffonts` must say of every font that it is embedded. FOLDER keeps PDFs and pictures."""

import hashlib
import json
import pathlib
import re
import sqlite3
import subprocess
import sys
import tempfile

import zxingcpp
from PIL import Image

program = sys.argv[1]
scratch = tempfile.TemporaryDirectory()
folder = pathlib.Path(sys.argv[2]) if len(sys.argv) > 2 else pathlib.Path(scratch.name) / "report"
folder.mkdir(parents=True, exist_ok=True)
out = pathlib.Path(scratch.name) / "rehearsal"
faults = []


def check(good, words):
    print(f"{'ok   ' if good else 'WRONG'} {words}")
    if not good:
        faults.append(words)


def run(*command, **more):
    return subprocess.run(command, capture_output=True, check=True, **more).stdout


def report(*arguments):
    done = subprocess.run([program, "report", *arguments, "--settings", str(settings)], capture_output=True, text=True)
    return done.returncode, done.stderr


run(program, "rehearse", "--once", "--pace", "600", "--listen", "127.0.0.1:0", "--out", str(out))
settings = out / "stillstand.toml"
laboratory = ["Ostrow Materials Laboratory", "4 Kiln Lane", "Ostrow Mills"]
methods = pathlib.Path("config/methods").resolve()
settings.write_text(
    f'[station]\nmethods = "{methods}"\n[journal]\npath = "journal.sqlite"\n'
    f'[laboratory]\nname = "{laboratory[0]}"\naddress = ["{laboratory[1]}", "{laboratory[2]}"]\n'
)
# Read only: the rehearsal is over, and the report must find the journal as it was left.
journal = sqlite3.connect(f"file:{out / 'journal.sqlite'}?mode=ro", uri=True)
documents = {}
for number, identity, kind, payload in journal.execute("SELECT number, id, kind, payload FROM outbox ORDER BY number"):
    document = json.loads(payload)
    if kind == "weighing":
        continue
    # The newest version of each.
    documents[(kind, document["subject"])] = (number, identity, document["data"], hashlib.sha256(payload.encode()).hexdigest())
results = {d["sample"]["label"]: (n, i, d, s) for (kind, _), (n, i, d, s) in documents.items() if kind == "result"}
check(len(results) == 3, f"three samples have a result: {', '.join(results)}")


def squeezed(text):
    """Without white space: where lines break is the printer's business."""
    return re.sub(r"\s+", "", text)


UNITS = {"[in_i]": "in", "Cel": "°C", "[degF]": "°F", "1": "", "s": "s", "g": "g"}


def amount(figure):
    return f"{figure['text']} {UNITS[figure['unit']]}".strip()


def expected(label, result, records):
    """Every figure and sentence that a published document of the sample holds."""
    yield from laboratory
    yield from [label, result["result"]["text"], result["method"]["standard"], result["method"]["sha256"]]
    for record in records:
        data = record[2]
        yield data["specimen"]["label"]
        yield amount(data["calculation"]["ratio"])
        yield data["result"]["text"]
        for reading in data["readings"].values():
            yield amount(reading)
            yield reading["entered"]
        for step in data["steps"]:
            if step["kind"] == "interval":
                yield amount(step["duration"])
        for deviation in data["deviations"]:
            for part in ("required", "actual"):
                yield deviation[part]
        for mean in ("mean", "minimum", "maximum"):
            if data["temperature"][mean]:
                yield data["temperature"][mean]["text"]
    for weighing in result["sample"]["masses"].values():
        yield amount(weighing)
    yield "The results relate only to the items tested"
    yield "Preliminary, not authorised"


for label, (number, identity, data, digest) in results.items():
    name = squeezed(label).lower()
    pdf = folder / f"{name}.pdf"
    pdf.unlink(missing_ok=True)
    code, said = report(label, "--out", str(pdf))
    check(code == 0, f"{label}: a report is made {said}")
    again = run(program, "report", label, "--settings", str(settings), "--out", "-")
    check(again == pdf.read_bytes(), f"{label}: the same journal gives the same bytes")
    by_number = run(program, "report", str(number), "--settings", str(settings), "--out", "-")
    check(by_number == again, f"{label}: found by the number of its result too")
    records = [documents[("record", s["id"])] for s in data["specimens"]]
    text = run("pdftotext", "-raw", str(pdf), "-").decode()
    flat = squeezed(text)
    missing = [part for part in expected(label, data, records) if squeezed(part) not in flat]
    check(not missing, f"{label}: all that was published stands on the paper {missing or ''}")
    identities = [(identity, digest), *((r[1], r[3]) for r in records)]
    check(all(i in flat and s in flat for i, s in identities), f"{label}: identities and digests of its documents")
    pages = text.count("\f")
    check(pages == 1, f"{label}: one page, and it has {pages}")
    for page, words in enumerate(text.split("\f")[:pages], 1):
        flat_page = squeezed(words)
        check(f"page{page}of{pages}" in flat_page and identity in flat_page, f"{label}: page {page} has its number and identity")
    check(f"Endofreport{identity}" in flat, f"{label}: the end is marked")
    check("REHEARSAL" in flat, f"{label}: a rehearsal is no report, and says so across the page")
    fonts = run("pdffonts", str(pdf)).decode().splitlines()[2:]
    # name, type (two words), encoding, emb, sub, uni, object
    check(fonts and all(re.search(r"\s(yes)\s+(yes)\s+(yes)\s+\d+\s+\d+$", line) for line in fonts), f"{label}: {len(fonts)} fonts, embedded, with their characters")
    meta = run("pdfinfo", "-meta", str(pdf)).decode()
    check('pdfaid:part' in meta and "2" in meta.split("pdfaid:part")[1][:4], f"{label}: says that it is PDF/A-2")
    run("pdftoppm", "-r", "200", "-png", str(pdf), str(folder / name))
    picture = Image.open(sorted(folder.glob(f"{name}-*.png"))[0]).convert("L")
    codes = [found.text for found in zxingcpp.read_barcodes(picture)]
    check(codes == [f"urn:uuid:{identity} nih:sha-256;{digest}"], f"{label}: the symbol holds identity and digest: {codes}")

blank = folder / "worksheet.pdf"
blank.unlink(missing_ok=True)
code, said = report("--blank", "aashto-t176-mechanical", "--out", str(blank))
text = squeezed(run("pdftotext", "-raw", str(blank), "-").decode())
check(code == 0 and "AASHTOT176" in text and "1185to1215s" in text, f"a blank worksheet {said}")
run("pdftoppm", "-r", "110", "-png", str(blank), str(folder / "worksheet"))

code, said = report("no such sample", "--out", str(folder / "none.pdf"))
check(code == 65 and "no such sample" in said and not (folder / "none.pdf").exists(), f"an unknown sample is refused: {said.strip()}")
code, said = report(next(iter(results)), "--out", str(blank))
check(code == 73 and "there already" in said, f"a file that is there stays: {said.strip()}")
code, said = report("--blank", "no-such-method", "--out", str(folder / "none.pdf"))
check(code == 65 and "aashto-t176-mechanical" in said, f"an unknown method is refused with those that there are: {said.strip()}")

for fault in faults:
    print(f"report: {fault}", file=sys.stderr)
sys.exit(1 if faults else 0)
