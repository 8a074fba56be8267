"""A chamber file's text under change: keys set, tables added and taken out, the rest untouched.

tomlkit keeps how a file is written. It puts what is new behind everything of the table before,
though, also behind a comment that belongs to the next one, and takes such a comment out with
the table before it. So new lines are put in and old ones taken out between marks of our own:
what stands after a table's last key and a blank line is the next table's, and stays.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from stillair.errors import StillairError
from stillair.late import Late

if TYPE_CHECKING:
    import tomlkit
    from tomlkit import exceptions, items
    from tomlkit.container import Container
else:
    tomlkit = Late("tomlkit")
    exceptions, items = Late("tomlkit.exceptions"), Late("tomlkit.items")

BEGIN, END = "# \u2191 stillair begin", "# \u2191 stillair end"  # never left in a text


class EditError(StillairError):
    """A change that can't be made; the message names the key."""


class Edited:
    """The text of a file, and what stands in it; every change raises `EditError`."""

    def __init__(self, text: str) -> None:
        self._newline = "\r\n" if "\r\n" in text else "\n"
        self.text = text

    @property
    def values(self) -> Any:
        """What stands in the text, as tomlkit reads it."""
        return self._parsed().unwrap()

    def has(self, name: str, of: str) -> bool:
        """Whether an array has a table of that name."""
        return any(row.get("name") == of for row in self._rows(self._parsed(), name))

    def get_in(self, name: str, of: str, key: str) -> Any:
        """A key of the table of that name, or None where either isn't there."""
        for row in self.values.get(name) or ():
            if isinstance(row, dict) and row.get("name") == of:
                return row.get(key)
        return None

    def set(self, table: str, key: str, value: Any) -> Any:
        """Set a key of a table, or take it out with None; returns what it was, or None."""
        doc = self._parsed()
        found = doc.get(table)
        if found is None:
            if value is not None:
                self._append(self._block(f"[{table}]", {key: value}))
            return None
        return self._set(doc, found, f"{table}.{key}", key, value)

    def set_in(self, name: str, of: str, key: str, value: Any) -> Any:
        """The same of the table of that name in an array of tables."""
        doc = self._parsed()
        return self._set(doc, self._row(doc, name, of), f"{name}.{key}", key, value)

    def add(self, name: str, row: Mapping[str, Any]) -> None:
        """Add a table to an array, behind those that are there."""
        doc = self._parsed()
        block = self._block(f"[[{name}]]", row)
        match doc.get(name):
            case None:
                self._append(block)
            case items.AoT() as tables if len(tables):
                self._mark(_body(tables[-1]), END)
                self._cut(doc, lambda _: f"{self._newline}{block}")
            case items.Array() as rows:
                inline = tomlkit.inline_table()
                inline.update(row)
                rows.append(inline)
                self.text = doc.as_string()
            case _:
                raise EditError(f"{name}: is not written as [[{name}]]; change it by hand")

    def remove(self, name: str, of: str) -> Mapping[str, Any]:
        """Take a table out of an array; returns what stood there."""
        doc = self._parsed()
        row = self._row(doc, name, of)
        gone: Mapping[str, Any] = row.unwrap()
        rows = doc[name]
        if isinstance(rows, items.Array):
            rows.remove(row)
            self.text = doc.as_string()
        else:
            self._take_out(doc, row)
        return gone

    def drop(self, table: str) -> bool:
        """Take a table out; returns whether it was there."""
        doc = self._parsed()
        found = doc.get(table)
        if found is None:
            return False
        if isinstance(found, items.Table) and not found.is_super_table():
            self._take_out(doc, found)
        else:
            del doc[table]
            self.text = doc.as_string()
        return True

    # --- the text ------------------------------------------------------------

    def _parsed(self) -> tomlkit.TOMLDocument:
        try:
            return tomlkit.parse(self.text)
        except (exceptions.TOMLKitError, ValueError, RecursionError):
            raise EditError(
                "the file is written in a way that the page can't change; change it by hand"
            ) from None

    def _rows(self, doc: tomlkit.TOMLDocument, name: str) -> list[Any]:
        rows = doc.get(name)
        return list(rows) if isinstance(rows, items.AoT | items.Array) else []

    def _row(self, doc: tomlkit.TOMLDocument, name: str, of: str) -> Any:
        for row in self._rows(doc, name):
            if isinstance(row, items.Table | items.InlineTable) and row.get("name") == of:
                return row
        raise EditError(f"{name}: there is none called “{of[:60]}”")

    def _set(self, doc: tomlkit.TOMLDocument, table: Any, path: str, key: str, value: Any) -> Any:
        if not isinstance(table, items.Table | items.InlineTable):
            raise EditError(f"{path}: is not written as a table; change it by hand")
        old = table.get(key)
        before = old.unwrap() if isinstance(old, items.Item) else old
        if before == value and isinstance(before, bool) is isinstance(value, bool):
            return before
        if old is not None and value is not None:
            table[key] = value
        elif old is not None:
            table.remove(key)
        elif value is None:
            return None
        elif isinstance(table, items.InlineTable):
            table[key] = value
        elif table.is_super_table():  # of dotted keys, which have no place for another
            raise EditError(f"{path}: its table has no heading; change it by hand")
        else:
            self._mark(_body(table), END)
            self._cut(doc, lambda _: self._line(key, value))
            return None
        self.text = doc.as_string()
        return before

    def _mark(self, body: list[Any], mark: str) -> None:
        """Put a mark behind the last key of a table, and behind its comments beside that."""
        body.insert(_tail(body), (None, items.Comment(items.Trivia("", "", mark, self._newline))))

    def _take_out(self, doc: tomlkit.TOMLDocument, table: items.Table) -> None:
        body = _body(table)
        self._mark(body, END)
        body.insert(0, (None, items.Comment(items.Trivia("", "", BEGIN, self._newline))))

        def without(before: str) -> str:
            head, _, _ = before.partition(BEGIN)
            *lines, _ = head.splitlines(keepends=True)  # the last one is the table's heading
            while len(lines) > 1 and not lines[-1].strip() and not lines[-2].strip():
                lines.pop()
            return "".join(lines)

        self._cut(doc, without, whole=True)
        self.text = self.text.lstrip("\r\n") if not self.text.strip() else self.text

    def _cut(
        self, doc: tomlkit.TOMLDocument, put: Callable[[str], str], *, whole: bool = False
    ) -> None:
        """Put text in the place of the mark; with `whole`, of everything before it, too."""
        before, mark, after = doc.as_string().partition(f"{END}{self._newline}")
        if not mark:
            raise EditError("the file is written in a way that the page can't change")
        if whole:
            kept = put(before)
            blank = not kept or kept.endswith(self._newline * 2)
            self.text = kept + (after.removeprefix(self._newline) if blank else after)
            return
        if before and not before.endswith("\n"):
            before += self._newline
        self.text = before + put(before) + after

    def _append(self, block: str) -> None:
        text = self.text
        if text and not text.endswith("\n"):
            text += self._newline
        self.text = f"{text}{self._newline if text else ''}{block}"

    def _block(self, heading: str, row: Mapping[str, Any]) -> str:
        lines = "".join(self._line(key, value) for key, value in row.items())
        return f"{heading}{self._newline}{lines}"

    def _line(self, key: str, value: Any) -> str:
        if key == "address" and isinstance(value, int):  # as a chip's data sheet has it
            return f"{key} = 0x{value:02x}{self._newline}"
        return f"{key} = {tomlkit.item(value).as_string()}{self._newline}"


def _body(table: Any) -> list[Any]:
    container: Container = table.value
    return container.body


def _tail(body: list[Any]) -> int:
    """Where a table ends: behind its last key, and the comments that follow it at once."""
    at = max((n for n, (key, _) in enumerate(body) if key is not None), default=-1) + 1
    if at and at < len(body) and _is_comment(body[at]):
        end = at
        while end < len(body) and _is_comment(body[end]):
            end += 1
        # Comments right up to the next heading are that one's.
        return end if end < len(body) else at
    return at


def _is_comment(entry: Any) -> bool:
    return isinstance(entry[1], items.Comment) and not isinstance(entry[1], items.Whitespace)
