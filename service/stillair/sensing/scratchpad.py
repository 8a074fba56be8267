"""Turn the nine bytes of a 1-Wire temperature chip into degrees, or say what is wrong.

The kernel's `w1_slave` file has two lines (drivers/w1/slaves/w1_therm.c,
`w1_slave_show`): the nine bytes just read with the kernel's verdict on their
check byte, then the nine bytes of the last *good* reading with `t=`. Only the
first line is about now, so only it is decoded:

    50 05 4b 46 7f ff 10 10 1c : crc=1c YES
    50 05 4b 46 7f ff 10 10 1c t=85000

Bytes 0 and 1 are the temperature, 4 the configuration, 6 and 7 the count
registers, 8 the check byte.

References
----------
Maxim, DS18B20 data sheet 19-7487 rev. 6: figures 4, 9 and 10, table 1.
Maxim, DS18S20 data sheet 19-5474: "Operation - Measuring Temperature".
Maxim, MAX31850/MAX31851 data sheet 19-6151: "Register Definitions".
Maxim, application note 27: the check byte, x^8 + x^5 + x^4 + 1.
"""

from __future__ import annotations

from stillair.errors import ReadingFault, SensorError
from stillair.sensing.limits import Span

FAMILIES = {
    0x10: "DS18S20",
    0x22: "DS1822",
    0x28: "DS18B20",
    0x3B: "DS1825 or MAX31850",
    0x42: "DS28EA00",
}

_SPAN = Span(-55.0, 125.0, "this chip")
_THERMOCOUPLE_SPAN = Span(-200.0, 1372.0, "a type K thermocouple")  # IEC 60584-1

_POWER_ON_RAW = 0x0550  # 85 degrees: what the register holds until a conversion has ended
_FAILED_RAW = 0x07FF  # 127.94 degrees: a conversion that ran out of current
_POWER_ON_BYTE_6 = 0x0C
_HARMLESS_K = 1.0

# A chip that answers and can't convert has data and ground, and lacks its third wire.
_SUPPLY = "see that its red wire is on 3.3 V, not on ground or loose"

_LONGEST_TEXT = 512  # two lines of the kernel have 80 characters


def check_byte(data: bytes) -> int:
    """The check byte (CRC-8, reflected 0x31) over `data`; 0 over data with a right one."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def parse(sensor: str, text: str) -> bytes:
    """The nine bytes in the kernel's text. Raises `SensorError` for any other text."""
    lines = text[:_LONGEST_TEXT].splitlines()
    if not text.strip():
        raise SensorError(sensor, "the kernel's answer is empty")
    if len(lines) < 2 or "t=" not in lines[1]:
        raise SensorError(sensor, "the kernel's answer breaks off after its first line")
    digits, colon, verdict = lines[0].partition(":")
    fields = digits.split()
    if not colon or len(fields) != 9 or any(len(field) != 2 for field in fields):
        raise SensorError(sensor, "the kernel's answer does not hold nine bytes")
    try:
        data = bytes.fromhex("".join(fields))
    except ValueError:
        raise SensorError(sensor, "the kernel's answer does not hold nine bytes") from None
    # A line that is held at one level comes before the check byte: zeros pass it.
    if data == b"\xff" * 9:
        raise SensorError(
            sensor,
            "nobody answers on the bus, every bit reads 1; look at its plug",
            fault=ReadingFault.SILENT,
        )
    if data == b"\0" * 9:
        raise SensorError(
            sensor,
            "every bit reads 0: the bus is held low by a short circuit, a broken sensor or a "
            "missing pull-up; look whether data touches ground, and for 4.7 kΩ from data to 3.3 V",
            fault=ReadingFault.SHORT_TO_GROUND,
        )
    if check_byte(data) != 0 or verdict.split()[-1:] != ["YES"]:
        raise SensorError(
            sensor,
            "the check byte is wrong: a long cable, a bad joint or a missing pull-up; "
            "check for the resistor of 4.7 kΩ between data and 3.3 V",
            fault=ReadingFault.BAD_CHECKSUM,
        )
    return data


