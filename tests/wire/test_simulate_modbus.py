#!/usr/bin/python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""The simulated supply speaking Modbus: TCP, RTU on a pseudo-terminal, RTU over
TCP; by frames of our own making, and by the client of Debian's python3-pymodbus,
which we did not write. (Debian's own python3, where its packages are.)"""
import os
import select
import socket
import struct
import time
import unittest

from bench_process import PATIENCE_S, main
from test_simulate import WithSupply, wait_for

try:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient
    from pymodbus.transaction import ModbusRtuFramer
except ImportError:
    ModbusTcpClient = None
try:
    import serial
except ImportError:
    serial = None

FLOATS, WHOLE = "modbus-input-f32", "modbus-holding-u16"


def crc(data):
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)


class Frames:
    """Bytes to and from a socket or a terminal."""

    def __init__(self, link):
        kind, place = link.split(":", 1)
        self.socket = None
        if kind == "modbus-rtu":
            self.fd = os.open(place, os.O_RDWR | os.O_NOCTTY)
        else:
            host, port = place.rsplit(":", 1)
            self.socket = socket.create_connection((host, int(port)), timeout=PATIENCE_S)
            self.fd = self.socket.fileno()

    def close(self):
        if self.socket:
            self.socket.close()
        else:
            os.close(self.fd)

    def read(self, count, timeout=PATIENCE_S):
        data, deadline = b"", time.monotonic() + timeout
        while len(data) < count:
            left = deadline - time.monotonic()
            if left <= 0 or not select.select([self.fd], [], [], left)[0]:
                break
            more = os.read(self.fd, count - len(data))
            if not more:
                break
            data += more
        return data

    def rtu(self, text, length, unit=1, timeout=PATIENCE_S):
        """Sends a PDU with address and CRC; the reply's PDU, its CRC checked."""
        frame = bytes([unit]) + bytes.fromhex(text)
        os.write(self.fd, frame + crc(frame))
        reply = self.read(length + 3, timeout)
        if reply and crc(reply[:-2]) != reply[-2:]:
            raise AssertionError("wrong CRC: " + reply.hex())
        return reply[1:-2].hex(" ")

    def mbap(self, text, transaction=7, unit=1, timeout=PATIENCE_S):
        pdu = bytes.fromhex(text)
        os.write(self.fd, struct.pack(">HHHB", transaction, 0, len(pdu) + 1, unit) + pdu)
        head = self.read(7, timeout)
        if len(head) < 7:
            return None
        answered, protocol, length, answered_unit = struct.unpack(">HHHB", head)
        if (answered, protocol, answered_unit) != (transaction, 0, unit):
            raise AssertionError("wrong header: " + head.hex(" "))
        return self.read(length - 1).hex(" ")


