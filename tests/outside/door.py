#!/usr/bin/env python3
"""Nobody gets in who does not belong: door.py PROGRAM [FOLDER]

With a folder for its pictures, `door.mjs` looks at the pages in a real browser too.

The pages off loopback, through Python's `ssl` (OpenSSL), `http.client`, bare sockets and curl: the
certificate made by the commands of docs/installer.md, TLS 1.3 alone, accounts, roles, cookies, a page
of another site, slow senders, a flood of sign-ons beside an open stream, and a search for everything
secret in what the station says and keeps. Sources of what is expected stand beside each check.

All of it happens in a network namespace of its own (unshare, ip), whose only interface is loopback with
one address more: the station sees a client that is not loopback, and no packet can leave the machine.
"""

import contextlib
import http.client
import json
import os
import pathlib
import re
import socket
import sqlite3
import ssl
import subprocess
import sys
import tempfile
import threading
import time
import uuid

ROOT = pathlib.Path(__file__).resolve().parents[2]
NAME = "bench-1.lab.example"
PASSWORDS = {"look": "seven old spoons hang", "operate": "five blue jugs leaning", "review": "nine wet stones lie",
             "administer": "two tall ovens hum", "screen": "six dry sieves shaking"}
NEW = "eight new corks floating"
METHOD = "aashto-t176-mechanical"
# An address for documentation (RFC 5737): nobody has it, and to the station it is not loopback.
ADDRESS = "192.0.2.10"
INSIDE = "DOOR_IN_A_NET_OF_ITS_OWN"
wrong = []


def check(good, words):
    print(f"{'ok   ' if good else 'WRONG'} {words}", flush=True)
    if not good:
        wrong.append(words)


def in_a_net_of_its_own():
    """Starts this script again where nothing else is: a namespace of the network, with `ADDRESS` on it."""
    if os.environ.get(INSIDE):
        for words in (["link", "set", "lo", "up"], ["address", "add", f"{ADDRESS}/32", "dev", "lo"]):
            subprocess.run(["ip", *words], check=True, timeout=30)
        return
    root = [] if os.geteuid() == 0 else ["--map-root-user"]
    inside = ["unshare", "--net", *root, sys.executable, "-u", *sys.argv]
    os.execvpe(inside[0], inside, {**os.environ, INSIDE: "yes"})


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def documented_commands():
    """The commands that docs/installer.md gives for a certificate, as they stand there."""
    page = (ROOT / "docs/installer.md").read_text()
    return re.search(r"```sh\n(# An authority.*?)```", page, re.S).group(1)


class Station:
    def __init__(self, program, folder):
        self.program, self.folder, self.port = program, folder, free_port()
        self.settings = folder / "stillstand.toml"
        self.journal = folder / "journal.sqlite"
        self.log = folder / "log"
        self.running = None
        self.said = []

    def write(self, listen="0.0.0.0", tls=True, sign_on=True, name=NAME):
        lines = [f'[station]\nmethods = "{ROOT}/config/methods"\nshapes = "{ROOT}/config/instruments"',
                 f'[journal]\npath = "{self.journal}"', f'[web]\nlisten = "{listen}:{self.port}"']
        if name:
            lines.append(f'name = "{name}"')
        if tls:
            lines.append('[web.tls]\ncertificate-file = "bench-1-pages.pem"\nkey-file = "bench-1-pages.key"')
        if sign_on:
            lines.append('[web.sign-on]\naccounts-file = "accounts.toml"\nroom-page = "open"')
        self.settings.write_text("\n".join(lines) + "\n")

    def call(self, *words, typed=None):
        done = subprocess.run([self.program, *words, "--settings", str(self.settings)], input=typed, text=True,
                              capture_output=True, cwd=ROOT, timeout=120)
        self.said.append(done.stdout + done.stderr)
        return done.returncode, done.stdout + done.stderr

    def start(self):
        log = open(self.log, "ab")
        self.running = subprocess.Popen([self.program, "run", "--settings", str(self.settings)], cwd=ROOT,
                                        stdout=log, stderr=log)
        for _ in range(300):
            with contextlib.suppress(OSError):
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return
            time.sleep(0.1)
        raise SystemExit(f"the pages did not come up: {self.log.read_text()[-2000:]}")

    def stop(self):
        if self.running:
            self.running.terminate()
            self.running.wait(20)


