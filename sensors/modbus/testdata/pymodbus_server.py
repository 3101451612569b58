"""A Modbus TCP device for the tests, made of pymodbus 3.0.

usage: pymodbus_server.py PORT

Tables: see the tests. Prints "ready" when about to listen.
"""

import logging
import sys

from pymodbus.datastore import (
    ModbusSequentialDataBlock,
    ModbusServerContext,
    ModbusSlaveContext,
)
from pymodbus.server import StartTcpServer

logging.disable()  # refused addresses are part of the tests
unit = ModbusSlaveContext(
    co=ModbusSequentialDataBlock(0, [i % 3 == 0 for i in range(2100)]),
    di=ModbusSequentialDataBlock(0, [i % 5 == 0 for i in range(2100)]),
    hr=ModbusSequentialDataBlock(0, [i * 7 for i in range(200)]),
    ir=ModbusSequentialDataBlock(0, [65535 - 3 * i for i in range(200)]),
    zero_mode=True,
)
print("ready", flush=True)
StartTcpServer(
    context=ModbusServerContext(slaves={1: unit}, single=False),
    address=("127.0.0.1", int(sys.argv[1])),
)
