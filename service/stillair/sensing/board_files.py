"""Read what the kernel tells of this computer; `board` judges it.

Every path lies under `root`, so that tests build trees of their own. What is not
there, can't be read or is no number is left out: most computers have half of it.
Nothing here writes.

The paths, and where they are described
---------------------------------------
/proc/device-tree/model
    Devicetree Specification, 3.2: boards have it, PCs don't.
/sys/devices/platform/soc/soc:firmware/get_throttled
    Raspberry Pi's kernel, drivers/firmware/raspberrypi.c: the bits in hexadecimal.
/sys/class/hwmon/hwmonN/name, in0_lcrit_alarm
    Documentation/hwmon/raspberrypi-hwmon.rst; the name is rpi_volt.
/sys/class/thermal/thermal_zoneN/type, temp, trip_point_N_type, trip_point_N_temp
    Documentation/ABI/testing/sysfs-class-thermal.
/sys/class/rtc/rtcN/since_epoch
    Documentation/ABI/testing/rtc-cdev, sysfs-class-rtc: seconds.
/run/systemd/timesync/synchronized
    systemd-timesyncd.service(8): touched at each synchronisation.
/dev/v4l/by-id, by-path
    udev's 60-persistent-v4l.rules; index0 is the one that gives pictures.
/proc/meminfo, /proc/swaps
    proc(5): kibibytes; and what memory is swapped to.
/proc/self/cgroup, /sys/fs/cgroup/GROUP/memory.max
    Documentation/admin-guide/cgroup-v2.rst: bytes, or "max".
/sys/class/video4linux/videoN/name, index
    drivers/media/v4l2-core/v4l2-dev.c: what the device calls itself, and which of its nodes.
"""

from __future__ import annotations

import ctypes
import os
import re
import shutil
import struct
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from stillair.sensing.board import (
    Board,
    ClockFacts,
    DiskFacts,
    MemoryFacts,
    Throttled,
    Zone,
)

ROOT = Path("/")
LONGEST_BYTES = 4096
CONFIG_BYTES = 65_536
STA_UNSYNC, STA_NANO = 0x0040, 0x2000  # linux/timex.h
NAME_CHARACTERS = 60
# What else the kernel has under /dev/videoN: decoders, encoders, parts of a picture's way.
_NO_CAMERA = ("codec", "decode", "encode", "-dec", "-enc", "-isp", "hevc", "h264", "unicam")
TIMEX_BYTES = 256  # the structure has 208
PROGRAM_S = 2.0


@dataclass(frozen=True, slots=True)
class KernelClock:
    """The kernel's word on its clock: status bits of linux/timex.h, s that it is and may be off."""

    status: int
    offset_s: float | None = None
    most_off_s: float | None = None


Asks = Callable[[], KernelClock | None]


def read_board(
    folder: Path,
    now_at: datetime,
    *,
    root: Path = ROOT,
    status: Asks | None = None,
    program: str | None = "vcgencmd",
) -> Board:
    """What is known of this computer, and of the disk on which `folder` lies.

    `status` gives the kernel's clock status, None where it isn't told. `program` is
    asked for the firmware's bits where no file has them.
    """
    return Board(
        clock=_clock(root, now_at, _clock_status if status is None else status),
        disk=_disk(folder),
        model=_text(root / "proc/device-tree/model").strip("\0 \n"),
        throttled=_throttled(root, program),
        under_voltage=_under_voltage(root),
        zones=_zones(root),
        one_wire=names_in(root / "sys/bus/w1/devices"),
        config=config_text(root),
        cameras=camera_names(root / "dev/v4l"),
        memory=_memory(root),
    )


def names_in(folder: Path) -> tuple[str, ...] | None:
    """What stands in a folder, sorted; None where there is none."""
    try:
        return tuple(sorted(entry.name for entry in folder.iterdir()))
    except OSError:
        return None


def config_text(root: Path = ROOT) -> str:
    """The firmware's settings; "" where there are none."""
    paths = (root / "boot/firmware/config.txt", root / "boot/config.txt")
    return next((text for path in paths if (text := _text(path, CONFIG_BYTES))), "")


