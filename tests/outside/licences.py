#!/usr/bin/env python3
"""Licences, duplicates and origins of the crates that the program is built from.

Reads `cargo metadata` and the lists in deny.toml; needs Python 3.11 and cargo. Ends with 1 and the
reasons when a licence is not in the list, a crate comes in two versions that the list does not
name, or a crate comes from elsewhere than the registry.
"""

import collections
import json
import pathlib
import re
import subprocess
import sys
import tomllib

ROOT = pathlib.Path(__file__).resolve().parents[2]
TARGET = "x86_64-unknown-linux-gnu"


def allowed(expression: str, allow: set[str]) -> bool:
    """Whether an SPDX expression can be met: OR binds weaker than AND, AND weaker than WITH."""
    tokens = re.findall(r"\(|\)|[^\s()]+", expression.replace("/", " OR "))
    place = 0

    def peek() -> str | None:
        return tokens[place] if place < len(tokens) else None

    def take() -> str:
        nonlocal place
        place += 1
        return tokens[place - 1]

    def either() -> bool:
        met = both()
        while peek() == "OR":
            take()
            met = both() or met
        return met

    def both() -> bool:
        met = one()
        while peek() == "AND":
            take()
            met = one() and met
        return met

    def one() -> bool:
        name = take()
        if name == "(":
            met = either()
            take()
            return met
        if peek() == "WITH":
            take()
            name = f"{name} WITH {take()}"
        return name in allow

    return either()


def self_test() -> None:
    allow = {"MIT", "Apache-2.0", "Apache-2.0 WITH LLVM-exception", "Unicode-3.0"}
    for good in ["MIT", "MIT/GPL-3.0", "GPL-3.0 OR MIT", "(MIT OR GPL-3.0) AND Unicode-3.0",
                 "Apache-2.0 WITH LLVM-exception OR GPL-2.0"]:
        assert allowed(good, allow), good
    for bad in ["GPL-3.0", "MIT AND GPL-3.0", "MIT WITH other", "GPL-3.0 OR (MIT AND LGPL-2.1)"]:
        assert not allowed(bad, allow), bad


def main() -> int:
    self_test()
    lists = tomllib.loads((ROOT / "deny.toml").read_text())
    allow = set(lists["licenses"]["allow"])
    skipped = {entry["crate"].split("@")[0] for entry in lists["bans"]["skip"]}
    command = ["cargo", "metadata", "--format-version=1", "--locked", f"--filter-platform={TARGET}"]
    metadata = json.loads(subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.PIPE).stdout)
    wrong, versions = [], collections.defaultdict(set)
    # Packages of the resolved graph only: the list also holds what other platforms would need.
    used = {node["id"] for node in metadata["resolve"]["nodes"]}
    packages = [package for package in metadata["packages"] if package["id"] in used]
    for package in packages:
        name = f"{package['name']} {package['version']}"
        versions[package["name"]].add(package["version"])
        licence = package["license"]
        if not licence or not allowed(licence, allow):
            wrong.append(f"{name}: the licence `{licence}` is not in deny.toml")
        source = package["source"]
        if source is not None and not source.startswith("registry+"):
            wrong.append(f"{name}: comes from {source}, not from the registry")
    twice = {name: sorted(found) for name, found in versions.items() if len(found) > 1}
    for name, found in sorted(twice.items()):
        print(f"in several versions: {name} {', '.join(found)}")
        if name not in skipped:
            wrong.append(f"{name}: several versions, and deny.toml does not say why")
    for name in sorted(skipped - twice.keys()):
        wrong.append(f"{name}: in one version now; take it out of deny.toml")
    print(f"{len(packages)} packages, {len(twice)} in several versions")
    for line in wrong:
        print(line, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
