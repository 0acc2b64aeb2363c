#!/usr/bin/env python3
"""Read the pictures of labels with a reader from PyPI: labels.py FOLDER

FOLDER is what labels.mjs wrote. Every QR symbol must hold the identity of its label as a number of
40 digits, every Code 128 the text that is expected of it; both are read by PyPI `zxing-cpp` from a
picture with the printer's dots. The printed pages must have the label's size."""

import json
import pathlib
import re
import sys
import uuid

import zxingcpp
from PIL import Image

folder = pathlib.Path(sys.argv[1])
faults = []
labels = json.loads((folder / "labels.json").read_text())
bars = 0
for label in labels:
    found = {}
    picture = Image.open(folder / label["file"]).convert("L")
    for code in zxingcpp.read_barcodes(picture):
        found[str(code.format).split(".")[-1].replace(" ", "").replace("-", "").lower()] = code.text
    name = f"{label['file']} ({label['id']}): {found}"
    qr = next((text for kind, text in found.items() if kind.startswith("qr")), None)
    if qr is None or len(qr) != 40 or uuid.UUID(int=int(qr)) != uuid.UUID(label["id"]):
        faults.append(f"{name}: the QR symbol is not its identity")
    if label["bars"] is not None:
        bars += 1
        if found.get("code128") != label["bars"]:
            faults.append(f"{name}: the bars should say {label['bars']}")
if len(labels) < 6 or bars < 4 or bars == len(labels):
    faults.append(f"{len(labels)} labels, {bars} with bars: with and without bars were to be seen")

pages = re.findall(rb"/MediaBox\s*\[\s*0\s+0\s+([0-9.]+)\s+([0-9.]+)\s*\]", (folder / "labels.pdf").read_bytes())
for width, height in pages:
    # A point is 1/72 inch; 76 mm by 38 mm as shipped.
    size = [float(side) / 72 * 25.4 for side in (width, height)]
    if abs(size[0] - 76) > 0.5 or abs(size[1] - 38) > 0.5:
        faults.append(f"a printed page measures {size[0]:.1f} mm by {size[1]:.1f} mm")
if len(pages) != 2:
    faults.append(f"{len(pages)} pages were printed for a bag and its tin")

for fault in faults:
    print(f"labels: {fault}", file=sys.stderr)
print(f"{len(labels)} labels read, {bars} of them with bars too")
sys.exit(1 if faults else 0)
