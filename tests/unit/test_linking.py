"""The modules of the page as one program: in order, by name, and refused where it can't be."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from script_tokens import tokens
from stillair.api.linking import COMMENT, LinkError, linked, one_script

WEB = Path(__file__).resolve().parents[2] / "web"
MAIN = """import { useState as use } from "../vendor/preact-hooks.js";
import { low, Sensor } from "./air.js";
import { early } from "./ahead.js";

use(low(new Sensor()), early);
"""
AIR = """import whole from "../vendor/uplot.js";
import { early } from "./ahead.js";

export const HIGHEST = 3;
const own = 1;

export async function low(sensor) {
  return [whole, early, own, sensor];
}

export class Sensor {}
"""
PARTS = {"program.js": ("main.js",), "rest.js": ()}
WANTED = """import * as v0 from "./vendor/uplot.js";
import * as v1 from "./js/ahead.js";
import * as v2 from "./vendor/preact-hooks.js";
const m_air = (() => { // air.js
const whole = v0.default;
const { early } = v1;

const HIGHEST = 3;
const own = 1;

async function low(sensor) {
  return [whole, early, own, sensor];
}

class Sensor {}
return { HIGHEST, low, Sensor };
})();
const m_main = (() => { // main.js
const { useState: use } = v2;
const { low, Sensor } = m_air;
const { early } = v1;

use(low(new Sensor()), early);
return {  };
})();
export { m_air, m_main };
"""
LATER = """import { low } from "./air.js";

const door = [() => import("./door.js"), () => import("./air.js")];
low(door);
"""
DOOR = """import { low } from "./air.js";
import { hinge } from "./hinge.js";

export const shut = low(hinge);
"""
FIRST_OF_TWO = """const m_main = (() => { // main.js
const { low } = m_air;

const door = [() => import("./rest.js").then(({ m_door }) => m_door), () => Promise.resolve(m_air)];
low(door);
return {  };
})();
export { m_air, m_main };
"""
SECOND_OF_TWO = """import { m_air } from "./program.js";
const m_hinge = (() => { // hinge.js
const hinge = 1;
return { hinge };
})();
const m_door = (() => { // door.js
const { low } = m_air;
const { hinge } = m_hinge;

const shut = low(hinge);
return { shut };
})();
export { m_hinge, m_door };
"""


def modules(folder: Path, **texts: str) -> Path:
    """A folder with modules of those names."""
    for name, text in texts.items():
        (folder / f"{name}.js").write_text(text)
    return folder


def test_a_module_stands_before_those_that_need_it(tmp_path: Path) -> None:
    assert linked(modules(tmp_path, main=MAIN, air=AIR), PARTS)["program.js"] == WANTED


def test_what_is_asked_for_later_takes_what_it_shares_from_the_first_part(tmp_path: Path) -> None:
    hinge = "export const hinge = 1;\n"
    both = linked(modules(tmp_path, main=LATER, air=AIR, door=DOOR, hinge=hinge), PARTS)
    assert both["program.js"].endswith(FIRST_OF_TWO)
    assert both["rest.js"] == SECOND_OF_TWO


LATER_LOW = 'import { low } from "./air.js";\n\nuse(low);\n'
COMMENTED = """/** Air. */

import { use } from "./ahead.js";

/**
 * How warm. @param {number} at
 */
