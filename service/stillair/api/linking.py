"""The page's program in a few files, so that opening it costs few requests in place of ninety.

The page is written as modules of some hundred lines. Asked for one by one they cost a board
more than all else of opening it, and a telephone in a slow network as many turns. So they
are laid one after the other here, each in a function of its own, in the order in which they
need each other. What the first page needs is one part; what is imported only when it is asked
for comes in later parts, which take what they share from the earlier ones. A module that two
files of the page share stays apart, and so do those that others wrote. Comments, a quarter of
what would be sent, stay here.

It is no compiler: of the language it knows how our modules begin a line, imports by name on
one line, exports where something is declared, and `() => import("./x.js")`. Anything else is
refused, with file and line, and a test links the page as it is.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from stillair.errors import StillairError

# Each part with the modules that it is for; the last takes in whatever else is asked for later.
PARTS: Mapping[str, tuple[str, ...]] = {
    "program.js": ("main.js",),
    "hour.js": ("last_hour.js",),
    "list.js": ("jobs.js", "shell.js"),
    "past.js": ("look_back.js",),
    "along.js": ("axis.js",),
    "closer.js": ("look_closer.js",),
    "people.js": ("people.js", "telephones.js", "how_it_watches.js"),
    "setup.js": ("setting_up.js", "setup_steps.js"),
    "rest.js": (),
}
APART = frozenset({"ahead.js"})  # it runs before the program is there
IMPORT = re.compile(
    r'^import (?:\{ (.+?) \}|(\w+)) from "(\./|\.\./vendor/)([a-z_-]+\.js)";$', re.M
)
EXPORT = re.compile(r"^export (?=(?:async function|function|const|class) (\w+))", re.M)
LATER = re.compile(r'(?<=\(\) => )import\("\./([a-z_]+)\.js"\)')
# A comment that has its lines to itself, or says a type amid code; never what stands in a text.
_INSIDE = r"(?:(?!\*/)[\s\S])*"
COMMENT = re.compile(rf"^ *(?:/\*\*{_INSIDE}\*/ *|//.*)\n|/\*\* @{_INSIDE}\*/ ?", re.M)
LEFT = re.compile(r"^(?:import|export)\b.*|(?:await|return|[=(,]) import\(.*", re.M)


class LinkError(StillairError):
    """A module of the page has a form that can't be linked; its text says where."""


@dataclass
class _Part:
    """One file while it is being linked."""

    name: str
    foreign: dict[str, str] = field(default_factory=dict)  # an address: its name here
    shared: dict[str, set[str]] = field(default_factory=dict)  # an earlier part: modules of it
    texts: dict[str, str] = field(default_factory=dict)  # its own modules

    def whole(self, home: Mapping[str, str], needs: Mapping[str, frozenset[str]]) -> str:
        """Its text; `home` knows the part of every module, `needs` the files that a part takes."""
        heads = [f'import * as {name} from "{at}";' for at, name in self.foreign.items()]
        heads += [
            f'import {{ {", ".join(sorted(names))} }} from "./{part}";'
            for part, names in self.shared.items()
        ]

        def later(match: re.Match[str]) -> str:
            module = f"m_{match[1]}"
            part = home[f"{match[1]}.js"]
            if part == self.name:
                return f"Promise.resolve({module})"
            # All that it needs and isn't here yet is asked for at once, and not one after another.
            files = [f"./{part}", *sorted(needs[part] - needs[self.name] - {f"./{self.name}"})]
            asked = ", ".join(f'import("{file}")' for file in files)
            if len(files) == 1:
                return f"{asked}.then(({{ {module} }}) => {module})"
            return f"Promise.all([{asked}]).then(([{{ {module} }}]) => {module})"

        bodies = [LATER.sub(later, text) for text in self.texts.values()]
        names = ", ".join(f"m_{name.removesuffix('.js')}" for name in self.texts)
        return "\n".join([*heads, *bodies, f"export {{ {names} }};", ""])


def linked(folder: Path, parts: Mapping[str, tuple[str, ...]] = PARTS) -> dict[str, str]:
    """The program's files by name, each a module. Raises `LinkError`, `OSError`."""
    home: dict[str, str] = {}
    waiting: list[str] = []  # what is only asked for later
    made = [_Part(name) for name in parts]

    def link(part: _Part, name: str, way: tuple[str, ...]) -> None:
        if name in way:
            raise LinkError(f"{name}: it needs itself, by {' and '.join(way[way.index(name) :])}")
        if name in home:
            return
        text = (folder / name).read_text(encoding="utf-8")
        for match in IMPORT.finditer(text):
            if match[3] == "./" and match[4] not in APART:
                link(part, match[4], (*way, name))
        home[name] = part.name
        exported = ", ".join(EXPORT.findall(text))
        body = EXPORT.sub("", IMPORT.sub(lambda match: taken(part, match), text))
        if left := LEFT.search(body):
            line = body.count("\n", 0, left.start()) + 1
            raise LinkError(f"{name}, line {line}: {left[0]!r} can't be linked")
        waiting.extend(f"{each[1]}.js" for each in LATER.finditer(text))
        part.texts[name] = (
            f"const m_{name.removesuffix('.js')} = (() => {{ // {name}\n{COMMENT.sub('', body)}"
            f"return {{ {exported} }};\n}})();"
        )

    def taken(part: _Part, match: re.Match[str]) -> str:
        some, whole, place, name = match[1], match[2], match[3], match[4]
        if place == "./" and name not in APART:
            source = f"m_{name.removesuffix('.js')}"
            if home[name] != part.name:
                part.shared.setdefault(home[name], set()).add(source)
        else:
            address = f"./{'js' if place == './' else 'vendor'}/{name}"
            source = part.foreign.setdefault(address, f"v{len(part.foreign)}")
        if whole:
            return f"const {whole} = {source}.default;"
        return f"const {{ {some.replace(' as ', ': ')} }} = {source};"

    for part in made:
        for name in parts[part.name]:
            link(part, name, ())
    while waiting:
        link(made[-1], waiting.pop(0), ())
    needs: dict[str, frozenset[str]] = {}
    for part in made:  # an earlier one needs no later one
        earlier = (frozenset({f"./{name}"}) | needs[name] for name in part.shared)
        needs[part.name] = frozenset(part.foreign).union(*earlier)
    return {part.name: part.whole(home, needs) for part in made}


def one_script(folder: Path, name: str) -> str:
    """A module with all that it imports as a script that is none: for a service worker, which
    not every browser takes as a module. Raises `LinkError`, `OSError`.
    """
    text = linked(folder, {name: (name,)})[name]
    body, _, _ = text.rpartition("export {")
    if body.startswith("import "):
        raise LinkError(f"{name}: a script imports nothing, and this one: {body.splitlines()[0]}")
    return body
