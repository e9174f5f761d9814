"""pymodbus's RTU server on a pseudo-terminal: a unit that this project did not write.

As a program: `python -m tests.probes.modbus_peer LINK`; it says "ready" once it serves. Two pseudo-terminals are joined
back to back, because the server wants a port by name, as the daemon does.
"""

from __future__ import annotations

import asyncio
import os
import sys
import threading
import tty
from pathlib import Path

from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

# 10.84, -652.5 and 30.25 in the four orders of bytes, 16 registers apart, as the IEEE's bits written by hand.
FLOATS = {
    "ABCD": [0x412D, 0x70A4, 0xC423, 0x2000, 0x41F2, 0x0000],
    "CDAB": [0x70A4, 0x412D, 0x2000, 0xC423, 0x0000, 0x41F2],
    "BADC": [0x2D41, 0xA470, 0x23C4, 0x0020, 0xF241, 0x0000],
    "DCBA": [0xA470, 0x2D41, 0x0020, 0x23C4, 0x0000, 0xF241],
}
ORDER_ADDRESS = {order: 16 * number for number, order in enumerate(FLOATS)}
INTEGERS_ADDRESS = 64
# 1084, -6525 and 65535 as one register each; -65250 and 3_000_000_000 as two (big-endian).
INTEGERS = [1084, 0xE683, 0xFFFF, 0xFFFF, 0x011E, 0xB2D0, 0x5E00]
UNIT_2 = [3025]


def devices() -> list[SimDevice]:
    blocks = [SimData(ORDER_ADDRESS[o], values=words, datatype=DataType.REGISTERS) for o, words in FLOATS.items()]
    blocks.append(SimData(INTEGERS_ADDRESS, values=INTEGERS, datatype=DataType.REGISTERS))
    return [
        SimDevice(1, simdata=blocks),
        SimDevice(2, simdata=[SimData(0, values=UNIT_2, datatype=DataType.REGISTERS)]),
    ]


def join(one: int, other: int) -> None:
    """Carry bytes both ways between two masters until either is closed."""

    def carry(source: int, sink: int) -> None:
        try:
            while True:
                os.write(sink, os.read(source, 4096))
        except OSError:
            return

    for source, sink in ((one, other), (other, one)):
        threading.Thread(target=carry, args=(source, sink), daemon=True).start()


async def serve(link: Path) -> None:
    (inner, inner_slave), (outer, outer_slave) = os.openpty(), os.openpty()
    tty.setraw(inner_slave)
    tty.setraw(outer_slave)
    join(inner, outer)
    link.unlink(missing_ok=True)
    link.symlink_to(os.ttyname(outer_slave))
    server = ModbusSerialServer(
        devices(), framer=FramerType.RTU, port=os.ttyname(inner_slave), baudrate=9600, ignore_missing_devices=True
    )
    await server.serve_forever(background=True)
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(serve(Path(sys.argv[1])))
