"""The other end of both wires: an MQTT 5 client that costs little, and pseudo-terminals.

The observer must not be what is measured: it subscribes with QoS 0, sends with QoS 1 and looks at
no more of a packet than it needs. Every stamp is CLOCK_MONOTONIC, taken right before a write and
right after the read that brought a message.
"""

import os
import pty
import socket
import struct
import threading
import time
import tty

now = time.monotonic_ns


def text(value):
    data = value.encode()
    return struct.pack("!H", len(data)) + data


def length(number):
    out = bytearray()
    while True:
        number, low = divmod(number, 128)
        out.append(low | (128 if number else 0))
        if not number:
            return bytes(out)


def packet(first, body):
    return bytes([first]) + length(len(body)) + body


class Observer:
    """A client that publishes, and hands each message to `on(topic, payload, stamp)`."""

    def __init__(self, port, filters):
        self.sock = socket.create_connection(("127.0.0.1", port), 5)
        self.sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.sock.settimeout(None)
        self.on = lambda topic, payload, stamp: None
        self.heard = threading.Event()
        self.next_id = 0
        self.lock = threading.Lock()
        self.replies = {}
        self.replied = threading.Condition()
        flags, keep_alive = 0x02, 0
        body = text("MQTT") + bytes([5, flags]) + struct.pack("!H", keep_alive) + b"\0" + text(f"observer-{os.getpid()}-{id(self)}")
        self.sock.sendall(packet(0x10, body))
        # No own messages come back: option bit 2.
        wanted = b"".join(text(name) + b"\x04" for name in filters)
        self.sock.sendall(packet(0x82, b"\0\1\0" + wanted))
        threading.Thread(target=self.read, daemon=True).start()
        if not self.heard.wait(10):
            raise SystemExit("the broker does not answer the observer")

    def read(self):
        rest = b""
        while True:
            try:
                came = self.sock.recv(262144)
            except OSError:
                return
            stamp = now()
            if not came:
                return
            rest += came
            at, have = 0, len(rest)
            while have - at >= 2:
                size, shift, begin = 0, 0, at + 1
                while begin < have:
                    byte = rest[begin]
                    begin += 1
                    size |= (byte & 127) << shift
                    shift += 7
                    if byte < 128:
                        break
                else:
                    break
                if have - begin < size:
                    break
                self.take(rest[at], rest[begin : begin + size], stamp)
                at = begin + size
            rest = rest[at:]

    def take(self, first, body, stamp):
        kind = first >> 4
        if kind == 3:
            (size,) = struct.unpack_from("!H", body)
            topic, at = body[2 : 2 + size].decode(), 2 + size
            if first & 6:
                at += 2
            properties = body[at]
            if properties < 128:
                at += 1
            else:
                properties = (properties & 127) | body[at + 1] << 7
                at += 2
            if topic == "observer/reply":
                key = self.correlation(body[at : at + properties])
                with self.replied:
                    self.replies[key] = body[at + properties :]
                    self.replied.notify_all()
            else:
                self.on(topic, body[at + properties :], stamp)
        elif kind == 9:
            self.heard.set()

    @staticmethod
    def correlation(properties):
        at = properties.find(b"\x09\x00\x10")
        return properties[at + 3 : at + 19]

    def publish(self, topic, payload, properties=b""):
        """QoS 1. Gives the stamp taken right before the write."""
        with self.lock:
            self.next_id = self.next_id % 65535 + 1
            body = text(topic) + struct.pack("!H", self.next_id) + length(len(properties)) + properties + payload
            data = packet(0x32, body)
            stamp = now()
            self.sock.sendall(data)
        return stamp

    def ask(self, topic, payload, key):
        """A request; `key` is 16 bytes that the reply bears."""
        properties = b"\x08" + text("observer/reply") + b"\x09\x00\x10" + key
        self.publish(topic, payload, properties)

    def reply(self, key):
        with self.replied:
            if not self.replied.wait_for(lambda: key in self.replies, 20):
                raise SystemExit("a request was not answered within 20 s")
            return self.replies.pop(key)

    def close(self):
        self.sock.shutdown(socket.SHUT_RDWR)
        self.sock.close()


class Line:
    """A serial line whose instrument is us."""

    def __init__(self):
        self.ours, theirs = pty.openpty()
        tty.setraw(theirs)
        self.path = os.ttyname(theirs)
        # Kept open, else the other end would be gone between two programs.
        self.theirs = theirs

    def write(self, data):
        """Gives the stamp taken right before the write."""
        stamp = now()
        while data:
            data = data[os.write(self.ours, data) :]
        return stamp

    def close(self):
        os.close(self.ours)
        os.close(self.theirs)
