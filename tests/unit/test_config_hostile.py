"""Whatever lies where a chamber file should be, the answer is settings or plain sentences."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from stillair.config import ChamberSettings, load_chamber, load_chambers
from stillair.config.forms import settings_table
from stillair.config.materials import weakest
from stillair.config.reading import FAULTS, FILE_BYTES, chamber_from_text
from stillair.errors import SettingsError

SMALL = '[chamber]\nname = "{}"\n[[sensor]]\nname = "top"\n{}\n'
SIMULATED = 'driver = "simulated"'

# Words by which the checking library would show through.
FOREIGN = ("Input should", "validation error", "Value error", "pydantic", "Traceback", "type=")


def check_sentences(error: SettingsError) -> None:
    assert 1 <= len(error.faults) <= FAULTS + 1
    for fault in error.faults:
        assert fault
        assert fault.isprintable(), fault
        assert len(fault) < 1000, fault
        assert not any(word in fault for word in FOREIGN), fault


def read(text: str) -> ChamberSettings | None:
    """Settings, or None after a look at the faults; anything else fails the test."""
    try:
        return chamber_from_text(text, "shed.toml")
    except SettingsError as error:
        check_sentences(error)
        return None


# --- what a file can be --------------------------------------------------------


def fault_at(path: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        load_chamber(path)
    (fault,) = caught.value.faults
    assert caught.value.source == str(path)
    return fault


def test_what_is_no_file_is_refused_at_once(tmp_path: Path) -> None:
    file = tmp_path / "shed.toml"
    assert fault_at(file) == "can't be read: No such file or directory"
    assert fault_at(tmp_path) == "is a folder; name a chamber file"
    os.mkfifo(file)  # reading it would wait for ever
    assert fault_at(file) == "is no file; name a chamber file"
    assert fault_at(Path("/dev/zero")) == "is no file; name a chamber file"
    assert fault_at(tmp_path / ("x" * 300)) == "can't be read: File name too long"
    assert fault_at(tmp_path / "a\0b") == "is no path that a file can have"
    circle = tmp_path / "circle"
    circle.symlink_to(circle)
    assert fault_at(circle).startswith("can't be read: ")


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "shed.toml"
    file.write_text(SMALL.format("a", SIMULATED))

    def refuse(*args: object, **kwargs: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # the tests may run as root, who may read all
    assert fault_at(file) == "can't be read: Permission denied"


@pytest.mark.parametrize(
    ("content", "fault"),
    [
        pytest.param(b"#" * (FILE_BYTES + 1), "is longer than 64 KiB", id="long"),
        pytest.param(b"\n\nname = \xff\xfe", "line 3: is no UTF-8 text", id="not UTF-8"),
        pytest.param(
            b"[chamber]\nname = north\n", "line 2, column 8: is not TOML: the value is", id="syntax"
        ),
        pytest.param(b'[chamber]\nname = """x\n\n', "line 2, at its end: is not", id="open end"),
        pytest.param(
            b"[chamber]\n[chamber]\n",
            "line 2, column 9: is not TOML: this table stands twice;",
            id="twice",
        ),
        pytest.param(b"x = " + b"[" * 1900, "has lists or tables within", id="deep"),
        pytest.param(b"x = " + b"9" * 1900, "[chamber] is missing", id="huge number"),
        pytest.param(b"#" * 2001, "line 1: is longer than 2000 characters", id="long line"),
        pytest.param(b"\0\0\0", "line 1, column 1: is not TOML: a line has to begin", id="zeros"),
    ],
)
def test_what_a_file_holds(content: bytes, fault: str, tmp_path: Path) -> None:
    file = tmp_path / "shed.toml"
    file.write_bytes(content)
    with pytest.raises(SettingsError) as caught:
        load_chamber(file)
    check_sentences(caught.value)
    assert caught.value.faults[0].startswith(fault)


@pytest.mark.parametrize(
    "table",
    [
        r'[[person]]\nname = "b"\nroutes = ["\u001b[2Jcaptain@example.org"]',
        r'[[sensor]]\nname = "low"\ndriver = "mqtt"\ntopic = "a"\npointer = "\u001b[2J"',
    ],
)
def test_what_a_sentence_repeats_moves_no_cursor(table: str) -> None:
    text = SMALL.format("a", SIMULATED) + table.replace(r"\n", "\n")
    with pytest.raises(SettingsError) as caught:
        chamber_from_text(text, "shed.toml")
    check_sentences(caught.value)
    assert "[2J" in " ".join(caught.value.faults)


