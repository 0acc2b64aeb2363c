"""What is measured, one function for each. Latencies run from just before the observer's write to
its read of the publication, in milliseconds; CPU is the program's own, all threads."""

import json
import os
import random
import sqlite3
import subprocess
import sys
import threading
import time

from programs import HERE, PLACES, PRESSES, Broker
from wire import Observer, now


def at(values, share):
    values = sorted(values)
    return values[min(len(values) - 1, int(share * len(values)))] if values else None


def spread(name, ns):
    ms = [value / 1e6 for value in ns]
    return {f"{name}_p50": at(ms, 0.5), f"{name}_p99": at(ms, 0.99), f"{name}_max": max(ms, default=None)}


class Until:
    """Waits for a condition that another thread makes true."""

    def __init__(self):
        self.event = threading.Event()

    def wait(self, what, seconds=180):
        if not self.event.wait(seconds):
            raise SystemExit(f"{what}: not within {seconds} s")


def start_up(program, times):
    took = []
    for _ in range(times):
        took.append(program.start() / 1e6)
        program.stop()
    return {"start_ms": at(took, 0.5)}


def idle(program, seconds):
    time.sleep(min(3, seconds))
    cpu, began = program.cpu_us(), time.monotonic()
    time.sleep(seconds)
    lasted = time.monotonic() - began
    memory = program.memory()
    return {
        "idle_cpu_percent": (program.cpu_us() - cpu) / lasted / 1e4,
        "rss_kib": memory["VmRSS"],
        "rss_anonymous_kib": memory["RssAnon"],
        "threads": memory["Threads"],
    }


def single(program, count, gap):
    """One press at a time; gives latencies and CPU for each press."""
    latencies, cpu, pressed = [], 0.0, {}
    answered = threading.Event()

    def state(place, _payload, stamp):
        if place in pressed:
            latencies.append(stamp - pressed.pop(place))
            answered.set()

    program.on_state = state
    done = 0
    while done < count:
        program.refill()
        time.sleep(0.1)
        before = program.cpu_us()
        for turn in range(PRESSES):
            for place in range(1, PLACES + 1):
                if done == count:
                    break
                answered.clear()
                # Set before the write: the answer may be quicker than the return from it.
                pressed[place] = now()
                pressed[place] = program.press(place)
                if not answered.wait(30):
                    raise SystemExit(f"{program.name}: no state for a press at place {place}, turn {turn}")
                done += 1
                time.sleep(gap * random.uniform(0.5, 1.5))
        cpu += program.cpu_us() - before
    program.on_state = lambda *_: None
    return latencies, cpu / count


def trigger_idle(program, count):
    latencies, cpu = single(program, count, 0.02)
    return {**spread("trigger", latencies), "trigger_cpu_us": cpu}


class Talk:
    """A balance that says a thousand lines a second; each fiftieth is a new load, announced by
    lines that call themselves unstable."""

    def __init__(self, program, lines_per_second=1000):
        self.program, self.rate = program, lines_per_second
        self.written, self.latencies = {}, []
        self.end = threading.Event()
        program.on_event = self.event
        self.thread = threading.Thread(target=self.speak, daemon=True)

    def event(self, payload, stamp):
        document = json.loads(payload)
        value = document["value"] if "value" in document else float(document["data"]["weighing"]["text"])
        began = self.written.pop(round(value * 100), None)
        if began:
            self.latencies.append(stamp - began)

    def speak(self):
        began, count = time.monotonic(), 0
        while not self.end.is_set():
            wanted = int((time.monotonic() - began) * self.rate)
            while count < wanted:
                load = 10000 + count // 50 * 7
                if count % 50 < 3:
                    self.program.balance.write(b"%11.2f g ?\r\n" % (load / 100))
                else:
                    if count % 50 == 3:
                        self.written[load] = now()
                    self.program.balance.write(b"%11.2f g\r\n" % (load / 100))
                count += 1
            time.sleep(0.001)

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.end.set()
        self.thread.join()
        time.sleep(0.3)
        self.program.on_event = lambda *_: None


def trigger_loaded(program, count):
    with Talk(program) as talk:
        time.sleep(0.5)
        latencies, _ = single(program, count, 0.02)
    return {**spread("trigger_1000", latencies), **spread("weighing_1000", talk.latencies)}


