"""A USB serial adapter is pulled out and put back while the station reads a probe through it."""

from day.lab import Verdicts, wait_for
from rig.lab import laboratory, settings
from rig.machine import Machine, Socket, image

ADAPTER = "usb-serial,id=adapter,chardev=usb,always-plugged=on"


def temperature(view):
    """Whether the bench has a temperature of the solution that holds."""
    return "22.4" in str(view.get("temperature") or view.get("solution") or view)


def usb(folder, program, seed):
    verdicts = Verdicts()
    with laboratory(folder, seed) as (broker, reader, desk, instruments):
        text = settings(broker.port).replace("/dev/ttyS2", "/dev/ttyUSB0")
        line = folder / "usb"
        more = ["-device", "qemu-xhci,id=hub", "-chardev", f"socket,id=usb,path={line},server=on,wait=off", "-device", ADAPTER]
        with Machine(image(program, text, folder), more=more) as machine:
            machine.probe.close()
            machine.probe = Socket(line)
            instruments.machine = machine
            wait_for("the adapter is there", lambda: machine.sh("ls /dev/ttyUSB0", good=False)[0] == 0, 60)
            machine.start_station()
            wait_for("temperatures come", lambda: temperature(desk.view(120)), 60)
            before = machine.sh("cat /run/pid").strip()
            for turn in (1, 2):
                machine.command("device_del", id="adapter")
                wait_for("the adapter that is gone is an alarm", lambda: reader.alarm("instrument-gone"), 60)
                verdicts.check(True, f"pulled out, {turn}: the port that is gone is an alarm")
                machine.command("device_add", driver="usb-serial", id="adapter", chardev="usb", **{"always-plugged": True})
                wait_for("the alarm ends", lambda: not reader.alarm("instrument-gone"), 60)
                wait_for("temperatures come again", lambda: temperature(desk.view(120)), 60)
                verdicts.check(machine.sh(f"kill -0 {before} && echo yes", good=False)[1].strip() == "yes",
                               f"put back, {turn}: temperatures come again, without a start")
            instruments.machine = None
    return verdicts