class Client:
    """A browser from one address, with one cookie; it says where its pages come from."""

    def __init__(self, station, context, address="127.0.0.1", source=None):
        self.station, self.context, self.address, self.source, self.cookie = station, context, address, source, None
        self.host = f"{NAME}:{station.port}"

    def socket(self, server_name=NAME, plain=False):
        source = (self.source, 0) if self.source else None
        made = socket.create_connection((self.address, self.station.port), 10, source)
        return made if plain else self.context.wrap_socket(made, server_hostname=server_name)

    def ask(self, method, path, body=None, **headers):
        sent = {"Host": self.host, **{k.replace("_", "-"): v for k, v in headers.items()}}
        if self.cookie:
            sent["Cookie"] = self.cookie
        if body is not None:
            sent.setdefault("Content-Type", "application/json")
            sent.setdefault("Origin", f"https://{self.host}")
            body = body if isinstance(body, str) else json.dumps(body)
        connection = http.client.HTTPSConnection(NAME, self.station.port, timeout=30)
        connection.sock = self.socket()
        try:
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()
        finally:
            connection.close()

    def sign_on(self, account, password):
        status, headers, body = self.ask("POST", "/sign-on", {"account": account, "password": password})
        if status == 200:
            self.cookie = headers["Set-Cookie"].split(";")[0]
        return status, headers, body

    def act(self, what, who=None):
        return self.ask("POST", "/act", {"id": str(uuid.uuid4()), "who": who, "do": what})

    def stream(self):
        """An open event stream: a socket from which whole lines come."""
        open_socket = self.socket()
        request = f"GET /events HTTP/1.1\r\nHost: {self.host}\r\nCookie: {self.cookie}\r\n\r\n"
        open_socket.sendall(request.encode())
        return open_socket


def trusting(folder):
    context = ssl.create_default_context(cafile=str(folder / "lab-ca.pem"))
    context.minimum_version = ssl.TLSVersion.TLSv1_3
    return context


