"""What stands where in a script of the page: its comments, texts and templates."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

# In this order: a regular expression is where no value stands before it.
TOKEN = re.compile(
    r"""(?P<comment>//.*|/\*[\s\S]*?\*/)|(?P<text>"(?:\\.|[^"\\\n])*"|'(?:\\.|[^'\\\n])*')"""
    r"|(?P<slash>/)|(?P<open>[`{])|(?P<close>\})|(?P<word>[\w$]+)|(?P<blank>\s+)|(?P<other>.)"
)
EXPRESSION = re.compile(r"/(?:\\.|\[(?:\\.|[^\]\\\n])*\]|[^/\\\[\n])+/\w*")
TEMPLATE = re.compile(r"(?:\\[\s\S]|\$(?!\{)|[^`\\$])*(?P<end>`|\$\{)")


class Token(NamedTuple):
    """`kind` is the name of a group above, or "template" for a part of one, without its ends."""

    kind: str
    text: str
    start: int

    @property
    def span(self) -> tuple[int, int]:
        """From where to where."""
        return self.start, self.start + len(self.text)


def tokens(text: str) -> Iterator[Token]:
    """All of a script, in order; `nested` templates as well."""
    at, before, nested = 0, "", list[str]()
    while at < len(text):
        token = TOKEN.match(text, at)
        assert token is not None
        if token["slash"] and not (before[-1:] in ")]}" or re.match(r"[\w$]", before[-1:])):
            token = EXPRESSION.match(text, at) or token
        kind, start, at = token.lastgroup or "expression", token.start(), token.end()
        yield Token(kind, token[0], start)
        ends = kind == "close" and nested.pop() == "${"
        if token[0] == "`" or ends:
            part = TEMPLATE.match(text, at)
            assert part is not None
            yield Token("template", part[0].removesuffix(part["end"]), at)
            at = part.end()
            nested += ["${"] if part["end"] == "${" else []
        elif token[0] == "{":
            nested.append("{")
        if kind not in ("comment", "blank"):
            before = ")" if token[0] == "`" or ends else token[0]
    assert nested == []