export function low(at) {
  // It is asked for twice: `why` is told there.
  const path = "/api//air/**"; // stays
  return use(/** @type {any} */ (at), /** @type {{
   *   whole: number}} */ (path), "// no comment", `*/ none`);
}
"""
PLAIN = """const m_main = (() => { // main.js

const { use } = v0;

function low(at) {
  const path = "/api//air/**"; // stays
  return use((at), (path), "// no comment", `*/ none`);
}
return { low };
})();
"""


def test_comments_are_not_sent(tmp_path: Path) -> None:
    assert PLAIN in linked(modules(tmp_path, main=COMMENTED), PARTS)["program.js"]


def comments(text: str) -> set[tuple[int, int]]:
    """Where they are: whatever stands in texts, templates and regular expressions is none."""
    return {token.span for token in tokens(text) if token.kind == "comment"}


def sent_wrongly(text: str) -> list[str]:
    """What would be left out as a comment and is none."""
    true = comments(text)

    def bare(match: re.Match[str]) -> tuple[int, int]:
        whole = match[0]
        return match.end() - len(whole.lstrip()), match.start() + len(whole.rstrip())

    return [match[0] for match in COMMENT.finditer(text) if bare(match) not in true]


@pytest.mark.parametrize(
    ("text", "is_wrong"),
    [
        pytest.param("const a = `\n  // in a template\n`;\n", True, id="a template"),
        pytest.param("const a = `${[`b`]}\n  // in it\n`;\n", True, id="behind a nested one"),
        pytest.param('const a = "/** @type {x} */";\n', True, id="a text"),
        pytest.param("const a = `${() => {\n  // told\n  b();\n}}`;\n", False, id="code in one"),
        pytest.param("const a = /[`/]/;\n// told\nconst b = 1 / 2;\n", False, id="an expression"),
    ],
)
def test_what_only_looks_like_a_comment_is_found(text: str, is_wrong: bool) -> None:
    assert bool(sent_wrongly(text)) is is_wrong


def test_nothing_of_the_page_but_comments_is_left_out() -> None:
    texts = [path.read_text("utf-8") for path in (WEB / "js").glob("*.js")]
    assert [wrong for text in texts for wrong in sent_wrongly(text)] == []
    assert sum(len(comments(text)) for text in texts) > len(texts), "it has seen them"


def test_what_a_later_part_needs_is_asked_for_with_it(tmp_path: Path) -> None:
    texts = {
        "main": 'const door = () => import("./door.js");\n',
        "low": 'import plot from "../vendor/plot.js";\n\nexport const low = plot;\n',
        "door": 'import { low } from "./low.js";\n\nexport const door = low;\n',
    }
    parts = {"program.js": ("main.js",), "low.js": ("low.js",), "rest.js": ()}
    asked = 'import("./rest.js"), import("./low.js"), import("./vendor/plot.js")'
    wanted = f"Promise.all([{asked}]).then(([{{ m_door }}]) => m_door)"
    assert wanted in linked(modules(tmp_path, **texts), parts)["program.js"]


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        pytest.param(
            {"main": 'import { a } from "./b.js";\n', "b": 'import { c } from "./main.js";\n'},
            "it needs itself, by main.js and b.js",
            id="in a ring",
        ),
        pytest.param({"main": "\nexport { a };\n"}, "main.js, line 2", id="exported later"),
        pytest.param({"main": 'import "./b.js";\n'}, "main.js, line 1", id="for what it does"),
        pytest.param({"main": "export default 3;\n"}, "export default 3", id="without a name"),
        pytest.param({"main": "export let a = 3;\n"}, "export let", id="that may change"),
        pytest.param(
            {"main": 'import {\n  a } from "./b.js";\n'}, "can't be linked", id="on two lines"
        ),
        pytest.param(
            {"main": '\nconst b = await import("./b.js");\n'}, "main.js, line 2", id="asked for now"
        ),
    ],
)
def test_what_can_not_be_linked_is_refused_with_its_place(
    tmp_path: Path, texts: dict[str, str], said: str
) -> None:
    with pytest.raises(LinkError, match=re.escape(said)):
        linked(modules(tmp_path, **texts), PARTS)


def test_what_stays_awake_is_a_script_and_no_module(tmp_path: Path) -> None:
    at = modules(tmp_path, main=LATER_LOW, air="export const low = 3;\n")
    assert one_script(at, "main.js") == (
        "const m_air = (() => { // air.js\nconst low = 3;\nreturn { low };\n})();\n"
        "const m_main = (() => { // main.js\nconst { low } = m_air;\n\nuse(low);\n"
        "return {  };\n})();\n"
    )
    with pytest.raises(LinkError, match=r"main\.js: a script imports nothing"):
        one_script(modules(tmp_path, main=MAIN, air=AIR), "main.js")


def test_the_page_is_linked_whole_and_its_first_part_announced() -> None:
    parts = linked(WEB / "js")
    asked = {
        part: set(re.findall(r'^import .* from "\./(.*)";', text, re.M))
        for part, text in parts.items()
    }
    preact = {f"vendor/{name}.js" for name in ("preact", "preact-hooks", "htm")}
    assert asked["program.js"] == {*preact, "js/ahead.js"}
    assert asked["hour.js"] <= {*asked["program.js"], "program.js", "vendor/uplot.js"}
    for part, most in {"list.js": set(), "people.js": {"list.js"}, "setup.js": {"list.js"}}.items():
        assert asked[part] <= {*asked["program.js"], "program.js", *most}, f"{part} stays light"
    assert asked["past.js"] <= {*asked["program.js"], "program.js", "list.js"}, "words before lines"
    made = {name for text in parts.values() for name in re.findall(r"^const m_(\w+) =", text, re.M)}
    page = (WEB / "index.html").read_text()
    awake = re.findall(r"^const m_(\w+) =", one_script(WEB / "js", "worker.js"), re.M)
    assert awake == ["strings_worker", "units", "worker"], "what stays awake is light"
    left = {path.stem for path in (WEB / "js").glob("*.js")} - made - set(awake)
    assert left == {"ahead", "strings_strangers", "types"}, "each module is in one part"
    assert '<script type="module" src="/web/program.js">' in page
    told = re.findall(r'modulepreload" href="/web/(.*?)"', page)
    assert sorted(told) == sorted(preact), "what the first part needs is asked for with it"
