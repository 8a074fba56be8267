"""The page's program in one file, so that opening the page costs one request in place of ninety.

The page is written as modules of some hundred lines. Asked for one by one they cost a board
more than all else of opening it, and a telephone in a slow network as many turns. So they
are laid one after the other here, each in a function of its own, in the order in which they
need each other; a module that two files of the page share stays apart, and so do those that
others wrote.

It is no compiler: of the language it knows how our modules begin a line, imports by name on
one line and exports where something is declared. Anything else is refused, with file and line,
and a test links the page as it is.
"""

from __future__ import annotations

import gzip
import hashlib
import re
from dataclasses import dataclass
from pathlib import Path

from stillair.errors import StillairError

PROGRAM = "program.js"  # under /web/
FIRST = "main.js"
APART = frozenset({"ahead.js"})  # it runs before the program is there
IMPORT = re.compile(
    r'^import (?:\{ (.+?) \}|(\w+)) from "(\./|\.\./vendor/)([a-z_-]+\.js)";$', re.M
)
EXPORT = re.compile(r"^export (?=(?:async function|function|const|class) (\w+))", re.M)
LEFT = re.compile(r"^(?:import|export)\b.*", re.M)


class LinkError(StillairError):
    """A module of the page has a form that can't be linked; its text says where."""


@dataclass(frozen=True)
class Program:
    """The program as it is sent."""

    text: bytes
    packed: bytes  # gzip
    tag: str  # as an ETag

    @classmethod
    def of(cls, text: str) -> Program:
        """What is sent of a program."""
        plain = text.encode()
        mark = hashlib.sha256(plain).hexdigest()[:32]
        return cls(plain, gzip.compress(plain, 6, mtime=0), f'"{mark}"')


class Linked:
    """The program, linked again once a module is another than it was.

    Parameters
    ----------
    folder : of the modules
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._made: tuple[tuple[object, ...], Program] | None = None

    def program(self) -> Program:
        """As the modules are just now. Raises `LinkError`, and `OSError` without them."""
        found = ((path.name, path.stat()) for path in sorted(self._folder.glob("*.js")))
        mark = tuple((name, stat.st_mtime_ns, stat.st_size) for name, stat in found)
        made = self._made
        if made is None or made[0] != mark:
            made = self._made = mark, Program.of(linked(self._folder))
        return made[1]


def linked(folder: Path, first: str = FIRST) -> str:
    """All modules that `first` needs and itself, as one module. Raises `LinkError`, `OSError`."""
    heads: dict[str, str] = {}  # what stays apart, by its address: its name here
    numbers: dict[str, int] = {}
    parts: list[str] = []

    def link(name: str, way: tuple[str, ...]) -> None:
        if name in way:
            raise LinkError(f"{name}: it needs itself, by {' and '.join(way[way.index(name) :])}")
        if name in numbers:
            return
        text = (folder / name).read_text(encoding="utf-8")
        for match in IMPORT.finditer(text):
            if match[3] == "./" and match[4] not in APART:
                link(match[4], (*way, name))
        numbers[name] = len(numbers)
        names = ", ".join(EXPORT.findall(text))
        body = EXPORT.sub("", IMPORT.sub(taken, text))
        if left := LEFT.search(body):
            line = body.count("\n", 0, left.start()) + 1
            raise LinkError(f"{name}, line {line}: {left[0]!r} can't be linked")
        parts.append(
            f"const m{numbers[name]} = (() => {{ // {name}\n{body}return {{ {names} }};\n}})();"
        )

    def taken(match: re.Match[str]) -> str:
        some, whole, place, name = match[1], match[2], match[3], match[4]
        if place == "./" and name not in APART:
            source = f"m{numbers[name]}"
        else:
            address = f"/web/{'js' if place == './' else 'vendor'}/{name}"
            source = heads.setdefault(address, f"v{len(heads)}")
        if whole:
            return f"const {whole} = {source}.default;"
        return f"const {{ {some.replace(' as ', ': ')} }} = {source};"

    link(first, ())
    imports = [f'import * as {name} from "{address}";' for address, name in heads.items()]
    return "\n".join([*imports, *parts, ""])