class Decoder:
    """Decode the scratchpads of one chip, learning on the way whether it is a clone.

    A true DS18B20 sets byte 6 to 16 minus the low four bits of byte 0 when a
    conversion ends, and holds 0x0C from power-on until then: that tells a
    true 85 degrees (0x10) from the power-on value. Some clones never change
    byte 6. One that shows 0x0C where a true chip can't is remembered, and its
    85.0 is then of unknown meaning, unless it is so near to the indication
    before that either meaning is right.

    Raises `ValueError` for a family that is no temperature chip.
    """

    def __init__(self, sensor: str, family: int) -> None:
        if family not in FAMILIES:
            raise ValueError(f"family {family:02x} is no temperature chip")
        self._sensor = sensor
        self._family = family
        self._holds_byte_6 = False
        self._before_c: float | None = None

    def decode(self, data: bytes) -> float:
        """The raw indication in degrees Celsius. Raises `SensorError`."""
        if len(data) != 9:
            raise SensorError(self._sensor, f"{len(data)} bytes instead of nine")
        try:
            if self._family == 0x3B and data[4] & 0x80:
                raw_c = self._thermocouple_c(data)
            elif self._family == 0x10:
                raw_c = self._counted_c(data)
            else:
                raw_c = self._plain_c(data)
        except SensorError:
            self.forget()
            raise
        self._before_c = raw_c
        return raw_c

    def forget(self) -> None:
        """A reading failed: the indication before it says nothing about the next one."""
        self._before_c = None

    def _plain_c(self, data: bytes) -> float:
        """DS18B20, DS1822, DS28EA00, DS1825: sixteenths of a degree, two's complement."""
        raw = int.from_bytes(data[:2], "little", signed=True)
        if raw == _FAILED_RAW:
            raise self._not_converted(
                f"127.94 degrees is how this chip says that it lacks current; {_SUPPLY}"
            )
        held = data[6] == _POWER_ON_BYTE_6
        if raw == _POWER_ON_RAW:
            if held and not self._near_85():
                if self._holds_byte_6:
                    raise self._ambiguous("this clone")
                raise self._not_converted(f"85 degrees is its value from power-on; {_SUPPLY}")
        elif not held:
            self._holds_byte_6 = False
        elif raw & 0x0F != 4:  # at .25 a true chip has 0x0C as well
            self._holds_byte_6 = True
        # At fewer than 12 bits the lowest are undefined (figure 4). Bits 7 and 4
        # of a true configuration are 0 and 1; clones may hold anything there.
        if data[4] & 0x90 == 0x10:
            raw &= -1 << (3 - (data[4] >> 5))
        return _SPAN.check(self._sensor, raw / 16)

    def _counted_c(self, data: bytes) -> float:
        """DS18S20: halves of a degree, made finer by the count registers.

        T = TEMP_READ - 0.25 + (COUNT_PER_C - COUNT_REMAIN) / COUNT_PER_C
        """
        halves = int.from_bytes(data[:2], "little", signed=True)
        remain, per_c = data[6], data[7]
        if per_c == 0 or remain > per_c:
            return _SPAN.check(self._sensor, halves / 2)
        # A true 85.00 has the very bytes of power-on, count registers included.
        if halves == 170 and remain == _POWER_ON_BYTE_6 and not self._near_85():
            raise self._ambiguous("a DS18S20")
        return _SPAN.check(self._sensor, (halves >> 1) - 0.25 + (per_c - remain) / per_c)

    def _thermocouple_c(self, data: bytes) -> float:
        """MAX31850, told from a DS1825 by bit 7 of byte 4: quarters of a degree and a fault bit."""
        if data[0] & 0x01:
            bits = data[2] & 0x07
            for bit, fault, reason in (
                (0x01, ReadingFault.OPEN_CIRCUIT, "the thermocouple is open"),
                (0x02, ReadingFault.SHORT_TO_GROUND, "the thermocouple is shorted to ground"),
                (0x04, ReadingFault.SHORT_TO_SUPPLY, "the thermocouple is shorted to the supply"),
            ):
                if bits & bit:
                    raise SensorError(self._sensor, reason, fault=fault)
            raise SensorError(self._sensor, "the chip tells of a fault but not of which")
        raw = int.from_bytes(data[:2], "little", signed=True) & ~0x03
        return _THERMOCOUPLE_SPAN.check(self._sensor, raw / 16)

    def _near_85(self) -> bool:
        return self._before_c is not None and abs(self._before_c - 85.0) <= _HARMLESS_K

    def _not_converted(self, reason: str) -> SensorError:
        return SensorError(
            self._sensor, f"not converted: {reason}", fault=ReadingFault.NOT_CONVERTED
        )

    def _ambiguous(self, chip: str) -> SensorError:
        return self._not_converted(
            f"85.0 degrees may be true or the value from power-on, which {chip} can't tell apart"
        )
