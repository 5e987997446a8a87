#!/usr/bin/env python3
"""Records what a running daemon serves, as input series of promtool's rule tests.

record.py URL EVERY SECONDS [NAME...] > FILE: scrapes URL each EVERY seconds and writes one line
for each series: its name and labels, a tab, and its values, "stale" and then "_" where it
was absent, as a scraping server marks it. With names behind SECONDS only their series are
written.
The series up{job="ovenward"} is what a scraping server would add: 1 where the scrape
was answered, 0 where not.
"""
import sys
import time
import urllib.request

url, every, seconds = sys.argv[1], float(sys.argv[2]), float(sys.argv[3])
series, begun, n = {}, time.monotonic(), int(seconds / every)
zero = time.time() # instants are told as seconds since the first scrape
for i in range(n):
    time.sleep(max(0, begun + i * every - time.monotonic()))
    seen = {}
    try:
        with urllib.request.urlopen(url, timeout=every / 2) as r:
            text = r.read().decode()
        seen['up{job="ovenward"}'] = "1"
        for line in text.splitlines():
            if line.startswith("ovenward_") and "_bucket{" not in line:
                name, _, value = line.rpartition(" ")
                if "_timestamp_seconds" in name:
                    value = "%.3f" % (float(value) - zero)
                seen[name] = value
    except OSError:
        seen['up{job="ovenward"}'] = "0"
    for name in seen.keys() - series.keys():
        series[name] = ["_"] * i
    for name, values in series.items():
        gone = "_" if not values or values[-1] in ("_", "stale") else "stale"
        values.append(seen.get(name, gone))
names = sys.argv[4:]
for name in sorted(series):
    if names and name.partition("{")[0] not in names:
        continue
    print(name + "\t" + " ".join(series[name]))
