"""What is nobody's business, taken out of lines that go to somebody who is asked for help.

Two ways, one behind the other. What stands as text in the settings, in the file
of people and in the certificate's names is known, and goes wherever it turns up,
in any capitals. And what looks private goes even if nobody told: addresses with
all that stands in them, mail, networks, cards and chips, paths but those that
every board has, secrets after their name, tokens, and the insides of values that
an error shows. Too much goes rather than too little.

`Places` takes out less, of what people see who may look and not change: only where
things hang, not what is the matter with them.
"""

from __future__ import annotations

import json
import os
import re
import socket
import sqlite3
import tomllib
from collections.abc import Iterable, Iterator
from contextlib import closing, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

from pydantic import BaseModel, SecretStr

from stillair.access.certificates import NAMES_FILE
from stillair.access.first_code import LETTERS
from stillair.access.people import FILE_NAME as PEOPLE
from stillair.alerts.addresses import public_form
from stillair.alerts.telephones import FILE_NAME as TELEPHONES
from stillair.config import ChamberSettings
from stillair.config.forms import choices, field_kind
from stillair.config.stop import StopOn
from stillair.model import Place

LEFT_OUT = "(left out)"
NAMED = frozenset({"chamber", "sensor", "contact"})  # tables whose `name` may go out
TOKEN = 6  # letters of a part of a path that may be a secret
SHORTEST = 3  # a shorter text goes where it is a whole word alone
# Words that say nothing of anybody, and that every line is made of.
PLAIN = frozenset(
    {"simulated", "root", "localhost", "the", "and", "command", "none", "on", "off", "stop"}
    | {each.value for each in StopOn}
    | {place.value for place in Place}
)
FILE_BYTES = 1 << 20
# The same on every board; whose home it is, or which stick, stands in others.
SYSTEM = (
    *("/api/", "/web/", "/proc/", "/sys/", "/usr/", "/lib/", "/run/systemd/"),
    *("/opt/stillair/", "/var/lib/stillair/", "/etc/stillair/"),
)
CODE = re.compile(r"/(?:site-packages|service)/.*|/python3\.\d+/.*")  # of a path, what helps
ENDS = (  # of names of computers
    *("local", "localdomain", "lan", "home", "internal", "intranet", "arpa", "box"),
    *("com", "org", "net", "info", "eu", "example"),
    *("at", "au", "be", "br", "ca", "ch", "cz", "de", "dk", "es", "fi", "fr", "gr", "hu", "ie"),
    *("in", "it", "jp", "nl", "no", "nz", "pl", "pt", "ro", "se", "si", "sk", "uk", "us", "za"),
)
LOOKS = {
    "address": r"\b[a-z][a-z0-9+.-]*://[^\s\"'<>]+",
    "mail": r"(?<![\w@])[^\s<>\"'@=(),]+@[^\s<>\"'@,()]+",  # or name and password before a host
    "secret": r"\b(?:password|passwd|passphrase|psk|secret|token|cookie|api[_-]?key|e?ssid|wi-?fi"
    r"|network|connection|profile|user(?:name)?)[\"']?(?:\s*[:=]\s*|\s+(?=[\"']))"
    r"(?:\"[^\"]*\"|'[^']*'|[^\s,;)]+)|\be?ssid\s+\S+",
    "bearer": r"\b(?:bearer|basic|digest)\s+[\w.~+/=-]{6,}",
    "value": r"\b[A-Z]\w*\([a-z_]+=.*|\binput_value=.*|\[parameters: .*",
    "code": rf"(?<![\w-])[{LETTERS}]{{4}}-[{LETTERS}]{{4}}(?![\w-])",  # it makes an owner
    "ipv4": r"(?<![\w.])\d{1,3}(?:\.\d{1,3}){3}(?![\w.])",
    "ipv6": r"(?<![\w:])(?:[0-9a-fA-F]{0,4}:){2,7}[0-9a-fA-F]{1,4}(?![\w:])",  # and of cards
    "chip": r"\b[0-9a-f]{2}-[0-9a-f]{12}\b",
    "stick": r"/(?:run/media|media|mnt)/[^\"':;,<>()]+",  # what people call them has blanks
    "path": r"(?<!\w)~?/(?:[^\s\"':;,<>()/]+/)+[^\s\"':;,<>()]*",
    "name": rf"(?<![\w.-])(?:[a-z0-9-]+\.)+(?:{'|'.join(ENDS)})(?![\w-]|\.\w)",
    "token": r"(?<![\w/])[A-Za-z0-9_+/=-]{24,}",
}
_PRIVATE_CASE = frozenset({"address", "secret", "bearer", "name"})  # in any capitals
_LOOKS = re.compile(
    "|".join(
        f"(?P<{name}>{f'(?i:{form})' if name in _PRIVATE_CASE else form})"
        for name, form in LOOKS.items()
    )
)
LATELY = 500  # texts of which it is known
# Members that say what is so.
TELLS = frozenset({"fault", "reason", "refused", "text", "sentence", "sub"})
_IS_PLACE = re.compile(r"[~/]|[a-z][a-z0-9+.-]*://", re.IGNORECASE)
_PLACES = re.compile(
    "|".join(
        [
            r"(?<=\bbroker )(?!\()[^\s,;]+:\d{1,5}",
            *(
                f"(?i:{LOOKS[each]})" if each in _PRIVATE_CASE else LOOKS[each]
                for each in ("address", "ipv4", "ipv6", "chip", "stick", "path", "name")
            ),
        ]
    )
)
_FIGURE = re.compile(r"\d{1,3}")
_CHIP = re.compile(LOOKS["chip"])
_CLOCK = re.compile(r"\d{1,2}:\d{2}(?::\d{2})?")