def settings_and_accounts(station):
    for listen, tls, sign_on, name, missing in [
        ("0.0.0.0", False, False, None, "web.tls"), ("0.0.0.0", True, False, NAME, "web.sign-on"),
        ("[::]", False, True, NAME, "web.tls"), ("0.0.0.0", True, True, None, "web.name"),
    ]:
        station.write(listen, tls, sign_on, name)
        code, said = station.call("check")
        check(code == 78 and missing in said and "docs/installer.md" in said, f"off loopback without {missing} is refused by check")
        code, _ = station.call("run")
        check(code == 78, f"and at the start, without {missing}")
    station.write()
    code, said = station.call("check")
    check(code == 78 and "stillstand account add" in said, "without a file of accounts: says how it is made")
    for account, password in PASSWORDS.items():
        whose = ["--screen"] if account == "screen" else ["--person", "Ada Field"]
        role = "operate" if account == "screen" else account
        code, said = station.call("account", "add", account, *whose, "--role", role, typed=password + "\n")
        check(code == 0, f"account {account} is added: {said.strip().splitlines()[0]}")
    mode = (station.folder / "accounts.toml").stat().st_mode & 0o777
    check(mode == 0o600, f"the file is its owner's alone ({mode:o})")
    # OWASP Password Storage Cheat Sheet, argon2id: m=19456 (19 MiB), t=2, p=1.
    text = (station.folder / "accounts.toml").read_text()
    check(text.count("$argon2id$v=19$m=19456,t=2,p=1$") == len(PASSWORDS), "hashes are argon2id with OWASP's parameters")
    salts = set(re.findall(r"p=1\$([^$]+)\$", text))
    check(len(salts) == len(PASSWORDS), "each with a salt of its own")
    check(station.call("account", "add", "again", "--screen", "--role", "look", typed="short\n")[0] == 65, "a short password is refused")
    check(station.call("account", "add", "wall", "--screen", "--role", "review", typed=NEW + "\n")[0] == 64, "a screen reviews nothing")
    code, said = station.call("check")
    check(code == 0 and "renew it" not in said, "with all of it the settings are sound, and the certificate is new")
    whole = (station.folder / "bench-1-pages.pem").read_bytes()
    sign = ["openssl", "x509", "-req", "-days", "20", "-in", "bench-1-pages.csr", "-CA", "lab-ca.pem", "-CAkey", "lab-ca.key",
            "-CAcreateserial", "-extfile", "bench-1-pages.ext", "-out", "bench-1-pages.pem"]
    subprocess.run(sign, cwd=station.folder, check=True, capture_output=True, timeout=30)
    code, said = station.call("check")
    day = subprocess.run(["openssl", "x509", "-in", "bench-1-pages.pem", "-noout", "-enddate", "-dateopt", "iso_8601"],
                         cwd=station.folder, capture_output=True, text=True, timeout=30).stdout.split("=")[1][:10]
    check(code == 0 and day in said and "renew it" in said, f"check tells of a certificate that ends soon: {said.strip().splitlines()[-1]}")
    (station.folder / "bench-1-pages.pem").write_bytes(whole)
    (station.folder / "accounts.toml").chmod(0o644)
    code, said = station.call("check")
    check(code == 78 and "chmod 600" in said, "a file that others may read is refused")
    (station.folder / "accounts.toml").chmod(0o600)


def encryption(station, client):
    def shaken(context, name=NAME):
        plain = socket.create_connection(("127.0.0.1", station.port), 10)
        try:
            with context.wrap_socket(plain, server_hostname=name) as made:
                return made.version(), made.selected_alpn_protocol()
        except (ssl.SSLError, OSError) as error:
            return str(error), None

    offered = trusting(station.folder)
    offered.set_alpn_protocols(["h2", "http/1.1"])
    check(shaken(offered) == ("TLSv1.3", "http/1.1"), "TLS 1.3 and HTTP/1.1")
    older = ssl.create_default_context(cafile=str(station.folder / "lab-ca.pem"))
    older.maximum_version = ssl.TLSVersion.TLSv1_2
    said = shaken(older)[0]
    check("alert" in said.lower() and "TLSv1.2" != said, f"TLS 1.2 is refused: {said}")
    check("certificate verify failed" in shaken(ssl.create_default_context())[0], "who does not know the authority is warned")
    check("Hostname mismatch" in shaken(trusting(station.folder), "bench-2.lab.example")[0], "and who meant another station")
    only_h2 = trusting(station.folder)
    only_h2.set_alpn_protocols(["h2"])
    check("alert" in shaken(only_h2)[0].lower(), "a client that speaks only another protocol is told so (RFC 7301)")
    curl = ["curl", "-sS", "-o", "/dev/null", "-w", "%{http_code}", "--cacert", str(station.folder / "lab-ca.pem"),
            "--resolve", f"{NAME}:{station.port}:127.0.0.1", f"https://{NAME}:{station.port}/livez"]
    done = subprocess.run(curl, capture_output=True, text=True, timeout=60)
    check(done.stdout == "200", f"curl agrees: {done.stdout} {done.stderr.strip()}")
    done = subprocess.run([*curl, "--tls-max", "1.2"], capture_output=True, text=True, timeout=60)
    check(done.returncode == 35, f"curl with TLS 1.2 fails in the handshake (exit 35 of its manual): {done.returncode}")
    with client.socket(plain=True) as plain:
        plain.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        got = b""
        with contextlib.suppress(OSError):
            while chunk := plain.recv(4096):
                got += chunk
        check(b"HTTP/" not in got, "without encryption there is no answer")


