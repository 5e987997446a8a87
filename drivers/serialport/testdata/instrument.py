"""A scripted instrument, written apart from the Go code as an independent peer.

Usage: instrument.py PORT poll|stream COUNT

It opens PORT (a pseudo-terminal), sets it raw, and then either answers COUNT
times to the query "MEAS?" CR LF, or sends COUNT lines by itself once it has
heard "GO" LF. The n-th line is given by line(n); numbers are made with the
decimal module, so that nothing of binary floating point is in them.
"""
import os
import sys
import termios
import tty
from decimal import Decimal


def line(n):
    value = (Decimal(n) * Decimal("0.37") - Decimal("0.50")).quantize(Decimal("0.01"))
    kind = n % 10
    if kind == 3:
        return "20.00 mW/cm2 OVER"
    if kind == 5:
        return "---- mW/cm2 OVER"
    if kind == 6:
        return f"{value} mW/cm2 BATT"
    if kind == 7:
        return "FAIL mW/cm2 FAIL"
    if kind == 8:
        return f"{value} mW/cm2 O\x07K"  # spoilt on its way
    return f"{value} mW/cm2 OK"


def send(fd, text):
    data = text.encode("ascii")
    while data:
        data = data[os.write(fd, data):]


def hear(fd, end, heard):
    while end not in heard:
        chunk = os.read(fd, 256)
        if not chunk:
            sys.exit("the line was hung up")
        heard += chunk
    said, _, rest = heard.partition(end)
    return said, rest


def main():
    path, mode, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(fd, termios.TCSANOW)
    send(fd, "ready\r\n")
    print("ready", flush=True)
    heard = b""
    if mode == "stream":
        said, heard = hear(fd, b"\n", heard)
        if said != b"GO":
            sys.exit(f"heard {said!r}, want GO")
        for n in range(count):
            send(fd, line(n) + "\r\n")
        hear(fd, b"\n", heard)  # stay until told to end
        return
    for n in range(count):
        said, heard = hear(fd, b"\r\n", heard)
        if said != b"MEAS?":
            sys.exit(f"query {n}: heard {said!r}, want MEAS?")
        if n % 4 == 1:  # in two parts
            text = line(n) + "\r\n"
            send(fd, text[:3])
            termios.tcdrain(fd)
            send(fd, text[3:])
        else:
            send(fd, line(n) + "\r\n")
    hear(fd, b"\n", heard)


main()