class Redaction:
    """Take out of a line what is private.

    `known` are texts that are private as a whole, `pieces` those that are so
    where they stand as words of their own.
    """

    def __init__(self, known: Iterable[str], pieces: Iterable[str] = ()) -> None:
        told = {text for text in known if len(text) > 1}
        whole = {text for text in told if len(text) >= SHORTEST}
        words = {text for text in pieces if len(text) >= SHORTEST and not _FIGURE.fullmatch(text)}
        forms = {re.escape(text): len(text) for text in whole if text.casefold() not in PLAIN}
        forms |= {
            rf"(?<!\w){re.escape(text)}(?!\w)": len(text)
            for text in (words | told) - whole
            if text.casefold() not in PLAIN
        }
        longest = sorted(forms, key=lambda form: (-forms[form], form))
        self._known = re.compile("|".join(longest) or r"(?!)", re.IGNORECASE)

    def clean(self, line: str) -> str:
        """The line without it, and without what can't be printed."""
        # Looks first: of an address nothing may stay because a piece of it was known.
        parts = re.split(rf"({re.escape(LEFT_OUT)})", _LOOKS.sub(_looking, line))
        clean = "".join(
            part if part == LEFT_OUT else self._known.sub(LEFT_OUT, part) for part in parts
        )
        return "".join(letter if letter.isprintable() else " " for letter in clean)


def _looking(found: re.Match[str]) -> str:
    text, kind = found[0], found.lastgroup
    if kind == "ipv6" and _CLOCK.fullmatch(text):
        return text
    if kind == "path":
        code = CODE.search(text)
        if text.startswith(SYSTEM) or (text.startswith("/dev/") and "/by-" not in text):
            return _CHIP.sub(LEFT_OUT, text)
        return LEFT_OUT + (code[0] if code else "")
    if kind == "token" and re.fullmatch("[a-z_/]+|[A-Z_]+|[=-]+", text):
        return text  # a name or file of the code, or a line that is drawn
    if kind in ("secret", "bearer"):
        return re.split(r"\W", text, maxsplit=1)[0] + " " + LEFT_OUT
    return LEFT_OUT


class Places:
    """Take hosts, addresses, devices and paths out of what is told of the watch.

    Also those of before, which no settings name any more: a broker's by the words around it.
    """

    def __init__(self, chambers: Iterable[ChamberSettings]) -> None:
        known = {text for of in chambers for text in _texts(of) if _IS_PLACE.match(text)}
        known |= {at.host for of in chambers for at in (of.mqtt, of.mail) if at is not None}
        longest = sorted(known, key=lambda text: (-len(text), text))
        self._known = re.compile(
            "|".join(rf"(?<!\w){re.escape(text)}(?::\d{{1,5}})?(?!\w)" for text in longest)
            or r"(?!)",
            re.IGNORECASE,
        )
        # A page is told the same each second; looking takes some 40 microseconds a sentence.
        self._clean = lru_cache(LATELY)(self._look)

    def clean(self, text: str) -> str:
        """The text without them."""
        return self._clean(text)

    def _look(self, text: str) -> str:
        return _PLACES.sub(_no_place, self._known.sub(LEFT_OUT, text))

    def shown(self, item: Any) -> Any:
        """An answer, or a part of one, as who isn't an owner sees it."""
        if isinstance(item, dict):
            return {
                key: self.clean(value)
                if key in TELLS and isinstance(value, str)
                else self.shown(value)
                for key, value in item.items()
            }
        return [self.shown(each) for each in item] if isinstance(item, list) else item