def ways_in(station, context):
    stranger = Client(station, context)
    status, headers, _ = stranger.ask("GET", "/")
    check(status == 303 and headers["Location"] == "/sign-on?to=/", "a stranger is led to the sign-on")
    # RFC 6797: only over a secure transport; RFC 7034 and CSP 3 against frames.
    check(headers["Strict-Transport-Security"] == "max-age=31536000", "and told to come encrypted from now on")
    policy = headers["Content-Security-Policy"]
    check(headers["X-Frame-Options"] == "DENY" and "frame-ancestors 'none'" in policy, "no site may frame a page")
    check("script-src 'self'" in policy and "unsafe" not in policy, "no script stands in a page")
    status, _, page = stranger.ask("GET", "/sign-on")
    check(status == 200 and not re.search(r"<script(?![^>]*src=)|\son\w+=", page), "the page to sign on comes without one")
    for path in ("/events", "/view", "/documents", "/records/list", "/samples/find?scan=x", "/people/view", "/settings/view", "/nothing"):
        check(stranger.ask("GET", path)[0] == 401, f"a stranger gets nothing of {path}")
    for path in ("/room", "/room/temperatures", "/samples/list", "/page/room.js"):
        check(stranger.ask("GET", path)[0] == 200, f"the room page is open: {path}")
    check(stranger.act({"act": "stop-awaiting"})[0] == 401, "and takes no act")
    check(stranger.ask("GET", "/nothing", Sec_Fetch_Mode="navigate")[0] == 303, "who mistypes an address signs on first")
    status, headers, _ = stranger.sign_on("operate", PASSWORDS["operate"])
    flags = headers["Set-Cookie"].split("; ")
    # RFC 6265bis, 4.1.3.2: `__Host-` asks for Secure, Path=/ and no Domain.
    check(flags[0].startswith("__Host-") and sorted(flags[1:]) == ["HttpOnly", "Path=/", "SameSite=Strict", "Secure"],
          f"the cookie's flags: {flags[1:]}")
    check(len(flags[0].split("=")[1]) * 4 == 256, "256 bits")
    # Fetch Metadata and Origin, as a browser sends them from another site's page.
    act = {"id": str(uuid.uuid4()), "do": {"act": "register-sample", "label": "X", "method": METHOD, "specimens": 1}}
    for headers in ({"Origin": "https://lab.example"}, {"Origin": "null"}, {"Sec_Fetch_Site": "same-site"},
                    {"Content_Type": "text/plain"}, {"Content_Type": "application/x-www-form-urlencoded"}):
        check(stranger.ask("POST", "/act", act, **headers)[0] == 403, f"another site's page posts nothing: {headers}")
    frame = {"Sec_Fetch_Site": "cross-site", "Sec_Fetch_Mode": "navigate", "Sec_Fetch_Dest": "iframe"}
    check(stranger.ask("GET", "/", **frame)[0] == 403, "and frames nothing")
    check(json.loads(stranger.ask("GET", "/view")[2])["samples"] == [], "nothing of it happened")
    other = Client(station, context)
    other.host = f"bench-2.lab.example:{station.port}"
    check(other.ask("GET", "/livez")[0] == 403, "under another name there is nothing here")


