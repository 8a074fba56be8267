"""What ails the small computer itself: supply, heat, clock, disk and 1-Wire line, judged.

Pure: what `board_files` has read goes in, what a person is to be told comes out, with
one remedy. No real board was at hand: all of this follows the sources below, and was
tried against trees of files that are like the kernel's.

Sources
-------
Raspberry Pi documentation, "vcgencmd", get_throttled: the bits of `Throttled`; and
"Frequency management and thermal control": throttled from 80 °C on, fully at 85 °C;
"Power supply warnings": the monitor speaks below 4.63 V.
Linux, Documentation/hwmon/raspberrypi-hwmon.rst: `in0_lcrit_alarm`, renewed every 2 s.
Linux, Documentation/ABI/testing/sysfs-class-thermal: `temp` and `trip_point_N_temp` are
in thousandths of a degree.
adjtimex(2), linux/timex.h: STA_UNSYNC.
systemd-timesyncd.service(8): /run/systemd/timesync/synchronized.
Linux, Documentation/w1/w1-generic.rst: names in /sys/bus/w1/devices, w1_bus_masterN.
Family 00 on a line that nothing pulls up: *recalled* from owners of such boards.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntFlag

from stillair.alarms import figures
from stillair.clock import MADE_AT

HOT_C = 80.0  # from here on a Raspberry Pi slows itself
HOT_PC_C = 95.0  # other computers are made for more, and say at which heat they switch off
BEFORE_CRITICAL_K = 5.0
COOLER_K = 5.0  # so much below it is no longer told as hot
LEAST_FREE_BYTES = 300 * 10**6  # the same below which no picture is kept
OWN_CLOCK_AGREES = timedelta(minutes=2)

CONFIG = "/boot/firmware/config.txt"
_CHIP = re.compile(r"(10|22|28|3b|42)-[0-9a-f]{12}")
_GHOST = re.compile(r"00-[0-9a-f]{12}")
_OVERLAY = re.compile(r"^\s*dtoverlay\s*=\s*w1-gpio", re.MULTILINE)


class Throttled(IntFlag):
    """What the firmware of a Raspberry Pi tells of itself; the upper half since it started."""

    UNDER_VOLTAGE = 1 << 0
    CAPPED = 1 << 1
    THROTTLED = 1 << 2
    SOFT_LIMIT = 1 << 3
    UNDER_VOLTAGE_WAS = 1 << 16
    CAPPED_WAS = 1 << 17
    THROTTLED_WAS = 1 << 18
    SOFT_LIMIT_WAS = 1 << 19


@dataclass(frozen=True, slots=True)
class Zone:
    """One place in the computer that tells its temperature."""

    kind: str
    temperature_c: float
    critical_c: float | None = None  # where the kernel switches it off


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """The wall clock, and what is known of who set it; None where nobody tells."""

    now_at: datetime
    synchronised: bool | None = None  # by a time server, as far as the kernel knows
    was_set: bool = False  # by a time server, at least once since the start
    own_clock_at: datetime | None = None  # of a clock with a battery
    offset_s: float | None = None  # how far it still is from a time server's, by the kernel
    most_off_s: float | None = None  # and may be at most


@dataclass(frozen=True, slots=True)
class DiskFacts:
    """Where the history lies. `error`: why not even that can be told."""

    place: str
    free_bytes: int = 0
    is_read_only: bool = False
    may_write: bool = True
    error: str = ""


@dataclass(frozen=True, slots=True)
class MemoryFacts:
    """The computer's memory, as far as it tells."""

    total_bytes: int | None = None
    available_bytes: int | None = None  # could be had without swapping
    limit_bytes: int | None = None  # of the control group that asks
    swap: tuple[str, ...] = ()  # files and partitions; not what is packed within memory


@dataclass(frozen=True, slots=True)
class Board:
    """All that was read. `model`: what such a board calls itself; "" on another computer."""

    clock: ClockFacts
    disk: DiskFacts
    model: str = ""
    throttled: Throttled | None = None
    under_voltage: bool | None = None  # of the kernel's own monitor
    zones: tuple[Zone, ...] = ()
    one_wire: tuple[str, ...] | None = None  # names on the bus; None: the kernel has none
    config: str = ""  # config.txt, where there is one
    cameras: tuple[str, ...] = ()  # their lasting names
    memory: MemoryFacts = MemoryFacts()


@dataclass(frozen=True, slots=True)
class Judged:
    """How one side is. `is_fit` None: it doesn't tell."""

    is_fit: bool | None
    told: str
    remedy: str = ""


# --- the computer ------------------------------------------------------------


def supply(board: Board, *, ever: bool = True) -> Judged:
    """Does the supply hold its voltage? `ever`: since the start, else just now."""
    bits = board.throttled
    if bits is None and board.under_voltage is None:
        return Judged(None, "this computer doesn't tell")
    remedy = "take a supply of 5 V made for this board, with a short, thick cable"
    if board.under_voltage or (bits is not None and bits & Throttled.UNDER_VOLTAGE):
        return Judged(False, "its voltage is too low just now", remedy)
    if ever and bits is not None and bits & Throttled.UNDER_VOLTAGE_WAS:
        return Judged(False, "its voltage has been too low since the board started", remedy)
    return Judged(True, "its voltage holds")


def has_sagged(before: Board | None, now: Board) -> bool:
    """Whether it was too low for a moment between two looks."""
    if before is None or before.throttled is None or now.throttled is None:
        return False
    return bool(now.throttled & ~before.throttled & Throttled.UNDER_VOLTAGE_WAS)


