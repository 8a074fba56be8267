"""Read chamber files: settings that are right as a whole, or every fault at once.

Whatever a file holds, the answer is `ChamberSettings` or a `SettingsError`;
no other error leaves this module. A file is read once, within bounds on its
size, its lines and the number of faults that are told.
"""

from __future__ import annotations

import itertools
import re
import stat
import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from stillair.config.faults import sentences
from stillair.config.settings import ChamberSettings
from stillair.config.simulated import faults_of_simulation
from stillair.config.together import faults_between_files, faults_between_tables
from stillair.config.values import FileContext
from stillair.errors import SettingsError

# A chamber with everything that may stand in it takes a quarter of this. The TOML parser's
# time and memory grow with the square of a dotted key's length: what these two bounds let
# through takes 1.5 s at most.
FILE_BYTES = 1 << 16
LINE_CHARACTERS = 2000
TOO_LONG = "is longer than 64 KiB, which no chamber file is"
FAULTS = 100  # more than anybody reads
# How the parser begins what it has to say, and the same for who writes a chamber file.
SYNTAX = (
    (
        "Invalid value",
        "the value is missing, is text without quotation marks, or is no true or false",
    ),
    ("Cannot declare", "this table stands twice; put all its keys under one heading"),
    ("Cannot overwrite a value", "this key stands twice; keep one of them"),
    ("Cannot", "this key or table stands twice; keep one of them"),
    ("Duplicate", "this key stands twice; keep one of them"),
    ("Expected '='", "after the key there has to be an ="),
    (
        "Expected newline",
        "something stands behind the value; begin a new line there, or write 45.5 for 45,5",
    ),
    ("Expected ']", "the heading of a table is not closed with ]"),
    ("Unclosed array", "a value is missing, or a list is not closed with ]"),
    ("Unclosed inline", "a table in braces is not closed with }"),
    ("Unterminated string", "a text is not closed with its quotation mark"),
    ("Expected \"'", "a text is not closed with its quotation mark"),
    ("Illegal character '\\n'", "a text is not closed with its quotation mark"),
    ("Illegal character", "it holds a character that can't be seen; type the line anew"),
    ("Unescaped", "a backslash in a text has to be written twice"),
    ("Invalid initial character", "a line has to begin with a key, such as name, or with ["),
    ("Invalid statement", "a line has to begin with a key, such as name, or with ["),
)
BUILT_IN_NAME = "the built-in chamber"
BUILT_IN = """
[chamber]
name = "Boat shed, north bench"
enclosure = ["plywood", "foam"]
target_c = 45
limit_c = 70
width_mm = 600
depth_mm = 600
height_mm = 650

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "middle"
driver = "simulated"

[[sensor]]
name = "low"
driver = "simulated"
point = "bed side"

[[sensor]]
name = "bed"
place = "bed"
driver = "simulated"

[[sensor]]
name = "room"
place = "room"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"

[camera]
source = "simulated"
"""


def load_chamber(path: Path, *, replay: bool = False) -> ChamberSettings:
    """Read one chamber file.

    With `replay`, only names, places and limits count: no sensor is needed,
    and files named in the chamber file need not be there.

    Raises `SettingsError` with one sentence for each fault.
    """
    return _checked(_parsed(text_of(path), str(path)), str(path), path.parent, replay=replay)


def load_chambers(paths: Sequence[Path]) -> tuple[ChamberSettings, ...]:
    """Read the chamber files of one service, the first being the default chamber.

    Raises `SettingsError` with the faults of all files, or with the conflicts
    between them.
    """
    named: dict[str, ChamberSettings] = {}
    faults: list[str] = []
    for number, path in enumerate(paths):
        if path in paths[:number]:
            faults.append(f"{path}: is named twice")
            continue
        try:
            named[str(path)] = load_chamber(path)
        except SettingsError as error:
            faults.extend(f"{path}: {fault}" if len(paths) > 1 else fault for fault in error.faults)
    faults.extend(faults_between_files(named))
    if faults:
        source = str(paths[0]) if len(paths) == 1 else "the chamber files"
        raise SettingsError(source, _first(faults))
    return tuple(named.values())