def roles(station, context):
    held = {}
    for account, password in PASSWORDS.items():
        held[account] = Client(station, context)
        check(held[account].sign_on(account, password)[0] == 200, f"{account} signs on")
    admit = {"act": "quality", "what": "admit", "specimen": str(uuid.uuid4()), "reason": "looked at"}
    person = {"act": "review", "what": "add-person", "name": "Ada Field", "roles": ["operate", "review", "administer"], "code": "2580"}
    order = ["look", "operate", "review", "administer"]
    for number, account in enumerate(order):
        sample = {"act": "register-sample", "label": f"S-{account}", "method": METHOD, "specimens": 1}
        client = held[account]
        may = [client.ask("GET", "/view")[0] != 403, client.act(sample)[0] != 403, client.act(admit)[0] != 403,
               client.ask("GET", "/settings/view")[0] != 403]
        # The table of docs/threats.md.
        check(may == [number >= n for n in range(4)], f"{account}: look, operate, review, administer: {may}")
        if account != "administer":
            check(client.act(person)[0] == 403, f"{account} keeps no register")
    check(held["administer"].act(person)[0] == 200, "administer keeps it")
    check("the certificate of the pages ends on 20" in held["administer"].ask("GET", "/settings/view")[2], "and reads when the certificate ends")
    check(held["operate"].act({"act": "stop-awaiting"}, who="Ben Stone")[0] == 403, "nobody acts under another's name")
    check(held["operate"].act({"act": "stop-awaiting"})[0] == 200, "a person who is signed on needs no code")
    status, _, said = held["screen"].act({"act": "stop-awaiting"}, who="Ada Field")
    check(status == 409 and "sign on with code" in said, "at a screen the register asks for it")
    samples = json.loads(held["look"].ask("GET", "/samples/list")[2])["samples"]
    check(all("by" not in s or s["by"] != "Ben Stone" for s in samples) and len(samples) == 3, "three samples were registered")
    return held


def tries(station, context):
    """A stranger at another address tries; addresses of 127.0.0.0/8 are as good as others here."""
    attacker = Client(station, context, source="127.0.0.66")
    seen = [attacker.sign_on("operate", "wrong on purpose")[0] for _ in range(12)]
    check(seen[:4] == [401] * 4 and 429 in seen, f"wrong ones wait: {seen}")
    status, headers, _ = attacker.sign_on("operate", PASSWORDS["operate"])
    check(status == 429 and int(headers["Retry-After"]) > 0, "the right one too is not looked at from there")
    check(Client(station, context, source="127.0.0.7").sign_on("operate", PASSWORDS["operate"])[0] == 200, "and nobody else waits")

    def took(account, source):
        began = time.monotonic()
        Client(station, context, source=source).sign_on(account, "wrong on purpose")
        return time.monotonic() - began

    # In turns, and the least of each: other work on the machine only adds. Without the hash it would be a
    # few milliseconds beside a hundred.
    pairs = [(took("administer", f"127.0.1.{n}"), took("nobody", f"127.0.2.{n}")) for n in range(1, 12)]
    known, unknown = (min(one) for one in zip(*pairs))
    check(1 / 3 < known / unknown < 3, f"an unknown name is as much work: {known * 1000:.0f} and {unknown * 1000:.0f} ms")


def closed_after(sockets, most):
    """When each was closed by the other side, seconds; None: not within `most`."""
    began, when = time.monotonic(), {}

    def watch(made):
        made.settimeout(most)
        with contextlib.suppress(OSError):
            while made.recv(65536):
                pass
            when[made] = time.monotonic() - began
            return
        if time.monotonic() - began < most - 0.5:
            when[made] = time.monotonic() - began

    watchers = [threading.Thread(target=watch, args=(made,)) for made in sockets]
    for watcher in watchers:
        watcher.start()
    for watcher in watchers:
        watcher.join(most + 5)
    return [when.get(made) for made in sockets]


def deaf(client):
    """A socket that asks for more than the kernel keeps for it, and takes nothing of it."""
    made = client.socket()
    # Buffers of loopback grow to some megabytes; so many answers of some 50 kB are more.
    made.sendall(f"GET /page/catalogue.js HTTP/1.1\r\nHost: {client.host}\r\n\r\n".encode() * 400)
    return made


def left_after(station, made, most):
    """When the station let go of a connection, seconds, by the kernel's table: the other end is told nothing of it."""
    ends, began = (f":{station.port:04X}", f":{made.getsockname()[1]:04X}"), time.monotonic()
    while time.monotonic() - began < most:
        table = [line.split() for line in pathlib.Path("/proc/net/tcp").read_text().splitlines()[1:]]
        if not any(line[1].endswith(ends[0]) and line[2].endswith(ends[1]) for line in table):
            return time.monotonic() - began
        time.sleep(0.5)
    return None


