#!/usr/bin/env python3
"""Recompute the chain of a journal file. Written from docs/journal.md, with Python's own sqlite3
and hashlib and nothing of the program's: usage verify_chain.py JOURNAL"""

import hashlib
import json
import pathlib
import sqlite3
import sys


def sha(*parts):
    return hashlib.sha256(b"".join(parts)).digest()


def fields(*values):
    def raw(value):
        if isinstance(value, int):
            return value.to_bytes(8, "big", signed=value < 0)
        return value.encode() if isinstance(value, str) else value or b""
    return b"".join(len(raw(v)).to_bytes(4, "big") + raw(v) for v in values)


def main(path):
    uri = pathlib.Path(path).resolve(strict=True).as_uri()
    db = sqlite3.connect(uri + "?mode=ro", uri=True)
    db.execute("BEGIN")
    names = list(db.execute("SELECT after_seq, id FROM identity ORDER BY number"))
    # Since format 4 a payload may be removed; an event of the chain says up to where.
    kept = db.execute("PRAGMA user_version").fetchone()[0] >= 4
    told = {"samples": 0, "events": 0, "documents": 0}
    removals = "SELECT payload FROM removal JOIN event USING (seq) WHERE kind = 'payloads-removed'"
    for (payload,) in db.execute(removals) if kept else ():
        through = json.loads(payload)["through"]
        told = {key: max(told[key], through[key]) for key in told}
    outbox = db.execute(
        "SELECT number, id, kind, topic, subject, made_at_ns, payload, " + ("payload_hash" if kept else "NULL")
        + " FROM outbox ORDER BY number"
    )
    link, seq, document, samples, documents = bytes(32), 0, 0, [], []

    def wrong(what):
        sys.exit(f"event {seq}: {what}")

    def named(link, before):
        while names and names[0][0] < before:
            link = sha(b"stillstand journal 1\n", link, names.pop(0)[1])
        return link

    def take(upto):
        nonlocal document
        while document < upto and (row := outbox.fetchone()):
            document += 1
            if row[0] != document:
                wrong(f"document {document} is missing")
            if row[7] is not None and (row[6] or document > told["documents"]):
                wrong(f"document {document} is blank and no removal tells of it")
            documents.append(fields(*row[:6]) + (sha(row[6].encode()) if row[7] is None else row[7]))

    for (number, kind, version, moment, who, count, digest, newest, papers, payload, phash, chained, stored) in db.execute(
        "SELECT seq, kind, version, moment, input, samples, samples_digest, documents, documents_digest,"
        " payload, payload_hash, chained, link FROM event ORDER BY seq"
    ):
        seq += 1
        if number != seq:
            wrong("is missing")
        if payload is not None and sha(payload.encode()) != phash:
            wrong("payload altered")
        if payload is None and seq > told["events" if chained else "samples"]:
            wrong("payload is gone and no removal tells of it")
        head = fields(number, kind, version, moment, who, count, digest, newest, papers)
        link = named(link, seq)
        if not chained:
            samples.append(head + phash)
            continue
        link = sha(link, head, phash)
        if link != stored:
            wrong("header or link altered")
        take(newest)
        if (count, digest) != (len(samples), sha(*samples) if samples else None):
            wrong("sample altered")
        if (newest, papers) != (document, sha(*documents) if documents else None):
            wrong("document altered")
        samples, documents = [], []
    take(float("inf"))
    print(f"head {seq} {named(link, float('inf')).hex()} documents {document}")


if __name__ == "__main__":
    main(sys.argv[1])
