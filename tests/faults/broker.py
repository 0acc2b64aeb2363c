"""What a broker and the way to it can do: certificates that do not hold, a line that swallows, answers that
never come, sessions that are lost, a name that another one uses, and a year of work that waits."""

import contextlib
import re
import subprocess
import time

from day.lab import Archive, client
from stand import STATION, Bench, Broker, Hand, Proxy, Reader, Wrong, folder, wait_for

COMMAND = "tests/faults/run PROGRAM broker"
KEEPS = ("listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 0\nlog_dest none\n"
         "persistence true\npersistence_location {folder}/\nautosave_interval 1800\n")
ENCRYPTED = ("listener {port} 127.0.0.1\nallow_anonymous true\nlog_dest none\ncafile {folder}/lab.pem\n"
             "certfile {folder}/server.pem\nkeyfile {folder}/server.key\n")
# Documents of a year: 250 days of work, 16 records and results, 104 weighings on each.
YEAR = 30_000


def openssl(inside, words):
    ended = subprocess.run(["openssl", *words.split()], cwd=inside, capture_output=True, text=True)
    if ended.returncode:
        raise Wrong(f"openssl {words}: {ended.stderr}")


def certificate(inside, name, days):
    """An authority, and of it the broker's certificate for `name`, which lasts so many days from now."""
    new = "req -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes"
    openssl(inside, f"{new} -x509 -days 3000 -subj /CN=lab -keyout lab.key -out lab.pem")
    (inside / "names").write_text(f"subjectAltName={name}\n")
    openssl(inside, f"{new} -subj /CN=server -keyout server.key -out server.csr")
    openssl(inside, f"x509 -req -days {days} -in server.csr -CA lab.pem -CAkey lab.key -CAcreateserial -out server.pem -extfile names")


@contextlib.contextmanager
def pair(program, scratch, name, config=None, network="", choose=None, prepare=None):
    """A broker, a proxy before it, and a station; the station ends first."""
    broker = Broker(scratch / f"{name}-broker", config)
    if prepare:
        prepare(broker.folder)
    broker.start()
    proxy = Proxy(broker.port, choose) if choose else None
    inside = scratch / name
    inside.mkdir()
    station = Bench(program, inside, broker=proxy.port if proxy else broker.port,
                    network=network.replace("{folder}", str(broker.folder)))
    try:
        station.start()
        yield station, broker, proxy
    finally:
        station.close()
        if proxy:
            proxy.stop()
        broker.stop()


def certificates(program, table, scratch):
    for fault, name, days, says in (
        ("expired certificate of the broker", "IP:127.0.0.1", -1, "not valid now"),
        ("certificate for another host name", "DNS:broker.example", 30, "for another name"),
    ):
        work = fault.split()[0]
        with pair(program, scratch, work, ENCRYPTED, '[network.tls]\nca-file = "{folder}/lab.pem"\n',
                  prepare=lambda inside, name=name, days=days: certificate(inside, name, days)) as (station, _, _):
            text, after = station.raised("network-away")
            station.say_mass(4711)
            wait_for("the weighing is kept", lambda: station.documents() == 1)
            waits = station.view()["waiting"]
            table.row(fault, "1", "no connection; the alarm says what to do; documents wait",
                      f"after {after:.1f} s: '...{text.split('; ')[-1]}'; {waits} waits", says in text and waits == 1, COMMAND)


class Took(Archive):
    """An archive with a session at the broker, which takes only the next number."""

    def __init__(self, port):
        super().__init__(port, STATION)
        self.subscribed.wait(10)

    def reaches(self, number, seconds):
        began = time.monotonic()
        wait_for(f"document {number} in the archive, which has {len(self.taken)}", lambda: len(self.taken) >= number, seconds)
        return time.monotonic() - began

    def sound(self, count):
        """Each once, none otherwise than before."""
        return len(self.taken) == count and not self.odd


def masses(station, first, count):
    for n in range(first, first + count):
        station.say_mass(1000 + 37 * n % 900_000)
    wait_for("the weighings are stored", lambda: station.documents() >= first + count, 60)


def half_open(program, table, scratch):
    """What the station sends is taken and goes nowhere; no answer comes."""
    with pair(program, scratch, "half-open", KEEPS, "keep-alive-s = 5\n", choose=lambda first: True) as (station, broker, proxy):
        archive = Took(broker.port)
        masses(station, 0, 20)
        archive.reaches(20, 30)
        proxy.swallows = True
        for n in range(20, 40):
            station.say_mass(1000 + 37 * n)
        _, after = station.raised("network-away", 60)
        proxy.swallows = False
        proxy.cut()
        healed = archive.reaches(40, 60)
        station.ceased("network-away")
        table.row("half-open connection: the line swallows everything", "1, with 20 documents on their way",
                  "given up after 10 s without an acknowledgement (or two keepalives); all goes out again, in order",
                  f"`network-away` after {after:.1f} s; all 40 there {healed:.1f} s after the line was back, "
                  f"{archive.repeated} came twice", archive.sound(40) and after < 13, COMMAND)
        archive.close()