class OurFrames(WithSupply):
    def frames(self, supply):
        frames = Frames(supply.link)
        self.addCleanup(frames.close)
        return frames

    def test_tcp(self):
        frames = self.frames(self.supply("--noise-A", 0, "--noise-V", 0,
                                         link="modbus-tcp:127.0.0.1:0", profile=WHOLE))
        # 24 V, 2 A as the default module asks for; output off
        self.assertEqual(frames.mbap("03 0000 0003", 1), "03 06 09 60 07 d0 00 00")
        self.assertEqual(frames.mbap("06 0000 04B0", 2), "06 00 00 04 b0")
        self.assertEqual(frames.mbap("10 0000 0002 04 04E2 03E8", 3), "10 00 00 00 02")
        self.assertEqual(frames.mbap("06 0002 0001", 4), "06 00 02 00 01")
        self.assertEqual(frames.mbap("03 0000 0003", 5), "03 06 04 e2 03 e8 00 01")
        self.assertTrue(wait_for(lambda: frames.mbap("03 0010 0001", 6) == "03 02 04 e2"))
        # the order of checks: function, quantity, address, value
        for text, exception in (("2B 0E 0100", "ab 01"), ("04 0000 0001", "84 01"),
                                ("03 FFFF 0000", "83 03"), ("03 0000 007E", "83 03"),
                                ("03 FFFF 0001", "83 02"), ("03 0400 0001", "83 02"),
                                ("06 0000 FFFF", "86 03")):
            self.assertEqual(frames.mbap(text), exception, text)
        self.assertEqual(frames.mbap("03 0000 0001", 8, unit=255), "03 02 04 e2")
        self.assertEqual(frames.mbap("03 0000 0001", 9, unit=9), "83 0b")

    def test_tcp_in_pieces_and_several_at_once(self):
        frames = self.frames(self.supply(link="modbus-tcp:127.0.0.1:0", profile=WHOLE))
        request = bytes.fromhex("0001 0000 0006 01 03 0000 0001")
        for i in range(len(request)):
            os.write(frames.fd, request[i:i + 1])
            time.sleep(0.002)
        self.assertEqual(frames.read(11).hex(), "00010000000501030209" + "60")
        os.write(frames.fd, request + b"\x00\x02" + request[2:])
        self.assertEqual(len(frames.read(22)), 22)
        # out of step: thrown away, the next request is heard
        os.write(frames.fd, b"\x00\x01\x00\x09\x00\x06\x01\x03\x00\x00\x00\x01")
        self.assertEqual(frames.read(1, timeout=0.2), b"")
        # Sent before that was thrown away, it would be thrown away with it.
        for _ in range(10):
            reply = frames.mbap("03 0000 0001", timeout=1)
            if reply:
                break
        self.assertEqual(reply, "03 02 09 60")

    def rtu(self, link):
        frames = self.frames(self.supply("--noise-A", 0, link=link, profile=FLOATS))
        self.assertEqual(frames.rtu("03 0000 0004", 10), "03 08 41 c0 00 00 40 00 00 00")
        self.assertEqual(frames.rtu("10 0000 0002 04 41400000", 5), "10 00 00 00 02")
        self.assertEqual(frames.rtu("10 0004 0001 02 0001", 5), "10 00 04 00 01")
        self.assertTrue(wait_for(
            lambda: frames.rtu("04 0000 0002", 6) == "04 04 41 40 00 00"))
        self.assertEqual(frames.rtu("01 0000 0001", 2), "81 01")
        self.assertEqual(frames.rtu("2B 0E 0100", 2), "ab 01")
        # another unit, and everybody (which gets no reply but is done)
        self.assertEqual(frames.rtu("03 0000 0001", 0, unit=2, timeout=0.3), "")
        self.assertEqual(frames.rtu("10 0000 0002 04 41200000", 0, unit=0, timeout=0.3), "")
        self.assertEqual(frames.rtu("03 0000 0002", 6), "03 04 41 20 00 00")
        # a wrong CRC and half a frame are passed over in silence
        os.write(frames.fd, bytes.fromhex("01 03 0000 0001 0000"))
        self.assertEqual(frames.read(1, timeout=0.2), b"")
        self.assertEqual(self.asked_again(frames, "03 0000 0002", 6), "03 04 41 20 00 00")
        os.write(frames.fd, bytes.fromhex("01 03 00"))
        self.assertEqual(frames.read(1, timeout=0.2), b"")
        self.assertEqual(self.asked_again(frames, "03 0000 0002", 6), "03 04 41 20 00 00")

    def asked_again(self, frames, text, length):
        """As a master asks again: only silence parts frames, and a machine that
        stood still in it has joined them."""
        for _ in range(10):
            if reply := frames.rtu(text, length, timeout=1):
                return reply
        return ""

    def test_rtu_on_a_terminal(self):
        self.rtu(f"modbus-rtu:{self.folder}/port")

    def test_rtu_over_tcp(self):
        self.rtu("modbus-rtu-tcp:127.0.0.1:0")

    def test_line_rate_on_rtu(self):
        # 8 + 9 characters of 10 bits at 9600 baud: 17.7 ms
        frames = self.frames(self.supply("--line-rate", 9600, profile=FLOATS,
                                         link=f"modbus-rtu:{self.folder}/port?baud=9600"))
        took = []
        # On a busy machine the fastest of many tells the line's own time.
        while len(took) < 20 or (min(took) > 17 / 960 * 1.1 + 0.005 and len(took) < 500):
            begin = time.monotonic()
            self.assertTrue(frames.rtu("04 0000 0002", 6))
            took.append(time.monotonic() - begin)
        self.assertGreater(min(took), 17 / 960 * 0.999)
        self.assertLess(min(took), 17 / 960 * 1.1 + 0.005)

    def test_late_and_half_and_silence(self):
        supply = self.supply(link=f"modbus-rtu:{self.folder}/port", profile=WHOLE)
        frames = self.frames(supply)
        self.assertEqual(frames.rtu("03 0000 0001", 4), "03 02 09 60")
        supply.say("late 1.5")
        request = bytes.fromhex("01 03 0000 0001")
        os.write(frames.fd, request + crc(request))
        self.assertEqual(frames.read(7, timeout=0.1), b"")
        # the late reply is the answer to the next request, and so on
        self.assertEqual(frames.rtu("03 0001 0001", 4), "03 02 09 60")
        self.assertEqual(frames.read(7)[3:5].hex(), "07d0")
        supply.say("half")
        os.write(frames.fd, request + crc(request))
        self.assertEqual(frames.read(3).hex(), "010302")
        self.assertEqual(frames.read(1, timeout=0.3), b"")
        supply.say("silence 3")
        os.write(frames.fd, request + crc(request))
        self.assertEqual(frames.read(1, timeout=0.5), b"")
        self.assertEqual(self.asked_again(frames, "03 0000 0001", 4), "03 02 09 60")


