"""What ails the board, each fault with its one remedy: from numbers, and from trees of files."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from boards import BoardTree
from stillair.config import ChamberSettings, load_chambers
from stillair.runtime.memory import judged as judge_memory
from stillair.sensing import board, board_files
from stillair.sensing.board import Board, ClockFacts, DiskFacts, Judged, Throttled, Zone
from stillair.sensing.board_files import (
    NAME_CHARACTERS,
    STA_UNSYNC,
    KernelClock,
    camera_names,
    plugged_cameras,
    read_board,
)

NOW = datetime(2026, 11, 28, 14, 5, tzinfo=UTC)
ROOMY = DiskFacts("/data", free_bytes=10**10)
PLAIN = Board(clock=ClockFacts(NOW, synchronised=True), disk=ROOMY)
BOARD = replace(PLAIN, model="Single-board computer")


def read(tree: BoardTree, *, status: int | None = 0, program: str | None = None) -> Board:
    told = None if status is None else KernelClock(status)
    return read_board(tree.root, NOW, root=tree.root, status=lambda: told, program=program)


# --- supply --------------------------------------------------------------------

SUPPLY = "take a supply of 5 V made for this board, with a short, thick cable"


@pytest.mark.parametrize(
    ("bits", "is_fit", "told"),
    [
        pytest.param(0x0, True, "its voltage holds", id="well"),
        pytest.param(0x1, False, "too low just now", id="bit 0"),
        pytest.param(0x50005, False, "too low just now", id="as a weak supply shows"),
        pytest.param(0x10000, False, "since the board started", id="bit 16"),
        pytest.param(0xE000E, True, "its voltage holds", id="heat alone"),
    ],
)
def test_the_firmwares_bits_tell_of_the_supply(
    tmp_path: Path, bits: int, is_fit: bool, told: str
) -> None:
    tree = BoardTree(tmp_path)
    tree.throttled(bits)
    judged = board.supply(read(tree))
    assert (judged.is_fit, told in judged.told) == (is_fit, True)
    assert judged.remedy == ("" if is_fit else SUPPLY)


@pytest.mark.parametrize(("alarm", "is_fit"), [(0, True), (1, False)])
def test_the_kernels_monitor_tells_of_the_supply(tmp_path: Path, alarm: int, is_fit: bool) -> None:
    tree = BoardTree(tmp_path)
    tree.monitor(alarm)
    assert board.supply(read(tree)).is_fit is is_fit


def test_another_chips_monitor_is_not_taken_for_the_supplys(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path)
    tree.monitor(1, name="nvme")
    assert board.supply(read(tree)) == Judged(None, "this computer doesn't tell")


@pytest.mark.parametrize(
    ("script", "bits"),
    [
        pytest.param('[ "$1" = get_throttled ] && echo throttled=0x50000', 0x50000, id="it tells"),
        pytest.param("echo VCHI initialization failed; exit 255", None, id="it may not ask"),
        pytest.param("echo throttled=", None, id="it says nothing"),
        pytest.param("head -c 100000 /dev/zero", None, id="it says nonsense"),
    ],
)
def test_where_no_file_has_them_the_firmwares_program_is_asked(
    tmp_path: Path, script: str, bits: int | None
) -> None:
    program = tmp_path / "vcgencmd"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    told = read(BoardTree(tmp_path / "root"), program=str(program)).throttled
    assert told == (None if bits is None else Throttled(bits))


def test_only_a_new_sag_counts_as_one_between_two_looks() -> None:
    well = replace(BOARD, throttled=Throttled(0))
    sagged = replace(BOARD, throttled=Throttled.UNDER_VOLTAGE_WAS)
    assert board.has_sagged(well, sagged)
    assert not board.has_sagged(sagged, sagged)
    assert not board.has_sagged(None, sagged), "before we began"
    assert board.supply(sagged, ever=False).is_fit


# --- heat ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("of", "zones", "is_fit"),
    [
        pytest.param(BOARD, [Zone("cpu", 79.9)], True, id="just below"),
        pytest.param(BOARD, [Zone("cpu", 80.0)], False, id="where a board slows itself"),
        pytest.param(BOARD, [Zone("gpu", 40.0), Zone("cpu", 81.0)], False, id="the hottest counts"),
        pytest.param(BOARD, [Zone("cpu", 66.0, 70.0)], False, id="near where it switches off"),
        pytest.param(PLAIN, [Zone("x86", 90.0)], True, id="another computer bears more"),
        pytest.param(PLAIN, [Zone("x86", 96.0, 105.0)], False, id="but not all"),
        pytest.param(PLAIN, [], None, id="it doesn't tell"),
    ],
)
def test_a_board_that_is_too_hot_gets_air(of: Board, zones: list[Zone], is_fit: bool) -> None:
    judged = board.heat(replace(of, zones=tuple(zones)))
    assert judged.is_fit is is_fit
    assert judged.remedy.startswith("give it air") is (is_fit is False)


@pytest.mark.parametrize(
    ("bits", "is_fit"),
    [
        pytest.param(Throttled.THROTTLED, False, id="throttled"),
        pytest.param(Throttled.SOFT_LIMIT, False, id="its soft limit"),
        pytest.param(Throttled.THROTTLED | Throttled.UNDER_VOLTAGE, True, id="that is the supply"),
        pytest.param(Throttled.THROTTLED_WAS, True, id="it was, and is over"),
    ],
)
def test_a_board_that_slows_itself_is_too_hot(bits: Throttled, is_fit: bool) -> None:
    assert board.heat(replace(BOARD, throttled=bits)).is_fit is is_fit


def test_it_has_to_cool_by_five_degrees_to_be_well_again() -> None:
    at = {c: replace(BOARD, zones=(Zone("cpu", c),)) for c in (75.0, 74.9)}
    assert not board.heat(at[75.0], was_hot=True).is_fit
    assert board.heat(at[74.9], was_hot=True).is_fit
    assert board.heat(at[75.0]).is_fit


def test_zones_are_read_in_thousandths_and_nonsense_is_left_out(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path)
    tree.zone(61.25, critical_c=110.0)
    tree.zone(0.0, n=1)
    tree.zone(-273.0, n=2)
    tree.put("sys/class/thermal/thermal_zone3/temp", "what\n")
    tree.put("sys/class/thermal/cooling_device0/type", "fan\n")
    assert read(tree).zones == (Zone("cpu-thermal", 61.25, 110.0),)


# --- clock ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("of", "facts", "is_fit", "told"),
    [
        pytest.param(BOARD, ClockFacts(NOW, True), True, "set by a time server", id="synchronised"),
        pytest.param(
            BOARD, ClockFacts(NOW, False, True), True, "set by", id="it was, at the start"
        ),
        pytest.param(
            BOARD, ClockFacts(NOW, False), False, "nothing has set it", id="nobody set it"
        ),
        pytest.param(
            BOARD,
            ClockFacts(NOW, False, own_clock_at=NOW - timedelta(seconds=2)),
            True,
            "clock with a battery",
            id="kept by a battery",
        ),
        pytest.param(
            BOARD,
            ClockFacts(NOW, False, own_clock_at=datetime(1970, 1, 1, 0, 5, tzinfo=UTC)),
            False,
            "nothing has set it",
            id="its battery is empty",
        ),
        pytest.param(BOARD, ClockFacts(NOW), None, "isn't told", id="nobody tells"),
        pytest.param(PLAIN, ClockFacts(NOW), True, "14:05", id="no such board, nobody tells"),
        pytest.param(PLAIN, ClockFacts(NOW, False), True, "14:05", id="no such board"),
        pytest.param(
            PLAIN,
            ClockFacts(datetime(2025, 12, 31, tzinfo=UTC), True),
            False,
            "before this program was made",
            id="before this program",
        ),
    ],
)
def test_whether_the_clock_is_to_be_trusted(
    of: Board, facts: ClockFacts, is_fit: bool | None, told: str
) -> None:
    judged = board.clock(replace(of, clock=facts))
    assert (judged.is_fit, told in judged.told) == (is_fit, True)
    assert judged.remedy.startswith("let it reach a time server") is (is_fit is False)


@pytest.mark.parametrize(
    ("status", "service", "synchronised", "was_set"),
    [
        pytest.param(0, None, True, False, id="the kernel says so"),
        pytest.param(STA_UNSYNC, None, False, False, id="the kernel says no"),
        pytest.param(STA_UNSYNC, True, False, True, id="it was set since the start"),
        pytest.param(None, None, None, False, id="nobody may be asked"),
        pytest.param(None, False, False, False, id="the time service waits"),
        pytest.param(None, True, True, True, id="the time service has"),
    ],
)
def test_who_tells_of_the_clock(
    tmp_path: Path, status: int | None, service: bool | None, synchronised: bool, was_set: bool
) -> None:
    tree = BoardTree(tmp_path)
    tree.own_clock(NOW.timestamp())
    if service is not None:
        tree.time_service(synchronized=service)
    assert read(tree, status=status).clock == ClockFacts(NOW, synchronised, was_set, NOW)


@pytest.mark.parametrize(
    ("facts", "told"),
    [
        pytest.param(
            ClockFacts(NOW, True, offset_s=-0.0004, most_off_s=0.0353),
            "a time server keeps it, 0.4 ms off just now and at most 35 ms",
            id="how far it is off",
        ),
        pytest.param(ClockFacts(NOW, True), "a time server keeps it", id="only that it is kept"),
        pytest.param(ClockFacts(NOW, False), "no time server keeps it just now", id="by none"),
        pytest.param(ClockFacts(NOW), "whether a time server keeps it isn't told", id="unknown"),
    ],
)
def test_whether_a_time_server_keeps_the_clock(facts: ClockFacts, told: str) -> None:
    assert board.kept_time(replace(PLAIN, clock=facts)) == told


def test_how_far_a_clock_is_off_counts_only_while_it_is_kept(tmp_path: Path) -> None:
    def clock(status: int) -> ClockFacts:
        told = KernelClock(status, -0.0004, 0.035)
        return read_board(tmp_path, NOW, root=tmp_path, status=lambda: told, program=None).clock

    assert clock(0) == ClockFacts(NOW, True, offset_s=-0.0004, most_off_s=0.035)
    assert clock(STA_UNSYNC) == ClockFacts(NOW, False)


def test_this_kernel_tells_of_its_clock() -> None:
    """As adjtimex(2) does; unsynchronised the most that it may be off is 16 s."""
    told = board_files._clock_status()
    if told is None:
        pytest.skip("it may not be asked here")
    assert told.offset_s is not None and abs(told.offset_s) < 1.0
    assert told.most_off_s is not None and 0.0 <= told.most_off_s <= 16.1


def test_this_kernel_is_asked_without_changing_its_clock(tmp_path: Path) -> None:
    facts = read_board(tmp_path, NOW, root=tmp_path, program=None).clock
    assert facts.synchronised in (True, False, None)


# --- disk ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "told", "remedy"),
    [
        pytest.param(DiskFacts("/d", 300 * 10**6), "300 MB free", "", id="just enough"),
        pytest.param(DiskFacts("/d", 299 * 10**6), "only 299 MB", "make room", id="nearly full"),
        pytest.param(
            DiskFacts("/d", 10**10, is_read_only=True),
            "read-only",
            "start the board",
            id="read-only",
        ),
        pytest.param(
            DiskFacts("/d", 10**10, may_write=False), "can't be written", "choose", id="not ours"
        ),
        pytest.param(DiskFacts("/d", error="I/O error"), "I/O error", "choose", id="broken"),
    ],
)
def test_a_disk_that_keeps_nothing_is_told(facts: DiskFacts, told: str, remedy: str) -> None:
    judged = board.disk(replace(BOARD, disk=facts))
    assert told in judged.told
    assert judged.remedy.startswith(remedy)
    assert judged.is_fit is not bool(remedy)


# --- the 1-Wire line -------------------------------------------------------------

MASTER = "w1_bus_master1"
CHIP = "28-0000075c2f11"


@pytest.mark.parametrize(
    ("names", "config", "told", "remedy"),
    [
        pytest.param(None, "", "not on", "switch the overlay on", id="overlay not on"),
        pytest.param([], "", "not on", "switch the overlay on", id="no bus"),
        pytest.param(
            None,
            "dtparam=spi=on\ndtoverlay=w1-gpio,gpiopin=4\n",
            "not on yet",
            "restart",
            id="not yet",
        ),
        pytest.param(None, "#dtoverlay=w1-gpio\n", "not on", "switch the overlay on", id="remark"),
        pytest.param(
            [MASTER, "00-800000000000"],
            "",
            "pulls the line up",
            "fit the pull-up",
            id="pull-up missing",
        ),
        pytest.param(
            [MASTER], "", "no sensor answers", "look for swapped wires", id="wires swapped"
        ),
        pytest.param([MASTER, CHIP], "", f"1 sensor: {CHIP}", "", id="a sensor"),
        pytest.param([MASTER, CHIP, "00-400000000000"], "", f": {CHIP}", "", id="one and a ghost"),
    ],
)
def test_what_is_the_matter_with_the_line(
    names: list[str] | None, config: str, told: str, remedy: str
) -> None:
    judged = board.one_wire(names, config)
    assert told in judged.told
    assert judged.remedy.startswith(remedy)
    assert judged.is_fit is not bool(remedy)


@given(st.none() | st.lists(st.text(max_size=20), max_size=5), st.text(max_size=80))
def test_whatever_is_on_the_line_what_is_unfit_has_a_remedy(
    names: list[str] | None, config: str
) -> None:
    judged = board.one_wire(names, config)
    assert bool(judged.remedy) is (judged.is_fit is False)


# --- cameras ---------------------------------------------------------------------


def test_cameras_are_known_by_names_that_stay(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path)
    named = tree.camera(2, "usb-maker_webcam_1234-video-index0")
    tree.camera(3, "usb-maker_webcam_1234-video-index1")  # its metadata
    tree.camera(2, "platform-usb-0:1.2:1.0-video-index0", "by-path")  # the same camera
    nameless = tree.camera(4, "platform-usb-0:1.3:1.0-video-index0", "by-path")
    tree.camera(10, "platform-codec-video-index0", "by-path")  # what the board decodes with
    assert camera_names(tree.root / "dev/v4l") == (str(named), str(nameless))


def test_a_camera_is_told_with_what_it_calls_itself(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path)
    named = tree.camera(0, "usb-Shed_Camera-video-index0")
    for number, index, words in (
        (0, "0", "Shed camera\x1b[2J" + "!" * 90),
        (1, "1", "Shed camera"),  # tells of its pictures, and has none
        (3, "0", "Bench camera"),  # no lasting name
        (4, "0", ""),
        (10, "0", "bcm2835-codec-decode"),
        (12, "0", "gone"),
    ):
        folder = tree.root / f"sys/class/video4linux/video{number}"
        folder.mkdir(parents=True)
        (folder / "name").write_text(f"{words}\n")
        (folder / "index").write_text(f"{index}\n")
        if number != 12:
            (tree.root / f"dev/video{number}").touch()
    found = plugged_cameras(tree.root)
    dev = tree.root / "dev"
    assert list(found) == [str(named), str(dev / "video3"), str(dev / "video4")]
    assert found[str(dev / "video3")] == "Bench camera"
    assert found[str(named)].startswith("Shed camera[2J!")
    assert len(found[str(named)]) == NAME_CHARACTERS


# --- trees that are odd ------------------------------------------------------------


def test_a_computer_that_tells_nothing_is_no_fault(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path, model="")
    found = read(tree, status=None)
    assert (found.throttled, found.under_voltage, found.zones) == (None, None, ())
    assert (found.one_wire, found.cameras, found.model) == (None, (), "")
    for judged in (board.supply(found), board.heat(found)):
        assert judged == Judged(None, "this computer doesn't tell")
    assert board.clock(found).is_fit


@pytest.mark.parametrize("text", ["", "\n", "12", "-1", "zz", "9" * 5000, "0x1 0x2", "\0\0"])
def test_whatever_the_files_hold_reading_them_is_no_error(tmp_path: Path, text: str) -> None:
    tree = BoardTree(tmp_path)
    tree.monitor(0)
    tree.zone(50.0, critical_c=90.0)
    for path in (
        "sys/devices/platform/soc/soc:firmware/get_throttled",
        "sys/class/hwmon/hwmon1/in0_lcrit_alarm",
        "sys/class/thermal/thermal_zone0/temp",
        "sys/class/thermal/thermal_zone0/trip_point_0_temp",
        "sys/class/rtc/rtc0/since_epoch",
        "boot/firmware/config.txt",
    ):
        tree.put(path, text)
    found = read(tree)
    for judge in (board.supply, board.heat, board.clock, board.disk):
        judged = judge(found)
        assert bool(judged.remedy) is (judged.is_fit is False)


# --- memory ------------------------------------------------------------------

ZERO_KIB, BIG_KIB = 437_000, 3_880_000  # what boards of 512 MB and of 4 GB have left for programs
CAMERA = '[camera]\nsource = "simulated"\n'


def chambers(tmp_path: Path, *texts: str) -> tuple[ChamberSettings, ...]:
    files = []
    for number, text in enumerate(texts):
        files.append(tmp_path / f"box-{number}.toml")
        head = f'[chamber]\nname = "box {number}"\n[[sensor]]\nname = "top"\ndriver = "simulated"\n'
        files[-1].write_text(head + text)
    return load_chambers(tuple(files))


@pytest.mark.parametrize(
    ("memory", "texts", "is_fit", "told", "remedy"),
    [
        pytest.param((BIG_KIB, 3_000_000), [CAMERA], True, "3973 MB, 3072 MB of it", "", id="much"),
        pytest.param((ZERO_KIB, 300_000), [""], True, "447 MB, 307 MB of it free", "", id="small"),
        pytest.param(
            (ZERO_KIB, 300_000),
            [CAMERA],
            True,
            "this set-up takes some 167 MB, and now and then 140 MB more",
            "",
            id="one camera is borne by a small board",
        ),
        pytest.param(
            (ZERO_KIB, 300_000),
            [CAMERA + '[[person]]\nname = "cox"\nroutes = ["webpush:"]\n'],
            False,
            "this set-up takes some 182 MB",
            "set clips.events and clips.time_lapse to false",
            id="with telephones no films",
        ),
        pytest.param(
            (ZERO_KIB, 300_000),
            [CAMERA] * 2,
            False,
            "this set-up takes some 184 MB",
            "set clips.events and clips.time_lapse to false",
            id="no films of two",
        ),
        pytest.param(
            (ZERO_KIB, 300_000),
            [CAMERA + "[clips]\nevents = false\ntime_lapse = false\n"] * 2,
            True,
            "and now and then 80 MB more",
            "",
            id="as it was told",
        ),
        pytest.param(
            (ZERO_KIB, 300_000),
            [CAMERA] * 8,
            False,
            "takes some 286 MB",
            "set clips.events and clips.time_lapse to false, and"
            " leave [camera] in one chamber file alone",
            id="nor eight cameras",
        ),
        pytest.param(
            (220_000, 100_000), [""], False, "225 MB", "take a board with 1 GB or more", id="tiny"
        ),
        pytest.param(
            (ZERO_KIB, 30_000), [""], False, "31 MB of it", "end other programs", id="full"
        ),
        pytest.param(
            (ZERO_KIB, 300_000, "/dev/zram0", "/var/swap"),
            [""],
            True,
            "447 MB",
            "don't swap to /var/swap: that wears a card",
            id="swap on the card",
        ),
        pytest.param((ZERO_KIB, 300_000, "/dev/zram0"), [""], True, "447 MB", "", id="zram"),
    ],
)
def test_what_a_small_board_has_to_do_without(
    tmp_path: Path,
    memory: tuple[Any, ...],
    texts: list[str],
    is_fit: bool,
    told: str,
    remedy: str,
) -> None:
    tree = BoardTree(tmp_path / "root")
    tree.memory(*memory)
    judged = judge_memory(read(tree).memory, chambers(tmp_path, *texts))
    assert (judged.is_fit, told in judged.told) == (is_fit, True), judged
    assert judged.remedy.startswith(remedy) and bool(judged.remedy) is bool(remedy), judged


def test_a_limit_of_the_service_manager_counts_too(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path / "root")
    tree.memory(BIG_KIB, 3_000_000, limit=str(200 * 10**6))
    judged = judge_memory(read(tree).memory, chambers(tmp_path, ""))
    assert judged.is_fit is False and "200 MB is the limit that was set for it" in judged.told
    tree.memory(BIG_KIB, 3_000_000, limit="max")
    assert read(tree).memory.limit_bytes is None


def test_a_computer_that_tells_nothing_of_its_memory_is_not_unfit(tmp_path: Path) -> None:
    tree = BoardTree(tmp_path / "root")
    assert judge_memory(read(tree).memory, chambers(tmp_path, "")).is_fit is None
    tree.put("proc/meminfo", "MemTotal: none of your business\n")
    assert judge_memory(read(tree).memory, chambers(tmp_path, "")).is_fit is None
