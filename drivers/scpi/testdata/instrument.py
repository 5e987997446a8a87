"""A scripted SCPI instrument, an independent peer: pyserial over a line, or a socket.

Usage: instrument.py serial PATH | tcp PORT

It answers *IDN?, READ? (the next of ANSWERS), MEAS:ALL? and SYST:ERR?, and keeps
a list of errors. Commands end in LF; a CR before it is ignored.
"""
import socket
import sys

import serial

ANSWERS = [
    b"12\n",  # NR1
    b"+12.50\r\n",  # NR2
    b"1.2500E+01\n",  # NR3
    b"\r\n> READ?\r\n> 4.12E-01\r\n",  # a console's echo and prompts
    b"9.9E37\n",
    b"9.91E37\n",
    b"-9.9E37\n",
    b"#16\r\n1.25\n",  # a block that holds a line end
    b"-1.5E-3\n",
]


class Instrument:
    def __init__(self, send):
        self.send, self.turn, self.errors = send, 0, []

    def hear(self, command):
        command = command.strip().upper()
        if command == b"*IDN?":
            self.send(b"Larkfield Instruments,FM-2,LH0417,1.02\r\n")
        elif command == b"READ?":
            self.send(ANSWERS[self.turn % len(ANSWERS)])
            self.turn += 1
        elif command == b"MEAS:ALL?":
            self.send(b'"EAST, DOOR",4.12E+00,1.50,1.31,1.31,+2.25E+01,87\r\n')
        elif command == b"SYST:ERR?":
            self.send((self.errors.pop(0) if self.errors else b'0,"No error"') + b"\r\n")
        elif command:
            self.errors.append(b'-113,"Undefined header;' + command + b'"')


def converse(read, instrument):
    heard = b""
    while True:
        chunk = read()
        if not chunk:
            return
        heard += chunk
        while b"\n" in heard:
            command, _, heard = heard.partition(b"\n")
            instrument.hear(command)


def main():
    if sys.argv[1] == "serial":
        port = serial.Serial(sys.argv[2], 19200)
        print("ready", flush=True)
        converse(lambda: port.read(max(1, port.in_waiting)), Instrument(port.write))
        return
    server = socket.create_server(("127.0.0.1", int(sys.argv[2])))
    print("ready", flush=True)
    while True:
        conn, _ = server.accept()
        converse(lambda: conn.recv(256), Instrument(conn.sendall))


main()
