"""The nine bytes of a 1-Wire chip: every true value read, every false one refused."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from chips import scratchpad, w1_slave
from stillair.errors import ReadingFault, SensorError
from stillair.sensing.scratchpad import FAMILIES, Decoder, check_byte, parse

TRUE_85 = scratchpad(0x0550)
POWER_ON = scratchpad(0x0550, byte_6=0x0C)


def test_check_byte_is_that_of_the_application_note() -> None:
    # Application note 27: ROM code 02 1C B8 01 00 00 00 has the check byte A2.
    assert check_byte(bytes.fromhex("021cb801000000")) == 0xA2


def test_a_scratchpad_of_a_true_chip_is_parsed() -> None:
    text = "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES\n72 01 4b 46 7f ff 0e 10 57 t=23125\n"
    assert Decoder("top", 0x28).decode(parse("top", text)) == 23.125


@pytest.mark.parametrize(
    ("text", "fault", "words"),
    [
        pytest.param("", ReadingFault.UNREADABLE, "empty", id="empty"),
        pytest.param("\n\n", ReadingFault.UNREADABLE, "empty", id="blank"),
        pytest.param(
            w1_slave(TRUE_85).splitlines()[0], ReadingFault.UNREADABLE, "breaks off", id="one line"
        ),
        pytest.param(
            w1_slave(TRUE_85, verdict="NO"), ReadingFault.BAD_CHECKSUM, "check byte", id="NO"
        ),
        pytest.param(
            w1_slave(TRUE_85[:8] + b"\0", verdict="YES"),
            ReadingFault.BAD_CHECKSUM,
            "check byte",
            id="the kernel's YES on a wrong check byte",
        ),
        pytest.param(
            w1_slave(b"\xff" * 9), ReadingFault.SILENT, "nobody answers", id="nobody answers"
        ),
        pytest.param(
            w1_slave(b"\0" * 9), ReadingFault.SHORT_TO_GROUND, "held low", id="shorted bus"
        ),
        pytest.param(
            "zz" + w1_slave(TRUE_85)[2:], ReadingFault.UNREADABLE, "nine bytes", id="no hex"
        ),
        pytest.param(
            w1_slave(TRUE_85)[3:], ReadingFault.UNREADABLE, "nine bytes", id="eight bytes"
        ),
        pytest.param("\0\x01\xff t=\nt=", ReadingFault.UNREADABLE, "nine bytes", id="binary"),
    ],
)
def test_a_broken_answer_is_refused(text: str, fault: ReadingFault, words: str) -> None:
    with pytest.raises(SensorError, match=words) as caught:
        parse("top", text)
    assert caught.value.fault is fault


@pytest.mark.parametrize(
    ("family", "data", "expected_c"),
    [
        # DS18B20 data sheet, table 1
        pytest.param(0x28, scratchpad(0x07D0), 125.0, id="table 1: 125"),
        pytest.param(0x28, TRUE_85, 85.0, id="table 1: a true 85"),
        pytest.param(0x28, scratchpad(0x0191), 25.0625, id="table 1: 25.0625"),
        pytest.param(0x28, scratchpad(0x0008), 0.5, id="table 1: 0.5"),
        pytest.param(0x28, scratchpad(0x0000), 0.0, id="table 1: 0"),
        pytest.param(0x28, scratchpad(0xFFF8), -0.5, id="table 1: -0.5"),
        pytest.param(0x28, scratchpad(0xFE6F), -25.0625, id="table 1: -25.0625"),
        pytest.param(0x28, scratchpad(0xFC90), -55.0, id="table 1: -55"),
        pytest.param(0x22, scratchpad(0x0191), 25.0625, id="DS1822"),
        pytest.param(0x42, scratchpad(0x0191, byte_6=0x0C), 25.0625, id="DS28EA00"),
        pytest.param(0x3B, scratchpad(0x0191, config=0x73), 25.0625, id="DS1825"),
        # undefined low bits: 0x0197 = 25.4375
        pytest.param(0x28, scratchpad(0x0197, config=0x5F), 25.375, id="11 bits"),
        pytest.param(0x28, scratchpad(0x0197, config=0x3F), 25.25, id="10 bits"),
        pytest.param(0x28, scratchpad(0x0197, config=0x1F), 25.0, id="9 bits"),
        pytest.param(0x28, scratchpad(0x0197, config=0xFF), 25.4375, id="a clone's configuration"),
        # DS18S20: 25.5 truncates to 25; 25 - 0.25 + (16 - 6) / 16 = 25.375
        pytest.param(0x10, scratchpad(0x0033, byte_6=6), 25.375, id="DS18S20"),
        pytest.param(0x10, scratchpad(0xFFCE, byte_6=12), -25.0, id="DS18S20 below zero"),
        pytest.param(0x10, scratchpad(0x0033, byte_6=6, byte_7=0), 25.5, id="DS18S20, no count"),
        # MAX31850: quarters of a degree, 100.75 = 0x064C; bit 1 is reserved
        pytest.param(0x3B, scratchpad(0x064E, config=0xF0), 100.75, id="MAX31850"),
        pytest.param(0x3B, scratchpad(0xF380, config=0xF3), -200.0, id="MAX31850 cold"),
        pytest.param(0x3B, scratchpad(0x3E80, config=0xF0), 1000.0, id="MAX31850 hot"),
    ],
)
def test_a_true_value_is_read(family: int, data: bytes, expected_c: float) -> None:
    assert Decoder("top", family).decode(data) == expected_c


@pytest.mark.parametrize(
    ("family", "data", "fault", "words"),
    [
        pytest.param(0x28, POWER_ON, ReadingFault.NOT_CONVERTED, "power-on", id="power-on"),
        pytest.param(
            0x28,
            scratchpad(0x07FF, byte_6=0x0C),
            ReadingFault.NOT_CONVERTED,
            "lacks current",
            id="failed conversion",
        ),
        pytest.param(
            0x28, scratchpad(0x07FF), ReadingFault.NOT_CONVERTED, "lacks current", id="127.94"
        ),
        pytest.param(
            0x10,
            scratchpad(0x00AA, byte_6=0x0C),
            ReadingFault.NOT_CONVERTED,
            "can't tell apart",
            id="DS18S20 at 85",
        ),
        pytest.param(
            0x28, scratchpad(0x07E0), ReadingFault.OUT_OF_RANGE, "126.0 degrees", id="too hot"
        ),
        pytest.param(0x28, scratchpad(0x8000), ReadingFault.OUT_OF_RANGE, "beyond", id="too cold"),
        pytest.param(
            0x3B,
            scratchpad(0x0965, config=0xF0, byte_2=0x01),
            ReadingFault.OPEN_CIRCUIT,
            "open",
            id="MAX31850 open, which would read 150.25",
        ),
        pytest.param(
            0x3B,
            scratchpad(0x0965, config=0xF0, byte_2=0x02),
            ReadingFault.SHORT_TO_GROUND,
            "ground",
            id="MAX31850 to ground",
        ),
        pytest.param(
            0x3B,
            scratchpad(0x0965, config=0xF0, byte_2=0x04),
            ReadingFault.SHORT_TO_SUPPLY,
            "supply",
            id="MAX31850 to supply",
        ),
        pytest.param(
            0x3B,
            scratchpad(0x0965, config=0xF0, byte_2=0x00),
            ReadingFault.UNREADABLE,
            "not of which",
            id="MAX31850 fault without a name",
        ),
    ],
)
def test_a_false_value_is_refused(
    family: int, data: bytes, fault: ReadingFault, words: str
) -> None:
    with pytest.raises(SensorError, match=words) as caught:
        Decoder("top", family).decode(data)
    assert caught.value.fault is fault


def test_a_clone_is_learned_and_its_85_is_called_ambiguous() -> None:
    decoder = Decoder("top", 0x28)
    assert decoder.decode(scratchpad(0x0191, byte_6=0x0C)) == 25.0625
    with pytest.raises(SensorError, match=r"85\.0 degrees may be true .* this clone can't tell"):
        decoder.decode(POWER_ON)


def test_a_true_chip_at_a_quarter_degree_is_not_taken_for_a_clone() -> None:
    decoder = Decoder("top", 0x28)
    data = scratchpad(0x0194)  # 25.25: 16 - 4 = 0x0C by rule
    assert data[6] == 0x0C
    decoder.decode(data)
    with pytest.raises(SensorError, match="power-on"):
        decoder.decode(POWER_ON)


def test_a_clone_that_was_swapped_for_a_true_chip_is_forgotten() -> None:
    decoder = Decoder("top", 0x28)
    decoder.decode(scratchpad(0x0191, byte_6=0x0C))
    decoder.decode(scratchpad(0x0191))
    with pytest.raises(SensorError, match="its value from power-on"):
        decoder.decode(POWER_ON)


@pytest.mark.parametrize(
    ("family", "before", "at_85"),
    [
        pytest.param(0x28, scratchpad(0x0545, byte_6=0x0C), POWER_ON, id="clone"),
        pytest.param(0x10, scratchpad(0x00A9, byte_6=8), scratchpad(0x00AA, byte_6=12), id="S20"),
    ],
)
def test_an_85_right_beside_the_value_before_is_true_either_way(
    family: int, before: bytes, at_85: bytes
) -> None:
    decoder = Decoder("top", family)
    assert abs(decoder.decode(before) - 85.0) < 1.0
    assert decoder.decode(at_85) == 85.0


def test_an_85_after_a_failed_read_is_not_held_against_the_value_before() -> None:
    decoder = Decoder("top", 0x28)
    decoder.decode(scratchpad(0x0545, byte_6=0x0C))  # 84.3125
    decoder.forget()  # unplugged, for an hour perhaps
    with pytest.raises(SensorError, match="can't tell apart"):
        decoder.decode(POWER_ON)


def test_an_unknown_family_is_refused() -> None:
    with pytest.raises(ValueError, match="26 is no temperature chip"):
        Decoder("top", 0x26)


@given(st.text(max_size=700))
def test_any_text_gives_nine_bytes_or_an_error(text: str) -> None:
    with suppress(SensorError):
        assert len(parse("top", text)) == 9


@given(st.sampled_from(sorted(FAMILIES)), st.lists(st.binary(max_size=10), max_size=5))
def test_any_bytes_give_a_possible_temperature_or_an_error(
    family: int, answers: list[bytes]
) -> None:
    decoder = Decoder("top", family)
    for data in answers:
        with suppress(SensorError):
            assert -200.0 <= decoder.decode(data) <= 1372.0


@given(st.integers(-55 * 16, 125 * 16), st.booleans())
def test_every_indication_of_a_true_chip_comes_back(raw: int, again: bool) -> None:
    decoder = Decoder("top", 0x28)
    for _ in range(1 + again):
        assert decoder.decode(parse("top", w1_slave(scratchpad(raw & 0xFFFF)))) == raw / 16