def intervals(program, fills):
    """All places at once, each pressed again as soon as its state is published."""
    cpu = lasted = 0.0
    for _ in range(fills):
        program.refill()
        time.sleep(0.1)
        left, done = dict.fromkeys(range(1, PLACES + 1), PRESSES), Until()

        def state(place, _payload, _stamp, left=left, done=done):
            left[place] -= 1
            if left[place] > 0:
                program.press(place)
            elif all(count <= 0 for count in left.values()):
                done.event.set()

        program.on_state = state
        before, began = program.cpu_us(), time.monotonic()
        for place in left:
            program.press(place)
        done.wait(f"{program.name}: intervals")
        lasted += time.monotonic() - began
        cpu += program.cpu_us() - before
        program.on_state = lambda *_: None
    count = fills * PLACES * PRESSES / 2
    return {"interval_cpu_us": cpu / count, "intervals_per_s": count / lasted}


def frames(program, seconds, under_way=256):
    """Each line a new stable mass, at most so many of them not published yet."""
    came, room = [0], threading.Semaphore(under_way)

    def event(_payload, _stamp):
        came[0] += 1
        room.release()

    program.on_event = event
    written, load = 0, 0
    before, began = program.cpu_us(), time.monotonic()
    while time.monotonic() - began < seconds:
        lines = []
        while len(lines) < 32 and room.acquire(blocking=not lines, timeout=None if lines else 60):
            load = (load + 37) % 100_000
            lines.append(b"%11.2f g\r\n" % (1000 + load / 100))
        program.balance.write(b"".join(lines))
        written += len(lines)
    until = time.monotonic() + 300
    while came[0] < written and time.monotonic() < until:
        time.sleep(0.002)
    lasted = time.monotonic() - began
    # The broker's last acknowledgements.
    time.sleep(0.3)
    program.on_event = lambda *_: None
    if came[0] != written:
        raise SystemExit(f"{program.name}: {written} masses were written, {came[0]} were published")
    return {"frame_cpu_us": (program.cpu_us() - before) / written, "frames_per_s": written / lasted}


class Busy:
    """The machine's cores, its disk, or both, kept busy."""

    SPIN = "while True: pass"
    WRITE = "import os,sys\nf=os.open(sys.argv[1],os.O_CREAT|os.O_WRONLY)\nwhile True:\n os.pwrite(f,b'x'*2**20,0); os.fsync(f)"

    def __init__(self, folder, cores=True, disk=True):
        spinning = [["-c", self.SPIN]] * (os.cpu_count() or 1)
        writing = [["-c", self.WRITE, os.path.join(folder, "busy")]]
        self.scripts = cores * spinning + disk * writing

    def __enter__(self):
        self.running = [subprocess.Popen([sys.executable, *script]) for script in self.scripts]
        return self

    def __exit__(self, *_):
        for one in self.running:
            one.kill()
            one.wait()


