"""Stand-ins for sensors' hardware: a kernel-like 1-Wire tree, thermocouple chips, a serial line.

Each behaves as its data sheet says, faults and loss of supply included, so
that the real drivers run on them unchanged.
"""

from __future__ import annotations

import errno
import os
import pty
import shutil
import struct
import tty
from pathlib import Path

from stillair.sensing.scratchpad import check_byte


def scratchpad(
    raw: int,
    *,
    byte_6: int | None = None,
    config: int = 0x7F,
    byte_2: int = 0x4B,
    byte_7: int = 0x10,
) -> bytes:
    """Nine bytes with a right check byte; byte 6 as a true DS18B20 sets it, unless given."""
    low = raw & 0xFF
    if byte_6 is None:
        byte_6 = 0x10 - (low & 0x0F)
    data = bytes([low, raw >> 8 & 0xFF, byte_2, 0x46, config, 0xFF, byte_6, byte_7])
    return data + bytes([check_byte(data)])


def w1_slave(data: bytes, *, verdict: str | None = None) -> str:
    """The text that the kernel makes of nine bytes."""
    if verdict is None:
        verdict = "YES" if check_byte(data) == 0 else "NO"
    digits = " ".join(f"{byte:02x}" for byte in data)
    t = int.from_bytes(data[:2], "little", signed=True) * 1000 // 16
    return f"{digits} : crc={data[8]:02x} {verdict}\n{digits} t={t}\n"


class OneWireTree:
    """A directory as the kernel's /sys/bus/w1/devices."""

    def __init__(self, folder: Path) -> None:
        self.bus_dir = folder
        folder.mkdir(exist_ok=True)
        (folder / "w1_bus_master1").mkdir(exist_ok=True)

    def file(self, address: str) -> Path:
        chip = self.bus_dir / address
        chip.mkdir(exist_ok=True)
        return chip / "w1_slave"

    def put(self, address: str, text: str) -> None:
        self.file(address).write_text(text)

    def warm_to(self, address: str, temperature_c: float) -> None:
        self.put(address, w1_slave(scratchpad(round(temperature_c * 16))))

    def unplug(self, address: str) -> None:
        shutil.rmtree(self.bus_dir / address)


class Max31855Chip:
    """The frame of a MAX31855, made of its parts."""

    where = "/dev/spidev0.0"

    def __init__(self) -> None:
        self.hot_c = 25.0
        self.cold_c = 25.0
        self.fault_bits = 0
        self.frame: int | None = None
        self.error: OSError | None = None
        self.closed = 0

    def transfer(self, sent: bytes) -> bytes:
        if self.error is not None:
            raise self.error
        frame = self.frame
        if frame is None:
            frame = (round(self.hot_c * 4) & 0x3FFF) << 18
            frame |= (round(self.cold_c * 16) & 0xFFF) << 4
            frame |= self.fault_bits | (0x10000 if self.fault_bits else 0)
        return frame.to_bytes(4, "big")[: len(sent)]

    def close(self) -> None:
        self.closed += 1


class Max31856Chip:
    """The registers of a MAX31856; a conversion ends between two transfers."""

    where = "/dev/spidev0.1"
    POWER_ON = bytes([0, 3, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80, 0, 0, 0, 0, 0, 0, 0, 0])

    def __init__(self) -> None:
        self.hot_c = 25.0
        self.cold_c = 25.0
        self.status = 0
        self.answer: int | None = None
        self.error: OSError | None = None
        self.registers = bytearray(self.POWER_ON)
        self.written: list[tuple[int, int]] = []
        self.closed = 0

    def lose_supply(self) -> None:
        self.registers = bytearray(self.POWER_ON)

    def transfer(self, sent: bytes) -> bytes:
        if self.error is not None:
            raise self.error
        if self.answer is not None:
            return bytes([self.answer]) * len(sent)
        if sent[0] & 0x80:
            register = sent[0] & 0x7F
            if register == 0 and self.registers[0] & 0x80:
                changed_hum = (self.registers[0] ^ sent[1]) & 0x01
                assert not changed_hum, "the hum filter may not change while converting"
            self.registers[register] = sent[1]
            self.written.append((register, sent[1]))
            return bytes(len(sent))
        if self.registers[0] & 0x80:
            hot = round(self.hot_c * 128) & 0x7FFFF
            self.registers[0x0A:0x0C] = (round(self.cold_c * 64) << 2 & 0xFFFF).to_bytes(2, "big")
            self.registers[0x0C:0x0F] = (hot << 5).to_bytes(3, "big")
            self.registers[0x0F] = self.status
        start = sent[0]
        return bytes(1) + bytes(self.registers[start : start + len(sent) - 1])

    def close(self) -> None:
        self.closed += 1


class Mcp9600Chip:
    """The registers of a MCP9600 (id 0x40) or MCP9601 (0x41)."""

    where = "/dev/i2c-1 at 0x67"

    def __init__(self, chip_id: int = 0x40) -> None:
        self.chip_id = chip_id
        self.hot_c = 25.0
        self.cold_c = 25.0
        self.fault_bits = 0
        self.converting = True
        self.present = True
        self.settings = 0
        self.device = 0
        self.closed = 0

    def lose_supply(self) -> None:
        self.settings = self.device = 0

    def read_register(self, register: int, count: int) -> bytes:
        self._acknowledge()
        new = 0x40 if self.converting and not self.device & 0x03 else 0
        return {
            0x00: (round(self.hot_c * 16) & 0xFFFF).to_bytes(2, "big"),
            0x02: (round(self.cold_c * 16) & 0xFFFF).to_bytes(2, "big"),
            0x04: bytes([new | self.fault_bits]),
            0x05: bytes([self.settings]),
            0x06: bytes([self.device]),
            0x20: bytes([self.chip_id, 0x12]),
        }[register][:count]

    def write_register(self, register: int, data: bytes) -> None:
        self._acknowledge()
        (value,) = data
        if register == 0x05:
            self.settings = value
        elif register == 0x06:
            self.device = value
        else:
            assert register == 0x04, f"register {register:#x} is not for writing"

    def close(self) -> None:
        self.closed += 1

    def _acknowledge(self) -> None:
        if not self.present:
            raise OSError(errno.EREMOTEIO, "I2C transfer: Remote I/O error")


def particle_frame(pm2_5: int, *, counts: int = 900, length: int = 28, off: int = 0) -> bytes:
    """32 bytes as a laser counter sends them; `off` spoils the sum."""
    masses = (pm2_5 // 2, pm2_5 * 3 // 2, pm2_5 * 2, pm2_5 // 2, pm2_5, pm2_5 * 3 // 2)
    numbers = (counts, counts // 3, counts // 9, counts // 50, 0, 0)
    words = [min(word, 0xFFFF) for word in (length, *masses, *numbers, 0)]
    body = b"\x42\x4d" + struct.pack(">14H", *words)
    return body + struct.pack(">H", (sum(body) + off) & 0xFFFF)


class SerialLine:
    """A pseudo-terminal, its far end in a test's hands, at a path that outlives a replug."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "ttyUSB0"
        self._far: int | None = None
        self.plug_in()

    def plug_in(self) -> None:
        self._far, near = pty.openpty()
        tty.setraw(near)
        self.path.symlink_to(os.ttyname(near))
        os.close(near)

    def send(self, data: bytes) -> None:
        assert self._far is not None
        assert os.write(self._far, data) == len(data)

    def unplug(self) -> None:
        if self._far is not None:
            os.close(self._far)
            self._far = None
            self.path.unlink()