def sizes(station, context, address):
    """How much a request may be. Limits: docs/threats.md."""
    client = Client(station, context, address=address)

    def head(more):
        with contextlib.closing(client.socket()) as made:
            made.settimeout(10)
            with contextlib.suppress(OSError):
                made.sendall(f"GET /livez HTTP/1.1\r\nHost: {client.host}\r\nConnection: close\r\n{more}\r\n".encode())
                return made.recv(12).decode()[9:]
            return "closed"

    line = "X-{}: {}\r\n".format
    many = ["".join(line(n, "") for n in range(most)) for most in (60, 70)]
    seen = [head(more) for more in (line(1, "x" * 30_000), line(1, "x" * 70_000), *many)]
    # RFC 6585, section 5: 431.
    check([s == "200" for s in seen] == [True, False, True, False] and {seen[1], seen[3]} <= {"431", "closed"},
          f"a head of 30 and of 70 kB, of 62 and of 72 lines: {seen}")
    said = [client.ask("POST", "/sign-on", json.dumps({"account": "nobody", "x": "x" * size}))[2] for size in (3900, 4100)]
    check("larger" not in said[0] and "larger than 4096 bytes" in said[1], "a sign-on is 4 KiB at most")
    screen = Client(station, context)
    check(screen.sign_on("look", PASSWORDS["look"])[0] == 200, "somebody signs on")
    said = [screen.ask("POST", "/act", json.dumps({"x": "x" * size}))[2] for size in (65_000, 66_000)]
    check("larger" not in said[0] and "larger than 65536 bytes" in said[1], "an act is 64 KiB at most")


def early(station, folder):
    """No early data, which could be played back (RFC 8446, section 8): as OpenSSL sees it."""
    request = folder / "request"
    request.write_bytes(f"GET /livez HTTP/1.1\r\nHost: {NAME}:{station.port}\r\nConnection: close\r\n\r\n".encode())
    call = ["openssl", "s_client", "-connect", f"127.0.0.1:{station.port}", "-servername", NAME, "-tls1_3",
            "-CAfile", str(folder / "lab-ca.pem"), "-ign_eof"]
    first = subprocess.run([*call, "-sess_out", str(folder / "session")], input=request.read_bytes(), capture_output=True, timeout=30)
    tickets = re.findall(rb"Max Early Data: (\d+)", first.stdout)
    check(tickets and set(tickets) == {b"0"}, f"a session allows no early data: {tickets}")
    again = subprocess.run([*call, "-sess_in", str(folder / "session"), "-early_data", str(request)],
                           input=request.read_bytes(), capture_output=True, timeout=30)
    check(b"Reused, TLSv1.3" in again.stdout and b"Early data was accepted" not in again.stdout and b"HTTP/1.1 200" in again.stdout,
          "and it is taken up again without any")


def quiet_log(station, context):
    """Whoever is refused may come back at once, with headers of any size: the log stays short."""
    before = station.log.stat().st_size
    client, began = Client(station, context), time.monotonic()
    with contextlib.closing(http.client.HTTPSConnection(NAME, station.port, timeout=30)) as connection:
        connection.sock = client.socket()
        for _ in range(300):
            connection.request("GET", "/livez", headers={"Host": "x" * 20_000})
            answer = connection.getresponse()
            refused = answer.status == 403 and len(answer.read()) < 500
    # A line each second, of 100 characters of the header and the words around them.
    most, grown = 500 * (time.monotonic() - began + 2), station.log.stat().st_size - before
    check(refused and 0 < grown < most, f"300 refused requests of 20 kB are {grown} bytes of the log")