class Bare:
    """A reader in a process of its own that stamps the same presses and does nothing else."""

    def __init__(self, port, topics):
        self.command = [sys.executable, os.path.join(HERE, "bare.py"), str(port), topics]

    def __enter__(self):
        self.process = subprocess.Popen(self.command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        self.process.stdout.readline()
        return self

    def __exit__(self, *_):
        told, _ = self.process.communicate()
        self.stamps = {int(topic.rpartition("-")[2]): seen for topic, seen in json.loads(told or "{}").items()}


def records(program, fills, load=None, pause=(0.0, 0.04)):
    """Whole specimens of ours, from the first press to the record, with so many seconds from a press
    that was answered to the next. Each interval of the record is held against the time between the
    observer's own two writes. Under a load (`Busy`) also against a bare reader of the same presses.
    Gives errors, those of the reader, and CPU a record."""
    steps = {"soak": (3, 4), "loosen": (4, 5), "shake": (5, 6), "irrigate": (7, 8), "sedimentation": (8, 9)}
    errors, bare_errors, cpu, pressed = [], [], 0.0, []
    bare = Bare(program.port, "stillstand/1/bench/trigger/+")
    with load or open(os.devnull), bare if load else open(os.devnull):
        for _ in range(fills):
            program.refill()
            before = program.cpu_us()
            presses = {place: [] for place in range(1, PLACES + 1)}
            found, done = {}, Until()
            seen = {place: threading.Event() for place in presses}

            def record(payload, _stamp, found=found, done=done):
                data = json.loads(payload)["data"]
                found[data["specimen"]["place"]] = data["steps"]
                if len(found) == PLACES:
                    done.event.set()

            def state(place, _payload, _stamp, seen=seen):
                seen[place].set()

            program.on_state, program.on_record = state, record

            def one_place(place, presses=presses, seen=seen):
                for _ in range(10):
                    seen[place].clear()
                    presses[place].append(program.press(place))
                    seen[place].wait(30)
                    time.sleep(random.uniform(*pause))

            hands = [threading.Thread(target=one_place, args=(place,)) for place in presses]
            for hand in hands:
                hand.start()
            for hand in hands:
                hand.join()
            for of, value in (("clay", "8.0"), ("sand", "13.2")):
                asked = ({"act": "enter-reading", "specimen": s, "of": of, "value": value} for s in program.specimens)
                program.ask(*asked)
            done.wait("records")
            cpu += program.cpu_us() - before
            program.on_state = program.on_record = lambda *_: None
            program.clean()
            pressed.append(presses)
            for place, told in found.items():
                for step in told:
                    if step.get("duration") and step["name"] in steps:
                        begin, end = steps[step["name"]]
                        own = presses[place][end] - presses[place][begin]
                        errors.append(step["duration"]["exactNs"] - own)
    for fill, presses in enumerate(pressed if load else []):
        for place, writes in presses.items():
            reads = bare.stamps[place][fill * len(writes) : (fill + 1) * len(writes)]
            for begin, end in steps.values():
                bare_errors.append(reads[end] - reads[begin] - (writes[end] - writes[begin]))
    return errors, bare_errors, cpu / (fills * PLACES)


def interval_error(program, fills, load=None, pause=(0.0, 0.04)):
    """By default with the cores and the disk busy."""
    errors, bare_errors, _ = records(program, fills, load or Busy(program.folder), pause)
    told = {"error_count": len(errors)}
    for who, found in (("error", errors), ("bare_error", bare_errors)):
        ms = [abs(error) / 1e6 for error in found]
        for name, share in {"p50": 0.5, "p99": 0.99, "p999": 0.999, "max": 1.0}.items():
            told[f"{who}_ms_{name}"] = at(ms, share)
    return told


def machine(folder, count):
    """What the machine itself takes: a durable commit of one row now and then, a hop over the broker."""
    db = sqlite3.connect(os.path.join(folder, "commit.sqlite"), isolation_level=None)
    db.execute("PRAGMA journal_mode=WAL")
    db.execute("PRAGMA synchronous=FULL")
    db.execute("CREATE TABLE IF NOT EXISTS t(a)")
    commits, hops = [], []
    for _ in range(count):
        began = now()
        db.execute("INSERT INTO t VALUES (?)", ("x" * 500,))
        commits.append(now() - began)
        time.sleep(0.02)
    db.close()
    broker = Broker(folder)
    receiver, sender = Observer(broker.port, ["hop"]), Observer(broker.port, ["nothing"])
    came = threading.Event()
    sent = [0]

    def on(_topic, _payload, stamp):
        hops.append(stamp - sent[0])
        came.set()

    receiver.on = on
    for _ in range(count):
        came.clear()
        sent[0] = sender.publish("hop", b"x" * 500)
        came.wait(10)
        time.sleep(0.02)
    receiver.close()
    sender.close()
    broker.stop()
    return {"commit_p50": at(commits, 0.5) / 1e6, "hop_p50": at(hops, 0.5) / 1e6}


def worksheet(folder, binary, rows):
    """A worksheet's rows, by `reckon` and by Python's csv and fractions: CPU of each, seconds."""
    path = os.path.join(folder, "worksheet.csv")
    dice = random.Random(7)
    with open(path, "w") as file:
        file.write("sand,clay\n")
        for _ in range(rows):
            clay = dice.randint(200, 1400)
            file.write(f"{dice.randint(10, clay) / 100:.2f},{clay / 100:.2f}\n")
    took, out = {}, {}
    commands = {"reckon": [binary, "reckon"], "python": [sys.executable, os.path.join(HERE, "worksheet.py")]}
    for name, command in commands.items():
        with open(path) as file:
            before, began = os.times(), time.monotonic()
            out[name] = subprocess.run(command, stdin=file, stdout=subprocess.PIPE, check=True).stdout
            after, lasted = os.times(), time.monotonic() - began
        cpu = after.children_user + after.children_system - before.children_user - before.children_system
        took[f"{name}_s"] = max(cpu, 0.005)
        took[f"{name}_wall_s"] = lasted
    if out["reckon"] != out["python"]:
        raise SystemExit("reckon and Python's csv and fractions do not agree on the worksheet")
    return took