def heat(board: Board, *, was_hot: bool = False) -> Judged:
    """Is the computer cool enough? `was_hot`: it was told so, and has to cool by 5 degrees."""
    slows = Throttled.THROTTLED | Throttled.SOFT_LIMIT
    # Throttling may be the voltage's: then it is told there.
    slowed = (
        board.throttled is not None
        and bool(board.throttled & slows)
        and not board.throttled & Throttled.UNDER_VOLTAGE
    )
    hottest = max(board.zones, key=lambda zone: zone.temperature_c, default=None)
    if hottest is None and board.throttled is None:
        return Judged(None, "this computer doesn't tell")
    told = "" if hottest is None else figures.temperature(hottest.temperature_c)
    hot = any(
        zone.temperature_c >= _limit_c(board, zone) - (COOLER_K if was_hot else 0.0)
        for zone in board.zones
    )
    if slowed or hot:
        told = ", ".join(part for part in (told, "it slows itself" if slowed else "") if part)
        return Judged(
            False, told, "give it air: out of its case and away from the box, or with a fan"
        )
    return Judged(True, told or "it doesn't slow itself")


def _limit_c(board: Board, zone: Zone) -> float:
    usual_c = HOT_C if board.model else HOT_PC_C
    if zone.critical_c is None:
        return usual_c
    return min(usual_c, zone.critical_c - BEFORE_CRITICAL_K)


def clock(board: Board) -> Judged:
    """Is the wall clock to be trusted? Only labels hang on it, no alarm does."""
    facts = board.clock
    says = f"{facts.now_at:%Y-%m-%d %H:%M} UTC"
    if facts.now_at < MADE_AT:
        return Judged(
            False,
            f"it says {facts.now_at:%Y-%m-%d}, before this program was made",
            "let it reach a time server, or set it with `sudo date -s`",
        )
    if facts.synchronised or facts.was_set:
        return Judged(True, f"{says}, set by a time server")
    own_at = facts.own_clock_at
    if own_at is not None and abs(own_at - facts.now_at) <= OWN_CLOCK_AGREES:
        return Judged(True, f"{says}, as the clock with a battery says")
    # Any other computer has a clock with a battery, though it may not show it in here.
    if board.model and facts.synchronised is None:
        return Judged(None, f"{says}; whether anything has set it isn't told")
    if board.model:
        return Judged(
            False,
            f"{says}, but nothing has set it since the board started",
            "let it reach a time server, or fit a clock module with a battery",
        )
    return Judged(True, says)


def kept_time(board: Board) -> str:
    """Whether a time server keeps the clock just now, and how far it is off, as a clause."""
    facts = board.clock
    if facts.synchronised is None:
        return "whether a time server keeps it isn't told"
    if not facts.synchronised:
        return "no time server keeps it just now"
    if facts.offset_s is None or facts.most_off_s is None:
        return "a time server keeps it"
    off = f"{abs(facts.offset_s) * 1000.0:.1f} ms off"
    return f"a time server keeps it, {off} just now and at most {facts.most_off_s * 1000.0:.0f} ms"


def disk(board: Board) -> Judged:
    """Can history be kept, and for how long?"""
    facts = board.disk
    elsewhere = "choose another place with --data-dir"
    if facts.error:
        return Judged(False, f"{facts.place}: {facts.error}", elsewhere)
    if facts.is_read_only:
        return Judged(
            False,
            f"{facts.place} is read-only",
            "start the board anew; if it stays so, the card is worn: put in another one",
        )
    if not facts.may_write:
        return Judged(False, f"{facts.place} can't be written", elsewhere)
    told = f"{size_told(facts.free_bytes)} free at {facts.place}"
    if facts.free_bytes < LEAST_FREE_BYTES:
        return Judged(
            False, f"only {told}", "make room, take a larger card, or lower history.keep_mb"
        )
    return Judged(True, told)


def size_told(size_bytes: float) -> str:
    """As a person says a size: 300 MB, 72.6 GB."""
    return f"{size_bytes / 1e9:.1f} GB" if size_bytes >= 1e10 else f"{size_bytes / 1e6:.0f} MB"


# --- the 1-Wire line ---------------------------------------------------------


def one_wire(names: Iterable[str] | None, config: str = "") -> Judged:
    """What hangs on the line, or why nothing seems to.

    Parameters
    ----------
    names : iterable of str, or None
        What stands in /sys/bus/w1/devices; None where there is no such folder.
    config : str
        The board's config.txt, where it can be read.
    """
    found = tuple(names or ())
    chips = one_wire_chips(found)
    if not any(name.startswith("w1_bus_master") for name in found) and not chips:
        # A line that is there and not in force yet needs a restart alone.
        if _OVERLAY.search(config):
            return Judged(
                False,
                f"1-Wire is not on yet, though {CONFIG} has its overlay",
                "restart the board",
            )
        return Judged(
            False,
            "1-Wire is not on",
            f"switch the overlay on: write dtoverlay=w1-gpio into {CONFIG}, then restart the board",
        )
    if chips:
        count = len(chips)
        told = f"{count} sensor{'s' if count > 1 else ''}: {', '.join(chips[:8])}"
        return Judged(True, told)
    if any(_GHOST.fullmatch(name) for name in found):
        return Judged(
            False,
            "nothing pulls the line up, so the kernel finds sensors that aren't there",
            "fit the pull-up: 4.7 kΩ between data and 3.3 V",
        )
    return Judged(
        False,
        "no sensor answers on the line",
        "look for swapped wires: red on 3.3 V (pin 1), data on GPIO 4 (pin 7), black on ground",
    )


def one_wire_chips(names: Iterable[str]) -> tuple[str, ...]:
    """The temperature chips among the names on the bus, sorted."""
    return tuple(sorted(name for name in names if _CHIP.fullmatch(name)))