def slow(station, context, address):
    """Slow senders from one address: silent, in the middle of a head, of a body; and one that takes nothing of
    an answer. Limits: docs/threats.md."""
    client = Client(station, context, address=address)
    takes_nothing, took = deaf(Client(station, context)), []
    silent = [client.socket(plain=True) for _ in range(12)]
    heads = [client.socket() for _ in range(12)]
    for made in heads:
        made.sendall(f"GET / HTTP/1.1\r\nHost: {client.host}\r\nX-Slow: ".encode())
    bodies = [client.socket() for _ in range(12)]
    for made in bodies:
        made.sendall((f"POST /sign-on HTTP/1.1\r\nHost: {client.host}\r\nOrigin: https://{client.host}\r\n"
                      "Content-Type: application/json\r\nContent-Length: 100\r\n\r\n{").encode())

    def more():
        for _ in range(20):
            time.sleep(1)
            for made in heads:
                with contextlib.suppress(OSError):
                    made.sendall(b"x")

    feeding = threading.Thread(target=more)
    feeding.start()
    other = Client(station, context)
    check(other.sign_on("look", PASSWORDS["look"])[0] == 200, "others come in meanwhile")
    watching = threading.Thread(target=lambda: took.append(left_after(station, takes_nothing, 50)))
    watching.start()
    closed = closed_after(silent + heads + bodies, 40)
    feeding.join()
    for name, part in (("silent", closed[:12]), ("head", closed[12:24]), ("body", closed[24:])):
        check(all(part) and max(part) < 35, f"slow, {name}: closed after {[round(s, 1) if s else None for s in part[:3]]} s")
    for made in silent + heads + bodies:
        made.close()
    many = []
    for _ in range(80):
        with contextlib.suppress(OSError):
            many.append(client.socket(plain=True))
    time.sleep(0.5)
    alive = 0
    for made in many:
        made.settimeout(0.01)
        try:
            alive += made.recv(1) != b""
        except TimeoutError:
            alive += 1
        except OSError:
            pass
    check(0 < alive <= 48, f"of 80 connections of one address {alive} are taken; 48 may be")
    for made in many:
        made.close()
    watching.join()
    check(took[0] and 20 < took[0] < 45, f"who takes nothing of an answer is closed: after {took} s")
    takes_nothing.close()


def flood(station, context, address):
    """A stream of a bench screen goes on while its own address and another flood the sign-on."""
    screen = Client(station, context, address=address)
    check(screen.sign_on("screen", PASSWORDS["screen"])[0] == 200, "the screen signs on")
    stream = screen.stream()
    stream.settimeout(5)
    end, answers = time.monotonic() + 12, []

    def try_on(source, number):
        while time.monotonic() < end:
            client = Client(station, context, address=address if source is None else "127.0.0.1", source=source)
            with contextlib.suppress(OSError, http.client.HTTPException):
                answers.append(client.sign_on(f"nobody-{number}", "wrong on purpose")[0])

    floods = [threading.Thread(target=try_on, args=(f"127.0.9.{n}" if n % 2 else None, n)) for n in range(16)]
    for one in floods:
        one.start()
    gaps, last, beats, rest = [], time.monotonic(), 0, b""
    while time.monotonic() < end:
        rest += stream.recv(65536)
        *lines, rest = rest.split(b"\n")
        if any(line.startswith(b"event: ") or line.startswith(b"event:") for line in lines):
            gaps.append(time.monotonic() - last)
            last, beats = time.monotonic(), beats + 1
    for one in floods:
        one.join()
    # A page calls its stream lost after 1.6 s (src/web/page/link.js).
    check(beats > 15 and max(gaps) < 1.6, f"{beats} events came during the flood, longest gap {max(gaps):.2f} s")
    check(len(answers) > 20 and set(answers) <= {401, 429, 503}, f"{len(answers)} tries, answers {sorted(set(answers))}")
    check(Client(station, context).sign_on("review", PASSWORDS["review"])[0] == 200, "and afterwards people come in")
    return screen, stream