def _no_place(found: re.Match[str]) -> str:
    return found[0] if _CLOCK.fullmatch(found[0]) else LEFT_OUT


# --- what is known -----------------------------------------------------------------------


def redaction(
    chambers: tuple[ChamberSettings, ...], files: tuple[Path, ...], folder: Path, options: str
) -> Redaction:
    """What is private in these settings and files.

    A file that can't be read as settings is taken by its texts: a password in the
    wrong place is one all the same. `options` are the words with which the service runs.
    """
    texts = {text for chamber in chambers for text in _texts(chamber)}
    for path in () if chambers else files:
        texts |= set(_raw(path))
    texts |= {str(path) for given in (*files, folder) for path in (given, given.absolute())}
    texts |= {word for word in options.split() if re.search(r"[a-zA-Z./]", word)} - set(
        re.findall(r"(?<!\S)--?[\w-]+", options)
    )
    texts |= {socket.gethostname(), os.environ.get("USER", ""), os.environ.get("SUDO_USER", "")}
    with suppress(OSError):
        texts |= set((folder / "certificates" / NAMES_FILE).read_text("utf-8").split())
    texts |= names_of_people(folder)
    marks = {
        public_form(address, person.name).rpartition("-")[2]
        for chamber in chambers
        for person in chamber.people
        for address in person.routes
        if "://" in address
    }
    return Redaction(texts, marks | {piece for text in texts for piece in _pieces(text)})


def _pieces(text: str) -> Iterator[str]:
    yield from text.split()
    for part in (text, unquote(text)):
        with suppress(ValueError):
            address = urlsplit(part)
            found = (address.hostname, address.username, address.password, address.query)
            yield from (each for each in found if each)
            yield from (unquote(each) for each in found if each)
            if address.netloc:  # a token may stand in the path alone
                yield from (each for each in address.path.split("/") if len(each) >= TOKEN)
            if address.scheme == "mailto":
                yield address.path
                part = address.path
        if part.count("@") == 1 and "/" not in part:
            yield from part.split("@")


def _texts(settings: BaseModel, table: str = "") -> Iterator[str]:
    """Every text that the settings' lines leave out."""
    for name, field in type(settings).model_fields.items():
        key = field.alias or name
        value = getattr(settings, name)
        for each in value if isinstance(value, tuple) else (value,):
            if isinstance(each, BaseModel):
                yield from _texts(each, key)
            elif isinstance(each, SecretStr):
                yield each.get_secret_value()
            elif (
                isinstance(each, str | Path)
                and not choices(field_kind(field))
                and key != "enclosure"
                and not (key == "name" and table in NAMED)
            ):
                yield str(each)


def _raw(path: Path) -> Iterator[str]:
    """The texts of a file that is no settings."""
    try:
        with path.open("rb") as file:
            text = file.read(FILE_BYTES).decode("utf-8", "replace")
    except OSError:
        return
    with suppress(tomllib.TOMLDecodeError, RecursionError):
        yield from _leaves(tomllib.loads(text))
    for line in text.splitlines():
        yield from (each for pair in re.findall(r"\"([^\"]*)\"|'([^']*)'", line) for each in pair)
        bare = line.partition("=")[2].strip(" \t\"'")
        if re.search(r"[^\W\d]|\d{4}", bare) and bare not in ("true", "false"):
            yield bare


def _leaves(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict | list):
        for each in value.values() if isinstance(value, dict) else value:
            yield from _leaves(each)


def names_of_people(folder: Path) -> set[str]:
    """Who may come in, and what is kept of their telephones."""
    return {*_people(folder), *_telephones(folder)}


def _people(folder: Path) -> Iterator[str]:
    """The names of who may come in; a report may be wanted just because they can't be read."""
    uri = f"{(folder / PEOPLE).absolute().as_uri()}?mode=ro"
    with suppress(sqlite3.Error), closing(sqlite3.connect(uri, uri=True, timeout=2.0)) as store:
        for (name,) in store.execute("SELECT name FROM person UNION SELECT name FROM token"):
            yield str(name)


def _telephones(folder: Path) -> Iterator[str]:
    """What is kept of telephones, as far as the file can be read: addresses, keys and names."""
    with suppress(OSError, ValueError, TypeError, KeyError, RecursionError):
        with (folder / TELEPHONES).open("rb") as file:
            rows = json.loads(file.read(FILE_BYTES))["telephones"]
        for row in rows:
            yield from (str(row[key]) for key in ("endpoint", "p256dh", "auth", "label", "person"))
