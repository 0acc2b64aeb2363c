"""From the rounds to medians, ratios and a table."""

import json
import os
import statistics

BEGIN, END = "<!-- measured: begin -->", "<!-- measured: end -->"
ONE, GROUP, PLAIN = "script, one-commit", "script, group", "script, plain"
OURS = "stillstand"

# What, key, unit, whether less is better, goals as (against, times).
FIGURES = [
    ("start to presence at the broker", "start_ms", "ms", True, [(ONE, 5)]),
    ("memory at rest", "rss_kib", "KiB", True, [(ONE, 2)]),
    ("CPU at rest, one temperature a second", "idle_cpu_percent", "% of a core", True, [(ONE, 1.5)]),
    ("press to published state, median", "trigger_p50", "ms", True, [(PLAIN, 8)]),
    ("press to published state, 99th percentile", "trigger_p99", "ms", True, []),
    ("CPU for one press, alone", "trigger_cpu_us", "us", True, []),
    ("press to published state at 1,000 lines/s, median", "trigger_1000_p50", "ms", True, []),
    ("press to published state at 1,000 lines/s, 99th percentile", "trigger_1000_p99", "ms", True, [(ONE, 1.5)]),
    ("balance line to published weighing at 1,000 lines/s, median", "weighing_1000_p50", "ms", True, []),
    ("balance line to published weighing at 1,000 lines/s, 99th percentile", "weighing_1000_p99", "ms", True, [(ONE, 1.5)]),
    ("CPU for a timed interval, 20 places at once", "interval_cpu_us", "us", True, [(ONE, 6), (GROUP, 3)]),
    ("timed intervals", "intervals_per_s", "/s", False, [(ONE, 3), (GROUP, 1.5)]),
    ("CPU for a stored and published mass", "frame_cpu_us", "us", True, [(ONE, 8), (GROUP, 2)]),
    ("stored and published masses, sustained", "frames_per_s", "/s", False, [(ONE, 6), (GROUP, 2)]),
    ("CPU for a whole specimen record", "record_cpu_us", "us", True, []),
]  # fmt: skip


def value(number):
    if number is None:
        return "-"
    return f"{number:,.0f}" if abs(number) >= 100 else f"{number:.3g}"


def medians(rounds):
    """Median of each figure of each program over the rounds."""
    names = dict.fromkeys(name for one in rounds for name in one["programs"])
    result = {}
    for name in names:
        seen = [one["programs"][name] for one in rounds if name in one["programs"]]
        keys = dict.fromkeys(key for one in seen for key in one)
        result[name] = {key: statistics.median([one[key] for one in seen if one.get(key) is not None]) for key in keys}
    return result


def ratio(rounds, key, less, against):
    """How many times better, within each round; the median of the rounds."""
    ratios = []
    for one in rounds:
        ours = one["programs"].get(OURS, {}).get(key)
        theirs = one["programs"].get(against, {}).get(key)
        if ours and theirs:
            ratios.append(theirs / ours if less else ours / theirs)
    return statistics.median(ratios) if ratios else None


def goal(rounds, key, less, goals):
    told = []
    for against, times in goals:
        reached = ratio(rounds, key, less, against)
        if reached is not None:
            word = "reached" if reached >= times else "**missed**"
            told.append(f"{times} times {against.removeprefix('script, ')}: {word}")
    return "; ".join(told)


def table(rounds):
    found = medians(rounds)
    names = [name for name in (OURS, PLAIN, ONE, GROUP) if name in found]
    peers = [name for name in names if name != OURS]
    lines = ["| figure | unit | " + " | ".join(names) + " | " + " | ".join(f"times better than {n.removeprefix('script, ')}" for n in peers) + " | goal |"]
    lines.append("| --- | --- |" + " --- |" * (len(names) + len(peers) + 1))
    for label, key, unit, less, goals in FIGURES:
        cells = [value(found[name].get(key)) for name in names]
        ratios = [value(ratio(rounds, key, less, peer)) for peer in peers]
        lines.append("| " + " | ".join([label, unit, *cells, *ratios, goal(rounds, key, less, goals)]) + " |")
    return lines


def absolute(rounds):
    """Figures that stand for themselves."""

    def median(part, key):
        seen = [one[part][key] for one in rounds if key in one.get(part, {})]
        return statistics.median(seen) if seen else None

    lines = ["", "| figure | measured | goal |", "| --- | --- | --- |"]
    commit, hop = median("machine", "commit_p50"), median("machine", "hop_p50")
    ours = medians(rounds).get(OURS, {})
    if commit is not None and ours.get("trigger_p50") is not None:
        most = commit + 2 * hop + 0.5
        parts = f"one durable commit {commit:.3f} ms, two hops of {hop:.3f} ms, and 0.5 ms"
        word = "reached" if ours["trigger_p50"] <= most else "**missed**"
        lines.append(f"| press to published state, median | {ours['trigger_p50']:.3f} ms | at most {most:.3f} ms ({parts}): {word} |")
    if "error_ms_p999" in ours:
        names = {"p50": "median", "p99": "99th", "p999": "99.9th percentile", "max": "longest"}
        told, bare = (", ".join(f"{ours[f'{who}_ms_{key}']:.3f} ms {name}" for key, name in names.items()) for who in ("error", "bare_error"))
        allowed = max(5, 1.2 * ours["bare_error_ms_p999"])
        word = "reached" if ours["error_ms_p999"] < allowed else "**missed**"
        lines.append(f"| error of {ours['error_count']:.0f} intervals, disk and CPU busy | {told} | 99.9th percentile under 5 ms, or within a fifth of the bare reader's: {word} |")
        lines.append(f"| the same presses, stamped by a reader that does nothing else | {bare} | what this machine allows |")
    reckon, python = median("worksheet", "reckon_s"), median("worksheet", "python_s")
    if reckon is not None:
        word = "reached" if python / reckon >= 10 else "**missed**"
        lines.append(f"| CPU for the worksheet's rows | {reckon:.3f} s, Python's csv and fractions {python:.2f} s, 1/{python / reckon:.0f} | a tenth: {word} |")
    if "rss_anonymous_kib" in ours:
        lines.append(f"| memory at rest that is not the program's own code | {ours['rss_anonymous_kib']:.0f} KiB, {ours['threads']:.0f} threads | |")
    return lines


def markdown(rounds, about):
    busy = max(one["load"] for one in rounds)
    note = f"{about['when']}, {len(rounds)} rounds, {about['cores']} cores, {about['kernel']}, mosquitto and all programs on this one machine."
    if busy > about["cores"] * 0.5:
        note += f" **Preliminary: the machine was not quiet** (load average up to {busy:.1f} before a round); times and rates are rough, CPU is not."
    return "\n".join([note, "", *table(rounds), *absolute(rounds)])


def write_into(path, text, begin=BEGIN, end=END):
    with open(path) as file:
        page = file.read()
    if begin not in page or end not in page:
        raise SystemExit(f"{path} has no lines `{begin}` and `{end}` to write between")
    head, rest = page.split(begin, 1)
    _, tail = rest.split(end, 1)
    with open(path, "w") as file:
        file.write(f"{head}{begin}\n{text}\n{end}{tail}")


def keep(path, rounds, about):
    os.makedirs(os.path.dirname(os.path.abspath(path)), exist_ok=True)
    with open(path, "w") as file:
        json.dump({"about": about, "rounds": rounds}, file, indent=1)
