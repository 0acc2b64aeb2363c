"""A machine in QEMU with the station's program in it.

The host speaks to it over a line of its own (`Machine.sh`), plays balance and probe on its two serial
ports, and reaches QEMU itself over QMP. Emulated, not virtualised: the same on any host."""

import base64
import json
import os
import pathlib
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time

from day.lab import Wrong, wait_for

ROOT = pathlib.Path(__file__).resolve().parents[3]
RIG = pathlib.Path(os.environ.get("RIG", ROOT / "target/rig"))
# A busy host makes an emulated machine slow: every wait is some four times that of a quiet one.
START_WITHIN = 120
ANSWER_WITHIN = 120
JOURNAL = "/var/lib/stillstand/stillstand.sqlite"


class Socket:
    """QEMU's end of a serial port, or of its own control; everything that was read is kept until taken."""

    def __init__(self, path):
        self.file = wait_for(f"QEMU opens {path}", lambda: self.reach(path), START_WITHIN)
        self.kept, self.gone, self.news = b"", False, threading.Condition()
        threading.Thread(target=self.listen, daemon=True).start()

    @staticmethod
    def reach(path):
        made = socket.socket(socket.AF_UNIX)
        try:
            made.connect(str(path))
        except OSError:
            made.close()
            return None
        return made

    def listen(self):
        while True:
            try:
                more = self.file.recv(65536)
            except OSError:
                more = b""
            with self.news:
                self.kept += more
                self.gone = self.gone or not more
                self.news.notify_all()
            if not more:
                return

    def take(self, ready, seconds):
        """What `ready` finds in the kept bytes: (what, how many are used up), or None."""
        until = time.monotonic() + seconds
        with self.news:
            while True:
                found = ready(self.kept)
                if found:
                    what, used = found
                    self.kept = self.kept[used:]
                    return what
                left = until - time.monotonic()
                if self.gone or left <= 0:
                    raise Wrong(f"the machine {'is gone' if self.gone else f'said nothing for {seconds} s'}; kept {self.kept[-200:]!r}")
                self.news.wait(left)

    def line(self, seconds):
        def ready(kept):
            end = kept.find(b"\n")
            return None if end < 0 else (kept[:end].decode(errors="replace"), end + 1)
        return self.take(ready, seconds)

    def bytes(self, count, seconds):
        return self.take(lambda kept: (kept[:count], count) if len(kept) >= count else None, seconds)

    def say(self, text):
        """False once the machine is gone."""
        try:
            self.file.sendall(text if isinstance(text, bytes) else text.encode())
        except OSError:
            return False
        return True

    def close(self):
        self.file.close()


def libraries(program):
    """The libraries that a program is linked to, by path."""
    said = subprocess.run(["ldd", str(program)], capture_output=True, text=True, check=True).stdout
    return re.findall(r"(/\S+)", said)


def pack(tree, archive):
    """A folder as an archive that the kernel unpacks over the one before it."""
    tools = RIG / "host/bin/cpio"
    cpio = str(tools) if tools.exists() else shutil.which("cpio")
    names = subprocess.run(["find", "."], cwd=tree, capture_output=True, check=True).stdout
    with open(archive, "ab") as out:
        subprocess.run([cpio, "--quiet", "-o", "-H", "newc", "-R", "0:0"], cwd=tree, input=names, stdout=out, check=True)


def image(program, settings, folder):
    """The first file system of the machine: the prepared one, the program with what it needs, its settings."""
    archive, tree = folder / "first.cpio", folder / "tree"
    shutil.copyfile(RIG / "base.cpio", archive)
    (tree / "bin").mkdir(parents=True)
    shutil.copy(program, tree / "bin/stillstand")
    for library in libraries(program):
        place = tree / library.lstrip("/")
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(os.path.realpath(library), place)
    (tree / "etc/stillstand").mkdir(parents=True)
    (tree / "etc/stillstand/stillstand.toml").write_text(settings)
    for kind in ("methods", "instruments"):
        shutil.copytree(ROOT / "config" / kind, tree / "etc/stillstand" / kind)
    zones = tree / "usr/share/zoneinfo"
    zones.mkdir(parents=True)
    shutil.copy("/usr/share/zoneinfo/UTC", zones / "UTC")
    pack(tree, archive)
    shutil.rmtree(tree)
    return archive


def host_environment():
    """QEMU was unpacked, not installed: its libraries lie beside it."""
    places = [RIG / "host" / part for part in ("usr/lib/x86_64-linux-gnu", "lib/x86_64-linux-gnu", "usr/lib/x86_64-linux-gnu/pulseaudio")]
    known = os.environ.get("LD_LIBRARY_PATH", "")
    return {**os.environ, "LD_LIBRARY_PATH": ":".join([*map(str, places), *([known] if known else [])])}


