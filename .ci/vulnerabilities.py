"""Tells what govulncheck found, and fails where we call what is vulnerable in a
dependency. Usage: vulnerabilities.py FILE.json"""

import json
import sys

text = open(sys.argv[1], encoding="utf-8").read()
decoder, at, found, scanned = json.JSONDecoder(), 0, {}, False
while text[at:].strip():
    at += len(text[at:]) - len(text[at:].lstrip())
    message, at = decoder.raw_decode(text, at)
    scanned = scanned or "SBOM" in message or "config" in message
    if finding := message.get("finding"):
        first = finding["trace"][0]
        key = (finding["osv"], first["module"])
        found[key] = found.get(key, False) or "function" in first
if not scanned:
    sys.exit("govulncheck reported nothing at all")

bad = 0
for (osv, module), called in sorted(found.items()):
    gates = called and module != "stdlib"
    bad += gates
    print(f"{osv} {module}: {'called' if called else 'not called'}{' - MEND IT' if gates else ''}")
print(f"{len(found)} known vulnerabilities, {bad} of them called in a dependency")
sys.exit(1 if bad else 0)
