"""A bare reader: it stamps what comes over the broker and does nothing else. What it measures of an
interval is the best that any program can measure on this machine at this moment.

  bare.py PORT FILTER    reads until its standard input ends, then tells {topic: [stamps]}
"""

import json
import sys

from wire import Observer

stamps = {}
reader = Observer(int(sys.argv[1]), [sys.argv[2]])
reader.on = lambda topic, _payload, stamp: stamps.setdefault(topic, []).append(stamp)
print("ready", flush=True)
sys.stdin.read()
print(json.dumps(stamps))
