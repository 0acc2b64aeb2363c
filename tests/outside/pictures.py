#!/usr/bin/env python3
"""The pictures of docs/ out of those that the checks of a run took: pictures.py FROM TO

Each picture that a document shows is one of the table below, so a page that looks otherwise is seen in the
documents after the next run: PICTURES=docs/pictures tests/outside/run-all PROGRAM. Reduced to 128 colours
(Pillow), cut below where only more of the same follows."""

import pathlib
import re
import sys

from PIL import Image

ROOT = pathlib.Path(__file__).resolve().parents[2]
LONGEST = 1200
# In docs/: taken by which check.
TABLE = {
    "bench-touch": "touch/clash", "bench-more": "touch/more", "bench-why": "touch/why", "reading": "touch/reading",
    "room": "stations/forecast", "room-stations": "stations/two-stations", "samples": "labels/samples-1280x800",
    "sample": "quality/decided-1280x800", "preparation": "preparation-drying", "solutions": "solutions/solutions-shelf-1280x800",
    "weighing-out": "solutions/solutions-weighing-1280x800", "equipment": "equipment/equipment-1280x800",
    "record": "axe/record-light", "versions": "versions/versions", "records": "archive/records", "people": "people/people-1280-light",
    "review": "people/review-1280-light", "charts": "quality/charts-1280x800", "settings": "axe/settings-light",
    "label": "labels/labels-page", "report": "report/report-1280x800", "worksheet": "report/worksheet-1280x800",
    "sign-on": "door/sign-on-light-1024", "bench-spanish": "axe-spanish/bench-light", "worksheet-and-report": "day/worksheet-beside-report",
}


def shown():
    """The pictures that documents show, by name."""
    pages = [ROOT / "README.md", *(ROOT / "docs").glob("*.md")]
    return {name for page in pages for name in re.findall(r"pictures/([a-z-]+)\.png", page.read_text())}


def main(shots, target):
    wrong = [f"a document shows `{name}`, which no check takes" for name in sorted(shown() - TABLE.keys())]
    wrong += [f"`{name}` is shown nowhere" for name in sorted(TABLE.keys() - shown())]
    target.mkdir(parents=True, exist_ok=True)
    for name, source in TABLE.items():
        path = shots / f"{source}.png"
        if not path.is_file():
            wrong.append(f"no check took {source}.png")
            continue
        picture = Image.open(path).convert("RGB")
        tall = 3000 if name == "worksheet-and-report" else LONGEST
        picture = picture.crop((0, 0, picture.width, min(picture.height, tall)))
        picture.quantize(128, dither=Image.Dither.NONE).save(target / f"{name}.png", optimize=True)
    for words in wrong:
        print(f"WRONG {words}")
    print(f"{len(TABLE)} pictures in {target}")
    return 1 if wrong else 0


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    sys.exit(main(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])))
