"""The shipped unit under real systemd in the machine: its devices, its watchdog, its sandbox.

systemd, its libraries and commands are the host's own files, read-only, with a layer above them that is
forgotten; only the device manager comes from the prepared packages."""

import os
import shutil
import time

from day.lab import Verdicts, Wrong, wait_for
from rig.cuts import CLOCK_WITHIN_MS, began
from rig.gpio import Chip, rows, triggers, within
from rig.lab import Journal, PLACES, laboratory, settings
from rig.machine import RIG, ROOT, Machine

TARGET = """[Unit]
Description=What the trial needs
Requires=systemd-journald.service
Wants=dbus.service systemd-udevd.service systemd-udev-trigger.service rig-control.service
AllowIsolate=yes
"""
CONTROL = """[Unit]
DefaultDependencies=no
After=systemd-udevd.service
[Service]
Environment=PATH=/opt/rig:/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin
ExecStart=/bin/sh /opt/rig/control
"""
NAME = "stillstand.service"
UNIT = ROOT / "systemd" / NAME
# Seconds of the watchdog, as shipped.
WATCHDOG = 30


def layer(folder, program, settings_text):
    """What stands above the host's files in the machine: the program as an installer puts it."""
    own = folder / "own"
    for place in ("usr/bin", "etc/stillstand", "etc/credstore", "opt/rig-units", "opt/rig-rules"):
        (own / place).mkdir(parents=True)
    shutil.copy(program, own / "usr/bin/stillstand")
    (own / "etc/stillstand/stillstand.toml").write_text(settings_text)
    for kind in ("methods", "instruments"):
        shutil.copytree(ROOT / "config" / kind, own / "etc/stillstand" / kind)
    (own / "etc/credstore/stillstand.broker-password").write_text("not asked for\n")
    os.chmod(own / "etc/credstore/stillstand.broker-password", 0o600)
    shutil.copy(UNIT, own / "opt/rig-units" / NAME)
    (own / "opt/rig-units/rig.target").write_text(TARGET)
    (own / "opt/rig-units/rig-control.service").write_text(CONTROL)
    shutil.copy(ROOT / "systemd/70-stillstand.rules", own / "opt/rig-rules/70-stillstand.rules")
    return own


class Booted(Machine):
    """A machine with systemd as its first process."""

    def __init__(self, own, **more):
        shared = []
        for tag, path in (("root", "/"), ("over", RIG / "over"), ("own", own)):
            shared += ["-virtfs", f"local,path={path},mount_tag={tag},security_model=none,readonly=on,multidevs=remap"]
        super().__init__(RIG / "base.cpio", more=shared, kernel="rig.systemd net.ifnames=0 systemd.show_status=no", memory=640,
                         **more)

    def shows(self, what, unit=NAME):
        return self.sh(f"systemctl show -P {what} {unit}").strip()

    def state(self):
        return self.shows("ActiveState")


def unit(folder, program, seed):
    """All of it in one machine."""
    verdicts = Verdicts()
    with laboratory(folder, seed) as (broker, reader, desk, instruments):
        with Booted(layer(folder, program, settings(broker.port, triggers()))) as machine:
            instruments.machine = machine
            # The folder 9p shows was made by whoever runs the trial; the machine's root owns it there.
            machine.sh("busybox ip link set lo up; busybox ip link set eth0 up; busybox ip addr add 10.0.2.15/24 dev eth0; "
                       "busybox ip route add default via 10.0.2.2; true")
            chip = Chip(machine)
            chip.plug()
            machine.sh("udevadm settle --timeout=60")
            started = time.monotonic()
            machine.sh(f"systemctl start {NAME}", seconds=120)
            try:
                ready(verdicts, machine, chip, reader, desk, folder, time.monotonic() - started)
                hangs(verdicts, machine, desk, instruments)
            except Wrong:
                print(machine.sh(f"journalctl --no-pager -u {NAME} | tail -n 25 | cut -c 1-300; ls -l /dev/ttyS1 /dev/gpiochip*; "
                                 "grep -i gpio /proc/interrupts; dmesg | tail -n 5", good=False)[1])
                raise
            instruments.machine = None
            kept(verdicts, machine, folder, program, desk, reader)
    return verdicts