def test_a_mark_of_utf8_at_the_beginning_is_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "shed.toml"
    file.write_text("\ufeff" + SMALL.format("a", SIMULATED), encoding="utf-8")
    assert load_chamber(file).name == "a"


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("\n".join(f"[t{i}]\n" + "a." * 980 + "b = 1" for i in range(30)), id="dots"),
        pytest.param("\n".join(f"k{i} = 1" for i in range(6000)), id="keys"),
        pytest.param("[[sensor]]\n" * 5500, id="sensors"),
        pytest.param("[chamber]\nenclosure = [\n" + '"fom",\n' * 8000 + "]", id="walls"),
    ],
)
def test_the_worst_that_fits_is_told_soon_and_in_few_words(text: str) -> None:
    assert len(text) <= FILE_BYTES
    start_s = time.process_time()
    assert read(text) is None
    # Measured 0.02 to 1.8 s; the square of a whole file's length would be minutes.
    assert time.process_time() - start_s < 30


def test_a_password_file_is_one_line_and_no_device(tmp_path: Path) -> None:
    file = tmp_path / "shed.toml"
    secret = tmp_path / "secret"
    file.write_text(
        SMALL.format("a", SIMULATED) + '[mqtt]\nusername = "shed"\npassword_file = "secret"\n'
    )
    for content in (b"", b"\n", b"boat\nhook\n", b"\xff\n", b"h" * 5000):
        secret.write_bytes(content)
        fault = fault_at(file)
        assert fault.startswith("mqtt.password")
        assert "hook" not in fault
    secret.unlink()
    os.mkfifo(secret)
    assert fault_at(file).startswith("mqtt.password_file: is no file")


# --- several files -------------------------------------------------------------


def write(folder: Path, **texts: str) -> list[Path]:
    for name, text in texts.items():
        (folder / f"{name}.toml").write_text(text)
    return [folder / f"{name}.toml" for name in texts]


def test_several_chambers_keep_their_order(tmp_path: Path) -> None:
    paths = write(tmp_path, b=SMALL.format("south", SIMULATED), a=SMALL.format("north", SIMULATED))
    assert [each.key for each in load_chambers(paths)] == ["south", "north"]
    assert load_chambers(()) == ()


ONEWIRE = 'driver = "onewire"\naddress = "28-0000075c2f11"'
DOOR = '[[contact]]\nname = "door"\nkind = "door"\ndriver = "gpio"\npin = 17'


@pytest.mark.parametrize(
    ("one", "other", "fault"),
    [
        pytest.param(
            SMALL.format("North bench", SIMULATED),
            SMALL.format("north, bench", SIMULATED),
            'comes out as "north-bench" in addresses, as in ',
            id="one address",
        ),
        pytest.param(
            SMALL.format("a", ONEWIRE),
            SMALL.format("b", ONEWIRE),
            'sensor "top" reads the same thing as sensor "top" in ',
            id="one sensor",
        ),
        pytest.param(
            SMALL.format("a", ONEWIRE + "\n" + DOOR),
            SMALL.format("b", ONEWIRE.replace("11", "12") + "\n" + DOOR),
            'the pin 17 of contact "door" is taken by contact "door" in ',
            id="one pin",
        ),
        pytest.param(
            SMALL.format("a", ONEWIRE + "\n" + DOOR),
            SMALL.format("b", ONEWIRE.replace("11", "12")) + '[sounder]\ndriver = "gpio"\npin = 17',
            "sounder.pin = 17: is taken by contact",
            id="the sounder on a switch's pin",
        ),
    ],
)
def test_conflicts_between_chambers(one: str, other: str, fault: str, tmp_path: Path) -> None:
    paths = write(tmp_path, one=one, other=other)
    with pytest.raises(SettingsError) as caught:
        load_chambers(paths)
    (told,) = caught.value.faults
    assert fault in told
    assert str(paths[0]) in told or str(paths[1]) in told


def test_the_room_and_the_sounder_may_serve_two_chambers(tmp_path: Path) -> None:
    room = ONEWIRE + '\nplace = "room"\n[sounder]\ndriver = "gpio"\npin = 18'
    paths = write(tmp_path, a=SMALL.format("a", room), b=SMALL.format("b", room))
    assert len(load_chambers(paths)) == 2


def test_faults_of_every_file_are_told_with_its_name(tmp_path: Path) -> None:
    paths = write(tmp_path, a="x = 1", b=SMALL.format("b", "driver = 3"))
    with pytest.raises(SettingsError) as caught:
        load_chambers([*paths, paths[0]])
    told = caught.value.faults
    assert {str(path) for path in paths} == {fault.split(":")[0] for fault in told}
    assert told[-1] == f"{paths[0]}: is named twice"


