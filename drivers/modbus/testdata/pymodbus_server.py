"""A Modbus server by pymodbus, as an independent peer: unit 1, 100 registers.

Usage: pymodbus_server.py rtu PATH | tcp PORT

The numbers are placed with the struct module: the bytes of a value, moved as an
order of bytes asks, and cut into registers. Holding and input registers are
alike, but for register 99, which is 3 in the former and 4 in the latter. Of four
coils the second and the last are on, of four discrete inputs the others.
"""
import asyncio
import struct
import sys

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.server import async_io
from pymodbus.transaction import ModbusRtuFramer, ModbusSocketFramer


def registers(data):
    return list(struct.unpack(">%dH" % (len(data) // 2), data))


def moved(data, order):
    """data is big-endian; order says which of its bytes comes first, and so on."""
    return bytes(data["ABCDEFGH".index(c)] for c in order)


def bank(last):
    block = []
    for value, order in ((1.2345, "ABCD"), (2.3456, "DCBA"), (5.1234, "BADC"), (0.1234, "CDAB")):
        block += registers(moved(struct.pack(">f", value), order))
    for order in ("ABCDEFGH", "HGFEDCBA", "BADCFEHG", "GHEFCDAB"):
        block += registers(moved(struct.pack(">d", 1.23456789012345), order))
    for order in ("ABCD", "DCBA", "BADC", "CDAB"):
        block += registers(moved(struct.pack(">i", -123456), order))
    block += registers(struct.pack(">hH", -2, 65535) + moved(struct.pack(">h", -2), "BA"))
    block += registers(struct.pack(">f", float("nan")))
    block += [0] * (99 - len(block)) + [last]
    return ModbusSequentialDataBlock(0, block)


async def main():
    coils = ModbusSequentialDataBlock(0, [False, True, False, True])
    inputs = ModbusSequentialDataBlock(0, [True, False, True, False])
    slave = ModbusSlaveContext(hr=bank(3), ir=bank(4), co=coils, di=inputs, zero_mode=True)
    context = ModbusServerContext(slaves={1: slave}, single=False)
    if sys.argv[1] == "rtu":
        server = async_io.ModbusSerialServer(context, framer=ModbusRtuFramer, port=sys.argv[2], baudrate=9600, timeout=1,
                                             ignore_missing_slaves=True)
        await server.start()
        print("ready", flush=True)
        await server.serve_forever()
    else:
        server = async_io.ModbusTcpServer(context, framer=ModbusSocketFramer, address=("127.0.0.1", int(sys.argv[2])),
                                          allow_reuse_address=True)
        task = asyncio.ensure_future(server.serve_forever())
        await server.serving
        print("ready", flush=True)
        await task


asyncio.run(main())