def acks_that_never_come(program, table, scratch, rounds):
    """The broker has the documents, its answers are lost, then it is killed and starts again."""
    with pair(program, scratch, "acks", KEEPS, choose=lambda first: b"-out" in first[:200]) as (station, broker, proxy):
        archive = Took(broker.port)
        count = 0
        for _ in range(rounds):
            masses(station, count, 10)
            archive.reaches(count + 10, 60)
            proxy.mute = True
            masses(station, count + 10, 30)
            wait_for("the broker has some of them", lambda: len(archive.taken) > count + 10, 20)
            broker.kill()
            proxy.mute = False
            proxy.cut()
            count += 40
            broker.start()
            archive.reaches(count, 90)
        wait_for("nothing waits", lambda: station.view()["waiting"] == 0, 60)
        table.row("broker killed in the middle of its acknowledgements", f"{rounds}, each with 30 documents on their way",
                  "every document at least once, in order, under its own number",
                  f"{len(archive.taken)} of {count} taken in order, {archive.repeated} came twice, {len(archive.odd)} otherwise than before",
                  archive.sound(count), COMMAND)
        archive.close()


def session_lost(program, table, scratch):
    """The broker forgets everybody: queues, sessions, retained state."""
    with pair(program, scratch, "session", KEEPS) as (station, broker, _):
        archive = Took(broker.port)
        masses(station, 0, 100)
        archive.reaches(100, 60)
        broker.kill()
        for left in broker.folder.glob("*.db*"):
            left.unlink()
        masses(station, 100, 50)
        broker.start()
        took = archive.reaches(150, 90)
        hand = Hand(broker.port)
        hand.is_heard()
        hand.close()
        archive.online()
        table.row("broker starts with nothing: sessions and retained state lost", "1, with 50 documents waiting",
                  "all goes out in order, presence is shown again, presses are heard again",
                  f"150 taken in order {took:.1f} s after the start, {archive.repeated} came twice; online, a press was answered",
                  archive.sound(150), COMMAND)
        archive.close()


def taken_over(program, table, scratch):
    """Somebody else connects under the station's name."""
    with pair(program, scratch, "taken", KEEPS) as (station, broker, _):
        archive = Took(broker.port)
        masses(station, 0, 10)
        archive.reaches(10, 30)
        other, properties = client(f"stillstand-{STATION}-out", False)
        other.connect("127.0.0.1", broker.port, clean_start=True, properties=properties)
        other.loop_start()
        text, after = station.raised("network-taken-over", 30)
        masses(station, 10, 10)
        waits = station.view()["waiting"]
        other.disconnect()
        other.loop_stop()
        took = archive.reaches(20, 150)
        table.row("another client under the station's name", "1, for some seconds", "said; left alone for 60 s, not fought; then all goes out",
                  f"the alarm after {after:.1f} s: '{text.split(',')[0]}...'; {waits} waited; all there {took:.0f} s after the other one had gone",
                  archive.sound(20) and waits == 10 and took < 75, COMMAND)
        archive.close()


def year(program, table, scratch, count):
    """What a year leaves behind where no broker was ever there."""
    broker = Broker(scratch / "year-broker")
    inside = scratch / "year"
    inside.mkdir()
    station = Bench(program, inside, broker=broker.port)
    try:
        station.start()
        for at in range(0, count, 500):
            station.balance.write(b"".join(b"%11.2f g\r\n" % ((1000 + 37 * n % 900_000) / 100) for n in range(at, at + 500)))
        wait_for("all are stored", lambda: station.documents() == count, 300)
        station.stop()
        station.start()
        before, = station.status("VmRSS")
        broker.start()
        reader = Reader(broker.port)
        took = reader.reaches(count, 600)
        most, = station.status("VmHWM")
        wait_for("nothing waits", lambda: station.view()["waiting"] == 0, 60)
        size = station.journal.stat().st_size / 1e6
        table.row("a year without a network", f"{count:,} documents, a journal of {size:,.0f} MB, a restart in between",
                  "all goes out, in order, in little memory",
                  f"{took:.0f} s from the broker's start ({count / took:,.0f}/s), {reader.repeated} twice, {reader.ahead} out of order; "
                  f"memory {before / 1024:.1f} MB before, {most / 1024:.1f} MB at most", reader.ahead == 0 and most - before < 16_000, COMMAND)
        reader.close()
    finally:
        station.close()
        broker.stop()


def refused(program, table, scratch):
    """A password that the broker does not know, until it is put right."""
    def prepare(inside):
        made = subprocess.run(["mosquitto_passwd", "-b", "-c", str(inside / "users"), STATION, "kelp-lantern"], capture_output=True)
        if made.returncode:
            raise Wrong(f"mosquitto_passwd: {made.stderr}")
        (inside / "password").write_text("not-this-one\n")
    config = "listener {port} 127.0.0.1\nallow_anonymous false\nlog_dest none\npassword_file {folder}/users\n"
    with pair(program, scratch, "refused", config, f'user = "{STATION}"\npassword-file = "{{folder}}/password"\n', prepare=prepare) as (station, broker, _):
        text, after = station.raised("network-away")
        station.say_mass(4711)
        wait_for("the weighing waits", lambda: station.view()["waiting"] == 1)
        secret = re.search("not-this-one", station.said() + str(station.rows("SELECT payload FROM event")))
        table.row("refused login", "1", "the alarm says user or password; documents wait; the password is shown nowhere",
                  f"after {after:.1f} s: '...{text.split(': ', 1)[-1]}'; 1 waits; the password is {'SHOWN' if secret else 'in no log and no event'}",
                  ("password" in text or "not allowed" in text) and not secret, COMMAND)


def run(program, table, short=False):
    with folder() as scratch:
        refused(program, table, scratch)
        certificates(program, table, scratch)
        session_lost(program, table, scratch)
        acks_that_never_come(program, table, scratch, 1 if short else 5)
        year(program, table, scratch, 3_000 if short else YEAR)
        if not short:
            half_open(program, table, scratch)
            taken_over(program, table, scratch)
