#!/usr/bin/env python3
"""Records what a running daemon serves, as input series of promtool's rule tests.

record.py URL EVERY SECONDS > FILE: scrapes URL each EVERY seconds and writes one line
for each series: its name and labels, a tab, and its values, "_" where it was absent.
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
        values.append(seen.get(name, "_"))
for name in sorted(series):
    print(name + "\t" + " ".join(series[name]))