class Machine:
    """One machine, from power on to power off or cut."""

    # What the last one that ended had said: for whoever looks for a fault.
    last_words = ""

    def __init__(self, first, *, disks=(), more=(), kernel="", memory=256, processors=1, clock="utc"):
        self.folder = pathlib.Path(tempfile.mkdtemp(prefix="rig-"))
        qemu = RIG / "host/usr/bin/qemu-system-x86_64"
        words = [str(qemu)] if qemu.exists() else [shutil.which("qemu-system-x86_64")]
        if qemu.exists():
            words += ["-L", str(RIG / "host/usr/share/qemu"), "-L", str(RIG / "host/usr/share/seabios")]
        words += ["-nodefaults", "-no-user-config", "-display", "none", "-no-reboot", "-accel", "tcg", "-M", "q35", "-cpu", "max",
                  "-m", str(memory), "-smp", str(processors), "-rtc", f"base={clock}",
                  "-kernel", str(RIG / "vmlinux"), "-initrd", str(first), "-device", "virtio-rng-pci",
                  "-append", f"console=ttyS0 quiet panic=-1 mitigations=off {kernel}",
                  "-serial", f"file:{self.folder}/console",
                  "-netdev", "user,id=net", "-device", "virtio-net-pci,netdev=net,romfile=",
                  "-qmp", f"unix:{self.folder}/qmp,server=on,wait=off", "-device", "virtio-serial-pci",
                  "-device", "virtserialport,chardev=control,name=control"]
        for name in ("control", "balance", "probe"):
            words += ["-chardev", f"socket,id={name},path={self.folder}/{name},server=on,wait=off"]
        for name in ("balance", "probe"):
            words += ["-serial", f"chardev:{name}"]
        for disk in disks:
            words += disk
        self.said = open(self.folder / "qemu", "wb")
        self.child = subprocess.Popen([*words, *more], env=host_environment(), stdin=subprocess.DEVNULL,
                                      stdout=self.said, stderr=self.said)
        self.ended = False
        try:
            self.control, self.balance, self.probe, self.qmp = (self.socket(n) for n in ("control", "balance", "probe", "qmp"))
            self.command("qmp_capabilities")
            if self.control.line(START_WITHIN) != "up":
                raise Wrong("the machine's first word is not 'up'")
        except (Wrong, OSError) as fault:
            self.cut()
            raise Wrong(f"the machine did not start: {fault}") from fault

    def socket(self, name):
        if self.child.poll() is not None:
            raise Wrong(f"QEMU ended with {self.child.returncode}: {(self.folder / 'qemu').read_text()}")
        return Socket(self.folder / name)

    def console(self):
        try:
            return (self.folder / "console").read_text(errors="replace")
        except OSError:
            return ""

    def command(self, name, **arguments):
        """One of QEMU's own commands; what it gives back."""
        self.qmp.say(json.dumps({"execute": name, **({"arguments": arguments} if arguments else {})}) + "\n")
        while True:
            answer = json.loads(self.qmp.line(ANSWER_WITHIN))
            if "error" in answer:
                raise Wrong(f"QEMU refuses {name}: {answer['error']}")
            if "return" in answer:
                return answer["return"]

    def sh(self, line, good=True, seconds=ANSWER_WITHIN):
        """A command in the machine; (code, what it said), or only what it said where it must end well."""
        assert "\n" not in line
        self.control.say(line + "\n")
        code, length = map(int, self.control.line(seconds).split())
        said = self.control.bytes(length, seconds).decode(errors="replace")
        if not good:
            return code, said
        if code != 0:
            raise Wrong(f"in the machine `{line}` ended with {code}: {said}")
        return said

    def fetch(self, path, target):
        """A journal of the machine as a file on the host, by the station's own backup."""
        self.sh(f"rm -f /run/copy.sqlite; stillstand backup {path} /run/copy.sqlite")
        target.unlink(missing_ok=True)
        target.write_bytes(base64.b64decode(self.sh("base64 /run/copy.sqlite; rm /run/copy.sqlite")))
        return target

    def cut(self):
        """The mains fail: nothing of the machine gets another instruction."""
        if not self.ended:
            self.child.send_signal(signal.SIGKILL)
            self.child.wait()
            self.end()

    def off(self):
        """An orderly end."""
        if not self.ended:
            self.control.say("umount /var/lib/stillstand; sync; poweroff -f\n")
            try:
                self.child.wait(60)
            except subprocess.TimeoutExpired:
                self.child.kill()
                self.child.wait()
            self.end()

    def end(self):
        self.ended = True
        Machine.last_words = self.console()[-4000:]
        for name in ("control", "balance", "probe", "qmp"):
            if hasattr(self, name):
                getattr(self, name).close()
        self.said.close()
        if not os.environ.get("KEEP"):
            shutil.rmtree(self.folder, ignore_errors=True)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.cut()

    # --- the station in it

    def start_station(self, environment=""):
        """Starts the program and does not wait for it; its log goes to the console too."""
        self.sh(f"STILLSTAND_JOURNAL__PATH={JOURNAL} {environment} stillstand run --settings /etc/stillstand/stillstand.toml "
                ">>/run/log 2>&1 & echo $! >/run/pid; tail -n 100 -f /run/log >/dev/ttyS0 &")

    def stop_station(self, seconds=60):
        """Asks it to end, and waits until it has."""
        self.sh("kill -TERM $(cat /run/pid)")
        wait_for("the station ends", lambda: self.sh("kill -0 $(cat /run/pid)", good=False)[0] != 0, seconds)