def camera_names(links: Path = Path("/dev/v4l")) -> tuple[str, ...]:
    """The lasting names of cameras that are plugged in, sorted.

    By-path also names what a board decodes with, so there only what is on USB counts.
    """
    by_id = [links / "by-id" / name for name in names_in(links / "by-id") or () if "index0" in name]
    known = {path.resolve() for path in by_id}
    by_path = [
        path
        for name in names_in(links / "by-path") or ()
        if "usb" in name and "index0" in name
        for path in [links / "by-path" / name]
        if path.resolve() not in known
    ]
    # Two names of one port, for its two speeds, are one camera.
    one_each = {path.resolve(): path for path in reversed(by_path)}
    return tuple(str(path) for path in (*by_id, *sorted(one_each.values())))


def bus_devices(root: Path = ROOT) -> tuple[str, ...]:
    """The SPI devices that are switched on, sorted: one for each chip-select line."""
    names = names_in(root / "dev") or ()
    return tuple(f"/dev/{name}" for name in names if re.fullmatch(r"spidev\d+\.\d+", name))


def serial_ports(root: Path = ROOT) -> tuple[str, ...]:
    """The lasting names of serial ports: of what is plugged in, and of the board's own."""
    plugged = names_in(root / "dev/serial/by-id") or ()
    own = ("/dev/serial0",) if (root / "dev/serial0").exists() else ()
    return (*(f"/dev/serial/by-id/{name}" for name in plugged), *own)


def plugged_cameras(root: Path = ROOT) -> dict[str, str]:
    """What each camera that is plugged in calls itself, by how it is best named as a source.

    Those with a lasting name first, then what has a number alone and isn't known for
    something that only works on pictures, as a board's decoders are.
    """
    known = root / "sys/class/video4linux"
    by_number = {path: Path(path).resolve().name for path in camera_names(root / "dev/v4l")}
    for device in _numbered(known, "video"):
        number = device.name
        words = _own_name(device).lower()
        if number in by_number.values() or _number(device / "index") not in (0, None):
            continue
        if (root / "dev" / number).exists() and not any(each in words for each in _NO_CAMERA):
            by_number[str(root / "dev" / number)] = number
    return {path: _own_name(known / number) for path, number in by_number.items()}


# --- parts -------------------------------------------------------------------


def _text(path: Path, longest: int = LONGEST_BYTES) -> str:
    try:
        with path.open("rb") as file:
            return file.read(longest).decode("utf-8", "replace")
    except OSError:
        return ""


def _own_name(device: Path) -> str:
    """What a video device calls itself: whoever made it has written that."""
    told = _text(device / "name").strip()
    return "".join(letter for letter in told if letter.isprintable())[:NAME_CHARACTERS]


def _number(path: Path) -> int | None:
    try:
        return int(_text(path))
    except ValueError:
        return None


def _numbered(folder: Path, stem: str) -> list[Path]:
    return [folder / name for name in names_in(folder) or () if re.fullmatch(rf"{stem}\d+", name)]


def _throttled(root: Path, program: str | None) -> Throttled | None:
    firmware = root / "sys/devices/platform/soc/soc:firmware/get_throttled"
    bits = _bits(_text(firmware))
    if bits is None and program is not None and (path := shutil.which(program)) is not None:
        try:
            done = subprocess.run(
                [path, "get_throttled"],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=PROGRAM_S,
                check=True,
            )
        except (OSError, subprocess.SubprocessError):
            return None
        said = done.stdout[:LONGEST_BYTES].decode("ascii", "replace")
        bits = _bits(said.partition("=")[2])
    return bits


def _bits(text: str) -> Throttled | None:
    found = re.fullmatch(r"\s*(?:0x)?([0-9a-fA-F]{1,8})\s*", text)
    return None if found is None else Throttled(int(found[1], 16) & 0x000F000F)


