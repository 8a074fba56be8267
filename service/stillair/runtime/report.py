"""What somebody who is asked for help has to know, and nothing that is nobody's business.

Settings go out by a list of what may: numbers, yes and no, words out of which
the program itself lets one choose, and the names of sensors, switches and
chambers. Every other text stays here, and is taken out of the lines of
`inspect` and of the log as well, with whatever looks like an address.
"""

from __future__ import annotations

import os
import platform
import re
import shutil
import socket
import sqlite3
import subprocess
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from importlib import metadata
from itertools import islice
from pathlib import Path
from urllib.parse import urlsplit

from pydantic import BaseModel, SecretStr

from stillair import __version__
from stillair.config import ChamberSettings, default_chamber, load_chambers
from stillair.config.forms import choices, field_kind
from stillair.database import store_errors
from stillair.errors import SettingsError, StillairError
from stillair.runtime.backup import STORES
from stillair.runtime.inspection import inspect_all
from stillair.runtime.wiring import PICTURES

LEFT_OUT = "(left out)"
LOG_LINES = 400
LOG_BYTES = 400_000
PICTURE_FILES = 20
NAMED = frozenset({"chamber", "sensor", "contact"})  # tables whose `name` may go out
SHORTEST = 3  # a text shorter than this is taken out of no line: it stands in every word
UNIT = "stillair"
_LOOKS_PRIVATE = tuple(
    re.compile(pattern)
    for pattern in (
        r"\b[a-z][a-z0-9+.-]*://[^\s\"'<>]+",  # an address, with all that may stand in it
        r"[^\s<>\"'@:]+@[^\s<>\"'@]+",  # mail, or name and password before a host
        r"(?<![\w.])\d{1,3}(?:\.\d{1,3}){3}(?![\w.])",
        r"(?<![\w:])(?:[0-9a-fA-F]{0,4}:){2,7}[0-9a-fA-F]{1,4}(?![\w:])",  # IPv6 and cards
        r"\b[0-9a-f]{2}-[0-9a-f]{12}\b",  # a 1-Wire chip
        r"(?:/home|/Users|/root|/run/user|/media)(?:/[^\s\"':;,]+)+",
        r"\b[A-Za-z0-9_+/=-]{24,}\b",  # tokens, hashes, keys
    )
)
_CLOCK = re.compile(r"\d{1,2}:\d{2}(?::\d{2})?")


def write(
    to: Path, files: tuple[Path, ...], folder: Path, *, log: Path | None, pictures: bool
) -> int:
    """Write the report as a zip file; returns how many files it holds.

    Raises `StillairError` if `to` is there already or can't be written.
    """
    if to.exists():
        raise StillairError(f"{to} is there already; name another file")
    chambers, about_settings = _settings(files)
    private = _private(chambers, files, folder)
    lines = [
        *_versions(),
        *_stores(folder),
        *_headed("settings", about_settings),
        *_headed("inspect", _scrubbed(_inspected(files, folder), private)),
        *_headed("log", _scrubbed(_log(log), private)),
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
                with suppress(FileNotFoundError):
                    bundle.write(path, f"picture-{number}.jpg")
            return len(bundle.namelist())


def _headed(title: str, lines: Iterable[str]) -> Iterator[str]:
    yield ""
    yield f"== {title}"
    yield from lines


# --- what is private ---------------------------------------------------------------------


def _settings(files: tuple[Path, ...]) -> tuple[tuple[ChamberSettings, ...], list[str]]:
    try:
        chambers = load_chambers(files) if files else (default_chamber(),)
    except SettingsError as error:
        # A fault quotes what stands there, which may be a password in the wrong place.
        return (), [f"{len(error.faults)} faults in the chamber files; stillair inspect names them"]
    return chambers, [line for chamber in chambers for line in ("", *settings_lines(chamber))]


def settings_lines(settings: BaseModel, table: str = "") -> Iterator[str]:
    """One line for each key: its value where that may go out."""
    for name, field in type(settings).model_fields.items():
        value, key = getattr(settings, name), field.alias or name
        path = f"{table}.{key}" if table else key
        rows = value if isinstance(value, tuple) else (value,)
        if rows and all(isinstance(row, BaseModel) for row in rows):
            for row in rows:
                yield from settings_lines(row, path)
            continue
        may = (
            value is None
            or isinstance(value, bool | int | float)
            or bool(choices(field_kind(field)))
            or (key == "name" and table in NAMED)
            or (table == "chamber" and key == "enclosure")
        )
        yield f"{path} = {_words(value) if may else LEFT_OUT}"


def _words(value: object) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "none"
    return "none" if value is None else str(value)


def _texts(settings: BaseModel, table: str = "") -> Iterator[str]:
    """Every text that `settings_lines` leaves out."""
    for name, field in type(settings).model_fields.items():
        key = field.alias or name
        for value in _each(getattr(settings, name)):
            if isinstance(value, BaseModel):
                yield from _texts(value, key)
            elif isinstance(value, SecretStr):
                yield value.get_secret_value()
            elif (
                isinstance(value, str | Path)
                and not choices(field_kind(field))
                and key != "enclosure"
                and not (key == "name" and table in NAMED)
            ):
                yield str(value)


def _each(value: object) -> tuple[object, ...]:
    return value if isinstance(value, tuple) else (value,)


def _private(
    chambers: tuple[ChamberSettings, ...], files: tuple[Path, ...], folder: Path
) -> list[str]:
    """Texts to be taken out of every line, the longest first."""
    texts = {text for chamber in chambers for text in _texts(chamber)}
    texts |= {str(path) for given in (*files, folder) for path in (given, given.absolute())}
    for text in list(texts):
        with suppress(ValueError):
            parts = urlsplit(text)
            texts |= {part for part in (parts.netloc, parts.hostname, parts.username) if part}
            texts |= {part for part in (parts.password, parts.query) if part}
        texts |= set(text.split())
    texts |= {socket.gethostname(), os.environ.get("USER", ""), os.environ.get("SUDO_USER", "")}
    # Words that say nothing of anybody, and that every line is made of.
    texts -= {"simulated", "root", "localhost"}
    return sorted((text for text in texts if len(text) >= SHORTEST), key=len, reverse=True)


def _scrubbed(lines: Iterable[str], private: list[str]) -> Iterator[str]:
    for line in lines:
        clean = line
        for text in private:
            clean = clean.replace(text, LEFT_OUT)
        for pattern in _LOOKS_PRIVATE:
            clean = pattern.sub(
                lambda found: found[0] if _CLOCK.fullmatch(found[0]) else LEFT_OUT, clean
            )
        yield "".join(letter if letter.isprintable() else " " for letter in clean)


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
            file.seek(max(0, file.tell() - LOG_BYTES))
            text = file.read(LOG_BYTES).decode("utf-8", "replace")
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
    yield from text.splitlines()[-LOG_LINES:] or ["there is none; name its file with --log"]


def _newest(folder: Path) -> list[Path]:
    try:
        found = sorted((path.stat().st_mtime, path) for path in folder.glob("*.jpg"))
    except OSError:
        return []
    return [path for _, path in found[-PICTURE_FILES:]]