def default_chamber() -> ChamberSettings:
    """The simulated chamber that is watched when no chamber file is named."""
    return chamber_from_text(BUILT_IN, BUILT_IN_NAME)


def chamber_from_text(text: str, source: str, folder: Path = Path()) -> ChamberSettings:
    """Read a chamber file's text; files that it names are looked for in `folder`.

    Raises `SettingsError` with one sentence for each fault.
    """
    return _checked(_parsed(text, source), source, folder, replay=False)


def parsed_text(text: str, source: str) -> dict[str, Any]:
    """What stands in a chamber file's text, of no more than one may have; or `SettingsError`."""
    if len(text.encode("utf-8", "surrogatepass")) > FILE_BYTES:
        raise SettingsError(source, (TOO_LONG,))
    return _parsed(text, source)


def text_of(path: Path, of: str = "chamber file") -> str:
    """The text of a chamber file, or of another; of a regular file and within bounds.

    Raises `SettingsError`.
    """
    source = str(path)
    try:
        mode = path.stat().st_mode
        if not stat.S_ISREG(mode):  # a pipe or a device could block or never end
            what = "a folder" if stat.S_ISDIR(mode) else "no file"
            raise SettingsError(source, (f"is {what}; name a {of}",))
        with path.open("rb") as file:
            content = file.read(FILE_BYTES + 1)
    except OSError as error:
        raise SettingsError(source, (f"can't be read: {error.strerror}",)) from None
    except ValueError:  # a NUL in the path
        raise SettingsError(source, ("is no path that a file can have",)) from None
    if len(content) > FILE_BYTES:
        raise SettingsError(source, (TOO_LONG,))
    try:
        return content.decode().removeprefix("\ufeff")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise SettingsError(source, (f"line {line}: is no UTF-8 text",)) from None


def _parsed(text: str, source: str) -> dict[str, Any]:
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LINE_CHARACTERS:
            fault = f"line {number}: is longer than {LINE_CHARACTERS} characters"
            raise SettingsError(source, (fault,))
    try:
        return tomllib.loads(text)
    except RecursionError:
        fault = "has lists or tables within each other, deeper than any chamber file needs"
    except ValueError as error:
        fault = _syntax_fault(str(error), text)
    raise SettingsError(source, (fault,))


def _syntax_fault(message: str, text: str) -> str:
    """Put the place first: "line 3, column 5: is not TOML (invalid value)"."""
    found = re.fullmatch(r"(.*) \(at (line \d+, column \d+|end of document)\)", message, re.DOTALL)
    if not found:
        return "is not TOML: it holds a value that can't be read"
    what, where = found.groups()
    if where == "end of document":
        where = f"line {text.rstrip().count(chr(10)) + 1}, at its end"
        what = what.replace("Invalid value", "Unclosed array")
    plain = next((plain for begins, plain in SYNTAX if what.startswith(begins)), "can't be read")
    return f"{where}: is not TOML: {plain}"


def _checked(raw: dict[str, Any], source: str, folder: Path, *, replay: bool) -> ChamberSettings:
    if "store" in raw and "chamber" not in raw:
        fault = f"is a hall file, not a chamber file; start it with: stillair hall {source}"
        raise SettingsError(source, (fault,))
    context = FileContext(folder, files_count=not replay)
    faults: list[Iterable[str]] = []
    settings = None
    try:
        settings = ChamberSettings.model_validate(raw, context=context)
    except ValidationError as error:
        faults.append(sentences(error))
    faults.append(faults_between_tables(raw, sensors_needed=not replay, context=context))
    if not replay:
        faults.append(faults_of_simulation(raw, folder))
    told = _first(itertools.chain.from_iterable(faults))
    if settings is None or told:
        raise SettingsError(source, told)
    return settings


def _first(faults: Iterable[str]) -> tuple[str, ...]:
    """The faults, up to a number that somebody could still read."""
    told = list(itertools.islice(faults, FAULTS + 1))
    if len(told) > FAULTS:
        told[FAULTS] = "and more; these are the first"
    return tuple(told)