def ready(verdicts, machine, chip, reader, desk, folder, seconds):
    """It starts as shipped, as nobody in particular, with its devices and nothing more."""
    verdicts.same((machine.state(), machine.shows("SubState"), machine.shows("Type")), ("active", "running", "notify"),
                  f"the unit as shipped is up: READY=1 after {seconds:.1f} s")
    process = machine.shows("MainPID")
    who = machine.sh(f"grep -E '^(Uid|CapEff|NoNewPrivs|Seccomp):' /proc/{process}/status")
    words = {line.split(":")[0]: line.split(":")[1].split() for line in who.splitlines()}
    verdicts.check(words["Uid"][0] != "0" and int(words["CapEff"][0], 16) == 0 and words["NoNewPrivs"] == ["1"] and words["Seccomp"] == ["2"],
                   "it is not root, may nothing that root may, and system calls are filtered", who)
    view = desk.view(120)
    verdicts.check(bool(view["places"]), "it answers over the network")

    def devices():
        held = machine.sh(f"ls -l /proc/{process}/fd")
        return held if "/dev/ttyS1" in held and "/dev/ttyS2" in held else None
    wait_for("it holds its serial ports", devices, 60)
    # A line that is watched is an anonymous file; that it is watched shows by a press.
    desk.soaking("The long soak", PLACES)
    desk.specimen("Lot 4", 4)
    span = chip.press("BUTTON-4")

    def pressed():
        return [moment for who, what, moment in rows(machine, folder)[0] if (who, what) == ("button", "on")]
    moments = wait_for("a press reaches it", pressed, 60)
    verdicts.check(len(moments) == 1 and within(span, moments[0]) and not reader.alarm("switch-gone") and not reader.alarm("instrument-gone"),
                   "ports and chip are its own by the shipped rules: a press is stored with the kernel's stamp, no device is an alarm",
                   (span, moments, reader.alarms))
    outside = machine.sh(f"nsenter -t {process} -m busybox sh -c 'for f in /usr/x /etc/x /home/x; do : >$f && echo wrote $f; done' 2>&1; true")
    verdicts.check("wrote" not in outside, "nothing outside its own folder can be written, by root neither", outside)
    rating = machine.sh(f"systemd-analyze security --no-pager {NAME} | tail -n 1")
    verdicts.check(float(rating.split(":")[1].split()[0]) <= 1.3, f"systemd itself says of it: {rating.strip()[2:]}", rating)


def hangs(verdicts, machine, desk, instruments):
    """A loop that stands still is ended by the watchdog; what was confirmed before is there afterwards."""
    process = machine.shows("MainPID")
    before = began(desk.view())
    instruments.weighs.set()
    for number in range(1, 6):
        desk.done({"act": "register-sample", "label": f"Before the stop {number}", "method": "aashto-t176-mechanical", "specimens": 1})
    instruments.weighs.clear()
    stopped = time.monotonic()
    machine.sh(f"kill -STOP {process}")
    wait_for("systemd starts it anew", lambda: machine.shows("NRestarts") == "1" and machine.state() == "active", 4 * WATCHDOG)
    took = time.monotonic() - stopped
    said = machine.sh(f"journalctl --no-pager -u {NAME} | grep -i watchdog; true")
    verdicts.check("watchdog" in said.lower() and took >= WATCHDOG / 2, f"a station that hangs is ended and started anew, after {took:.0f} s", said)
    after = began(desk.view(120))
    verdicts.check(after[1] == "boot-clock" and abs(after[0] - before[0]) <= CLOCK_WITHIN_MS,
                   f"the soak that ran goes on, on the boot clock, {abs(after[0] - before[0])} ms off", (before, after))


def kept(verdicts, machine, folder, program, desk, reader):
    """After an orderly end everything that was confirmed is in the journal."""
    machine.sh(f"systemctl stop {NAME}", seconds=120)
    verdicts.same(machine.shows("Result"), "success", "it ends in order when it is asked to")
    journal = Journal(machine.fetch("/var/lib/private/stillstand/stillstand.sqlite", folder / "stillstand.sqlite"), program)
    verdicts.same(journal.faults + journal.missing(desk.replied(), reader.heard_by_number), [],
                  f"nothing of {len(desk.replied())} replies is lost, and the journal verifies")