def changed(station, screen, stream):
    code, said = station.call("account", "change", "screen", "--new-password", typed=NEW + "\n")
    check(code == 0, f"the password is changed while the station runs: {said.strip()}")
    stream.settimeout(5)
    began, ended = time.monotonic(), False
    with contextlib.suppress(OSError):
        while time.monotonic() - began < 5:
            got = stream.recv(65536)
            if got == b"" or got.endswith(b"0\r\n\r\n"):
                ended = True
                break
    check(ended and time.monotonic() - began < 4, f"its stream ends, after {time.monotonic() - began:.1f} s")
    check(screen.ask("GET", "/view")[0] == 401, "and its cookie opens nothing")
    # The flood came from the screen's own address, which may have to wait for it now: elsewhere nobody does.
    fresh = Client(station, screen.context)
    check(fresh.sign_on("screen", PASSWORDS["screen"])[0] == 401, "the old password is wrong")
    check(fresh.sign_on("screen", NEW)[0] == 200 and fresh.ask("GET", "/view")[0] == 200, "the new one is right")
    status, _, _ = fresh.ask("POST", "/sign-off", {})
    check(status == 200 and fresh.ask("GET", "/view")[0] == 401, "signed off is signed off")
    return fresh


def browser(station, folder):
    """The sign-on in Chromium, while the station runs."""
    said = subprocess.run(["node", "tests/outside/door.mjs", f"https://localhost:{station.port}/", folder], cwd=ROOT,
                          env={**os.environ, "ACCOUNTS": json.dumps(PASSWORDS)}, timeout=600)
    check(said.returncode == 0, "the browser finds nothing wrong")


def nothing_secret(station, cookies):
    secrets = [*PASSWORDS.values(), NEW, "$argon2id$", *(c.split("=")[1] for c in cookies if c)]
    key = (station.folder / "bench-1-pages.key").read_text().splitlines()[1]
    secrets.append(key)
    kept = {"log": station.log.read_bytes(), "output": "".join(station.said).encode()}
    for path in station.folder.glob("journal.sqlite*"):
        kept[path.name] = path.read_bytes()
    with contextlib.closing(sqlite3.connect(f"file:{station.journal}?mode=ro", uri=True)) as journal:
        # Tables of text indexes ask for a newer SQLite than Python may have; what they hold lies in others.
        tables = journal.execute("select name from sqlite_master where type = 'table' and sql not like '%VIRTUAL%'").fetchall()
        kept["journal, read"] = repr([journal.execute(f'select * from "{name}"').fetchall() for (name,) in tables]).encode()
    check(len(kept["log"]) > 500 and len(kept["journal, read"]) > 5000, "log and journal were looked through")
    for place, content in kept.items():
        found = [n for n, secret in enumerate(secrets) if secret.encode() in content]
        check(not found, f"nothing secret stands in {place} ({found})")
    check(b"signed on at the pages" in kept["log"] and b"a wrong sign-on" in kept["log"], "sign-ons, good and wrong, are logged")


def main(program, shots=None):
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        subprocess.run(["sh", "-eu"], input=documented_commands(), text=True, cwd=folder, check=True, capture_output=True, timeout=120)
        check((folder / "bench-1-pages.pem").is_file(), "the commands of docs/installer.md make authority, key and certificate")
        station = Station(str(pathlib.Path(program).resolve()), folder)
        settings_and_accounts(station)
        context = trusting(folder)
        station.start()
        try:
            encryption(station, Client(station, context))
            ways_in(station, context)
            held = roles(station, context)
            if shots:
                browser(station, shots)
            early(station, folder)
            sizes(station, context, ADDRESS)
            quiet_log(station, context)
            tries(station, context)
            slow(station, context, ADDRESS)
            screen, stream = flood(station, context, ADDRESS)
            before = screen.cookie
            fresh = changed(station, screen, stream)
        finally:
            station.stop()
        nothing_secret(station, [before, fresh.cookie, *(client.cookie for client in held.values())])
    if wrong:
        print(f"{len(wrong)} wrong:", *wrong, sep="\n  ", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    in_a_net_of_its_own()
    sys.exit(main(*sys.argv[1:]))