@unittest.skipIf(ModbusTcpClient is None, "python3-pymodbus is not here")
class ForeignClient(WithSupply):
    def read_float(self, client, address):
        reply = client.read_input_registers(address, 2, slave=1)
        self.assertFalse(reply.isError(), reply)
        return struct.unpack(">f", struct.pack(">HH", *reply.registers))[0]

    def drive(self, client, supply):
        self.assertTrue(client.connect())
        self.addCleanup(client.close)
        words = struct.unpack(">HH", struct.pack(">f", 24.5))
        self.assertFalse(client.write_registers(0, list(words), slave=1).isError())
        self.assertFalse(client.write_registers(4, [1], slave=1).isError())
        self.assertTrue(wait_for(lambda: self.status(supply)["phase"] == 2))
        self.assertAlmostEqual(self.read_float(client, 0), 24.5, delta=0.05)
        # Within one phase: the module may step between the two looks at it.
        self.assertTrue(wait_for(lambda: abs(self.read_float(client, 2) -
                                             self.status(supply)["current_A"]) < 0.02))
        flags = client.read_input_registers(4, 1, slave=1)
        self.assertEqual(flags.registers, [1])
        refused = client.read_input_registers(900, 1, slave=1)
        self.assertTrue(refused.isError())
        self.assertEqual(refused.exception_code, 2)

    def test_tcp(self):
        supply = self.supply(link="modbus-tcp:127.0.0.1:0", profile=FLOATS)
        port = int(supply.link.rsplit(":", 1)[1])
        self.drive(ModbusTcpClient("127.0.0.1", port=port, timeout=20), supply)

    def test_rtu_over_tcp(self):
        supply = self.supply(link="modbus-rtu-tcp:127.0.0.1:0", profile=FLOATS)
        port = int(supply.link.rsplit(":", 1)[1])
        self.drive(ModbusTcpClient("127.0.0.1", port=port, framer=ModbusRtuFramer, timeout=20),
                   supply)

    @unittest.skipIf(serial is None, "python3-serial is not here")
    def test_rtu_on_a_terminal(self):
        supply = self.supply(link=f"modbus-rtu:{self.folder}/port", profile=FLOATS)
        self.drive(ModbusSerialClient(f"{self.folder}/port", baudrate=115200, timeout=20), supply)


if __name__ == "__main__":
    main()