# --- anything at all -----------------------------------------------------------

KEYS = st.sampled_from(sorted({part for each in settings_table() for part in each.key.split(".")}))
WORDS = st.one_of(
    st.sampled_from(["simulated", "onewire", "max31855", "mqtt", "recording", "gpio", "command"]),
    st.sampled_from(["chamber", "electronics", "door", "presence", "foam", "tls", "stop", "alarm"]),
    st.sampled_from(["mailto:a@b.c", "Europe/Berlin", "/dev/spidev0.0", "28-0000075c2f11"]),
    st.sampled_from(["command:x", "rtsp://a:b@c/"]),
)
SCALARS = st.one_of(
    WORDS,
    st.text(max_size=80),
    st.integers(),
    st.integers(min_value=0, max_value=200),
    st.floats(),
    st.booleans(),
    st.datetimes(),
    st.dates(),
    st.times(),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=4),
        st.dictionaries(st.one_of(KEYS, st.text(max_size=10)), inner, max_size=6),
    ),
    max_leaves=12,
)
TABLES = st.dictionaries(st.one_of(KEYS, st.text(max_size=10)), VALUES, max_size=8)


def as_toml(value: object) -> str:
    """One value as TOML writes it, tables in line."""
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return json.dumps(value).replace("\x7f", "\\u007f")
        case dict():
            return "{" + ", ".join(f"{as_toml(k)} = {as_toml(v)}" for k, v in value.items()) + "}"
        case list():
            return "[" + ", ".join(as_toml(each) for each in value) + "]"
        case float() | int():
            return str(value)
        case _:
            return str(value.isoformat()) if hasattr(value, "isoformat") else "0"


@settings(deadline=None, max_examples=300)
@given(st.text())
def test_any_text_gives_settings_or_sentences(text: str) -> None:
    assert read(text) is None


@settings(deadline=None, max_examples=300)
@given(TABLES)
def test_any_tables_give_settings_or_sentences(tables: dict[str, object]) -> None:
    read("\n".join(f"{as_toml(key)} = {as_toml(value)}" for key, value in tables.items()))


# Mostly right, so that many are taken, with limits on either side of what is right.
NAMES = st.one_of(st.text("abcdefghij éß", min_size=1, max_size=6), st.text(min_size=1, max_size=4))
CHAMBERS = st.fixed_dictionaries(
    {"name": NAMES},
    optional={
        "enclosure": st.lists(st.sampled_from(["foam", "metal", "glass", "acrylic"]), max_size=4),
        "limit_c": st.floats(29, 81),
        "target_c": st.integers(19, 75),
    },
)
SENSOR = {
    "name": NAMES,
    "driver": st.just("simulated"),
    "point": st.sampled_from(["top", "middle", "bed side", "bed", "room"]),
}
CORRECTION = {"correction_k": st.floats(-20.5, 20.5)}
SENSORS = st.one_of(
    st.fixed_dictionaries(
        SENSOR | {"place": st.sampled_from(["chamber", "room", "bed"])}, optional=CORRECTION
    ),
    st.fixed_dictionaries(
        SENSOR | {"place": st.just("electronics")},
        optional=CORRECTION | {"limit_c": st.floats(29, 151)},
    ),
)


@settings(deadline=None, max_examples=100)
@given(CHAMBERS, st.lists(SENSORS, min_size=1, max_size=3))
def test_settings_that_are_given_keep_every_promise(
    chamber: dict[str, object], sensors: list[dict[str, object]]
) -> None:
    given_ = read(f"chamber = {as_toml(chamber)}\nsensor = {as_toml(sensors)}\n")
    assume(given_ is not None)  # hypothesis complains when nearly all are refused
    assert given_ is not None
    limit_c = given_.chamber.limit_c
    assert 30 <= limit_c <= weakest(given_.chamber.enclosure)[1]
    assert given_.chamber.target_c is None or given_.chamber.target_c < limit_c
    names = [sensor.name for sensor in given_.sensors]
    assert len({name.casefold() for name in names}) == len(names) >= 1
    assert all(name == name.strip() and name.isprintable() and "," not in name for name in names)
    assert all(-20 <= sensor.correction_k <= 20 for sensor in given_.sensors)
    assert all(
        (sensor.limit_c is not None) == (sensor.place == "electronics") for sensor in given_.sensors
    )
