"""What somebody who is asked for help has to know, and nothing that is nobody's business.

Settings go out by a list of what may: numbers, yes and no, words out of which
the program itself lets one choose, and the names of sensors, switches and
chambers. Every other text stays here, and `redacting` takes it out of the lines
of `inspect` and of the log as well.
"""

from __future__ import annotations

import os
import platform
import re
import shlex
import shutil
import sqlite3
import subprocess
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from importlib import metadata
from itertools import islice
from pathlib import Path

import cv2
import numpy as np

from stillair import __version__
from stillair.config import ChamberSettings, default_chamber, load_chambers
from stillair.database import store_errors
from stillair.errors import SettingsError, StillairError
from stillair.runtime.backup import STORES
from stillair.runtime.chamber_file import watched_files
from stillair.runtime.inspection import inspect_all
from stillair.runtime.redacting import Redaction, redaction
from stillair.runtime.settings_told import settings_lines
from stillair.runtime.wiring import PICTURES

LOG_LINES = 400
LOG_BYTES = 400_000
LINE_CHARACTERS = 2_000  # looking for what is private takes the square of it at worst
PICTURE_FILES = 20
UNIT = "stillair"
OPTIONS = Path("/etc/stillair/options")  # what deploy/install made


def write(
    to: Path,
    files: tuple[Path, ...],
    folder: Path,
    *,
    log: Path | None,
    pictures: bool,
    options: Path = OPTIONS,
) -> int:
    """Write the report as a zip file; returns how many files it holds.

    Without `files` those of the installed service count, which `options` names.
    Raises `StillairError` if `to` is there already or can't be written, and where
    it can't be known what is private.
    """
    if to.exists():
        raise StillairError(f"{to} is there already; name another file")
    installed, given = _of_the_service(options) if not files else ((), "")
    files = watched_files(files or installed, folder)
    chambers, about_settings = _settings(files)
    for path in () if chambers else files:
        _need_to_read(path)
    private = redaction(chambers, files, folder, given)
    lines = [
        *_versions(),
        *_stores(folder),
        *_headed("settings", _cleaned_values(about_settings, private)),
        *_headed("inspect", map(private.clean, _inspected(files, folder))),
        *_headed("log", map(private.clean, _log(log))),
    ]
    shown = _newest(folder / PICTURES) if pictures else []
    with store_errors(f"{to} can't be written"):
        descriptor = os.open(to, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        with (
            open(descriptor, "w+b") as file,  # noqa: PTH123 - a path would be open to others
            zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as bundle,
        ):
            bundle.writestr("report.txt", "\n".join(lines) + "\n")
            for number, path in enumerate(shown, start=1):
                if (picture := _bare(path)) is not None:
                    bundle.writestr(f"picture-{number}.jpg", picture)
            return len(bundle.namelist())


def _cleaned_values(lines: Iterable[str], private: Redaction) -> Iterator[str]:
    """A name may go out, but not one that somebody is called."""
    for line in lines:
        key, is_pair, value = line.partition(" = ")
        yield f"{key} = {private.clean(value)}" if is_pair else line


def _headed(title: str, lines: Iterable[str]) -> Iterator[str]:
    yield ""
    yield f"== {title}"
    yield from lines


# --- settings ----------------------------------------------------------------------------


def _settings(files: tuple[Path, ...]) -> tuple[tuple[ChamberSettings, ...], list[str]]:
    try:
        chambers = load_chambers(files) if files else (default_chamber(),)
    except SettingsError as error:
        # A fault quotes what stands there, which may be a password in the wrong place.
        return (), [f"{len(error.faults)} faults in the chamber files; stillair inspect names them"]
    return chambers, [line for chamber in chambers for line in ("", *settings_lines(chamber))]


def _of_the_service(options: Path) -> tuple[tuple[Path, ...], str]:
    """The chamber files with which the installed service runs, and all its options."""
    try:
        text = options.read_text("utf-8")
    except FileNotFoundError:
        return (), ""
    except OSError as error:
        raise StillairError(
            f"{options} can't be read ({error.strerror}), so it isn't known what is private "
            "in the log; name the chamber files with --chamber, or call it with sudo"
        ) from None
    given = " ".join(
        _unquoted(value) for value in re.findall(r"^\s*STILLAIR_OPTIONS=(.*)$", text, re.MULTILINE)
    )
    return tuple(map(Path, re.findall(r"--chamber[ =](\S+)", given))), given


def _need_to_read(path: Path) -> None:
    """Raises `StillairError` for a chamber file of which nothing can be known."""
    try:
        with path.open("rb") as file:
            file.read(1)
    except OSError as error:
        raise StillairError(
            f"{path} can't be read ({error.strerror}), so it isn't known what is private "
            "in the log; name the chamber files with --chamber"
        ) from None


def _unquoted(value: str) -> str:
    """As the service manager reads it."""
    try:
        return " ".join(shlex.split(value))
    except ValueError:  # a quotation mark that is left open
        return value.strip("\"'")


# --- what is told ------------------------------------------------------------------------


def _versions() -> Iterator[str]:
    yield f"stillair {__version__}, {datetime.now(UTC):%Y-%m-%d %H:%M} UTC"
    yield f"python {platform.python_version()}, {platform.system()} {platform.release()}"
    yield f"machine {platform.machine()}, {os.cpu_count()} processors"
    with suppress(OSError):
        yield f"system {platform.freedesktop_os_release().get('PRETTY_NAME', 'unknown')}"
    with suppress(OSError):
        yield Path("/proc/device-tree/model").read_text().strip("\0")
    with suppress(OSError):
        yield from islice(Path("/proc/meminfo").read_text().splitlines(), 3)
    for package in sorted(metadata.requires("stillair") or ()):
        name = re.split(r"[^A-Za-z0-9_.-]", package)[0]
        if "extra ==" not in package:
            with suppress(metadata.PackageNotFoundError):
                yield f"{name} {metadata.version(name)}"


def _stores(folder: Path) -> Iterator[str]:
    yield from ("", "== history")
    with suppress(OSError):
        yield f"free on its disk: {shutil.disk_usage(folder).free // 10**6} MB"
    for name in STORES:
        try:
            size_bytes = (folder / name).stat().st_size
            with suppress(OSError):  # what a running service has not brought over yet
                size_bytes += (folder / f"{name}-wal").stat().st_size
            uri = f"{(folder / name).absolute().as_uri()}?mode=ro"
            with closing(sqlite3.connect(uri, uri=True, timeout=2.0)) as store:
                (version,) = store.execute("SELECT version_num FROM alembic_version").fetchone()
            yield f"{name}: {size_bytes / 1e6:.1f} MB, version {version}"
        except (OSError, sqlite3.Error, TypeError) as error:
            yield f"{name}: {type(error).__name__}"
    for path in sorted(folder.glob("*.damaged-*")):
        yield f"set aside: {path.name}"


def _inspected(files: tuple[Path, ...], folder: Path) -> Iterator[str]:
    try:
        for found in inspect_all(files, folder):
            yield found.line()
    except SettingsError:
        yield "nothing could be tried"


def _log(given: Path | None) -> Iterator[str]:
    """The last lines of the log: of a file, or of the service manager's."""
    if given is not None:
        with store_errors(f"{given} can't be read"), given.open("rb") as file:
            file.seek(0, os.SEEK_END)
            begin = max(0, file.tell() - LOG_BYTES)
            file.seek(begin)
            text = file.read(LOG_BYTES).decode("utf-8", "replace")
            if begin:  # half a line may be half a secret, which looks like none
                text = text.partition("\n")[2]
    else:
        try:
            text = subprocess.run(
                [
                    "journalctl",
                    "--unit",
                    UNIT,
                    "--lines",
                    str(LOG_LINES),
                    "--no-pager",
                    "--quiet",
                    "--output",
                    "short-iso",
                    "--no-hostname",
                ],
                capture_output=True,
                timeout=15.0,
                check=True,
            ).stdout.decode("utf-8", "replace")
        except (OSError, subprocess.SubprocessError):
            text = ""
    lines = text.splitlines()[-LOG_LINES:]
    yield from map(_bounded, lines or ["there is none; name its file with --log"])


def _bounded(line: str) -> str:
    """A line that isn't endless, and ends with no half word."""
    if len(line) <= LINE_CHARACTERS:
        return line
    return line[:LINE_CHARACTERS].rpartition(" ")[0] + " ..."


def _newest(folder: Path) -> list[Path]:
    try:
        found = sorted((path.stat().st_mtime, path) for path in folder.glob("*.jpg"))
    except OSError:
        return []
    return [path for _, path in found[-PICTURE_FILES:]]


def _bare(path: Path) -> bytes | None:
    """A picture without what a camera writes beside it, such as where it stands."""
    with suppress(OSError, cv2.error):
        pixels = cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR)
        if pixels is not None:
            return bytes(cv2.imencode(".jpg", pixels)[1])
    return None
