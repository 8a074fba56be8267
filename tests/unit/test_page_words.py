"""What a page says stands in one catalogue, so that another language needs no other file.

That is `web/js/strings*.js`, and for what stands there before any script runs the HTML pages.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from script_tokens import tokens

WEB = Path(__file__).resolve().parents[2] / "web"
SCRIPTS = sorted(
    path
    for path in (*WEB.glob("*.js"), *(WEB / "js").glob("*.js"))
    if not path.name.startswith("strings")
)
# What a script knows by name and shows to nobody, and units, which are the same in each language.
NO_WORDS = {"this computer", "mm"}
# Two words or more with a blank between; a selector, a class or a path has another form.
SENTENCE = re.compile(
    r"[A-Z][a-z]+(?:'[a-z]+)?,? [a-z]|[a-z]{2,} [a-z]{2,}.*[.?!…:]$|^[A-Z][a-z]+: $"
    r"|^ (?:and|at|by|from|in|of|on|or|to|until) $"
)
TAG = re.compile(r"<!--.*?-->|</?[\w\0/][^<>]*>|<\0[^<>]*>")
SAID_BY = re.compile(r"""(?:aria-label|alt|title|placeholder|label)=("[^"]*[A-Za-z]{2}[^"]*")""")
WORDS = re.compile(r"[A-Za-zÄÖÜäöüß]{2,}")


def said_in(text: str) -> list[str]:
    """Words that a script would show and doesn't take from the catalogue."""
    found: list[str] = []
    markup: list[tuple[int, list[str]]] = []  # how deep each open template lies, and its parts
    last, depth = "", 0
    for token in tokens(text):
        if token.kind == "text" and last != "import" and SENTENCE.search(token.text[1:-1]):
            found.append(token.text)
        if token.text == "`" and token.kind == "open":
            markup.append((depth, [] if last == "html" else ["plain"]))
        if token.kind == "template" and markup:
            markup[-1][1].append(token.text)
            ends = text[token.span[1] : token.span[1] + 1] == "`"
            if ends:
                _, parts = markup.pop()
                found += shown(parts)
        if token.kind not in ("blank", "comment"):
            last = token.text
    return found


def shown(parts: list[str]) -> list[str]:
    """What a template says by itself; of one that isn't markup, whole sentences."""
    if parts[0] == "plain":
        return [part for part in parts[1:] if SENTENCE.search(part)]
    whole = "\0".join(parts)
    said = [each for each in TAG.sub("\n", whole).split("\n") if WORDS.search(each)]
    return [each.strip() for each in (*said, *SAID_BY.findall(whole))]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        pytest.param('const a = "The door is open.";', ['"The door is open."'], id="a text"),
        pytest.param('f("act slight", "a[href] b");', [], id="classes and selectors"),
        pytest.param('html`<p class="a b">${x} is open</p>`', ["\0 is open"], id="in markup"),
        pytest.param("html`<p>${f(html`<b>Shut it</b>`)}</p>`", ["Shut it"], id="nested"),
        pytest.param("html`<p>${T.open}, ${x}: ${y}</p>`", [], id="from the catalogue"),
        pytest.param('html`<img alt="A box" />`', ['"A box"'], id="read aloud"),
        pytest.param("const a = `Simulated: ${x}`;", ["Simulated: "], id="put together"),
        pytest.param("const a = `${x} to ${y}`;", [" to "], id="between figures"),
        pytest.param("const a = `/api/jobs/${x}?at=${y}`;", [], id="an address"),
        pytest.param("// The door is open.\nf(x);", [], id="a comment"),
    ],
)
def test_words_are_found(text: str, said: list[str]) -> None:
    assert said_in(text) == said


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_says_nothing_but_the_catalogue(script: Path) -> None:
    said = said_in(script.read_text("utf-8"))
    assert [each for each in said if each.strip('"') not in NO_WORDS] == []


def test_figures_and_dates_are_written_in_one_place() -> None:
    """By `units.js`, which knows the language."""
    words = (WEB / "js").glob("strings*.js")
    others = [path for path in (*SCRIPTS, *words) if path.name != "units.js"]
    found = [
        f"{path.name}: {each}"
        for path in others
        for each in re.findall(r"\bIntl\.\w+|toLocale\w*", path.read_text("utf-8"))
    ]
    assert found == []


def test_each_page_says_which_language_it_speaks() -> None:
    for page in WEB.glob("*.html"):
        assert '<html lang="en">' in page.read_text("utf-8"), page.name