def _under_voltage(root: Path) -> bool | None:
    for monitor in _numbered(root / "sys/class/hwmon", "hwmon"):
        if _text(monitor / "name").strip() == "rpi_volt":
            alarm = _number(monitor / "in0_lcrit_alarm")
            return None if alarm is None else alarm != 0
    return None


def _zones(root: Path) -> tuple[Zone, ...]:
    zones = []
    for zone in _numbered(root / "sys/class/thermal", "thermal_zone"):
        millidegrees = _number(zone / "temp")
        # A zone that is switched off tells 0 or nonsense.
        if millidegrees is None or not 0 < millidegrees < 200_000:
            continue
        critical_c = None
        for kind in sorted(zone.glob("trip_point_*_type")):
            if _text(kind).strip() == "critical":
                told = _number(kind.with_name(kind.name.replace("_type", "_temp")))
                critical_c = told / 1000.0 if told is not None and told > 50_000 else critical_c
        zones.append(Zone(_text(zone / "type").strip(), millidegrees / 1000.0, critical_c))
    return tuple(zones)


def _clock(root: Path, now_at: datetime, status: Asks) -> ClockFacts:
    service = root / "run/systemd/timesync"
    was_set = (service / "synchronized").exists()
    told = status()
    synchronised: bool | None
    if told is not None:
        synchronised = not told.status & STA_UNSYNC
    else:
        # Within the hardened unit the kernel may not be asked.
        synchronised = was_set if service.is_dir() else None
    own_at = None
    for own in _numbered(root / "sys/class/rtc", "rtc"):
        since_epoch_s = _number(own / "since_epoch")
        if since_epoch_s is not None and 0 <= since_epoch_s < 2**33:
            own_at = datetime.fromtimestamp(since_epoch_s, UTC)
            break
    off = (told.offset_s, told.most_off_s) if told is not None and synchronised else (None, None)
    return ClockFacts(now_at, synchronised, was_set, own_at, *off)


def _clock_status() -> KernelClock | None:
    """The kernel's word on its clock; with `modes` 0 adjtimex(2) only reads."""
    timex = ctypes.create_string_buffer(TIMEX_BYTES)
    try:
        if ctypes.CDLL(None).adjtimex(timex) < 0:
            return None
    except (OSError, AttributeError):
        return None
    # unsigned modes; long offset, freq, maxerror, esterror; int status
    _, offset, _, most_us, _, status = struct.unpack_from("@Iqqqqi", timex.raw)
    return KernelClock(status, offset / (1e9 if status & STA_NANO else 1e6), most_us / 1e6)


def _memory(root: Path) -> MemoryFacts:
    sizes = dict(re.findall(r"^(\w+):\s+(\d+) kB$", _text(root / "proc/meminfo"), re.MULTILINE))
    swaps = [line.split()[0] for line in _text(root / "proc/swaps").splitlines()[1:] if line]

    def size(key: str) -> int | None:
        return int(sizes[key]) * 1024 if key in sizes else None

    return MemoryFacts(
        total_bytes=size("MemTotal"),
        available_bytes=size("MemAvailable"),
        limit_bytes=_memory_limit(root),
        swap=tuple(name for name in swaps if not name.startswith("/dev/zram")),
    )


def _memory_limit(root: Path) -> int | None:
    """The lowest limit of the control groups around this process; None where there is none."""
    found = re.search(r"^0::/(.*)$", _text(root / "proc/self/cgroup"), re.MULTILINE)
    if found is None:
        return None
    group, groups = Path(found[1]), root / "sys/fs/cgroup"
    limits = [_number(groups / each / "memory.max") for each in (group, *group.parents)]
    return min((limit for limit in limits if limit is not None), default=None)


def _disk(folder: Path) -> DiskFacts:
    place = folder.absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    try:
        told = os.statvfs(place)
    except OSError as error:
        return DiskFacts(str(folder), error=error.strerror or str(error))
    return DiskFacts(
        str(place),
        free_bytes=told.f_bavail * told.f_frsize,
        is_read_only=bool(told.f_flag & os.ST_RDONLY),
        may_write=os.access(place, os.W_OK),
    )
