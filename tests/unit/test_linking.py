"""The modules of the page as one program: in order, by name, and refused where it can't be."""

from __future__ import annotations

import gzip
import os
import re
from pathlib import Path

import pytest

from stillair.api.linking import Linked, LinkError, linked

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
WANTED = """import * as v0 from "/web/vendor/uplot.js";
import * as v1 from "/web/js/ahead.js";
import * as v2 from "/web/vendor/preact-hooks.js";
const m0 = (() => { // air.js
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
const m1 = (() => { // main.js
const { useState: use } = v2;
const { low, Sensor } = m0;
const { early } = v1;

use(low(new Sensor()), early);
return {  };
})();
"""


def modules(folder: Path, **texts: str) -> Path:
    """A folder with modules of those names."""
    for name, text in texts.items():
        (folder / f"{name}.js").write_text(text)
    return folder


def test_a_module_stands_before_those_that_need_it(tmp_path: Path) -> None:
    assert linked(modules(tmp_path, main=MAIN, air=AIR)) == WANTED


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
    ],
)
def test_what_can_not_be_linked_is_refused_with_its_place(
    tmp_path: Path, texts: dict[str, str], said: str
) -> None:
    with pytest.raises(LinkError, match=re.escape(said)):
        linked(modules(tmp_path, **texts))


def test_it_is_linked_again_once_a_module_has_changed(tmp_path: Path) -> None:
    both = Linked(modules(tmp_path, main=MAIN, air=AIR))
    first = both.program()
    assert both.program() is first
    (tmp_path / "air.js").write_text(AIR.replace("HIGHEST = 3", "HIGHEST = 4"))
    os.utime(tmp_path / "air.js", ns=(1, 1))
    second = both.program()
    assert second.tag != first.tag
    assert b"HIGHEST = 4" in second.text
    assert gzip.decompress(second.packed) == second.text


def test_the_page_is_linked_whole_and_asks_for_nothing_else() -> None:
    text = linked(WEB / "js")
    assert text.count("\nconst m") > 80
    named = set(re.findall(r'^import \* as \w+ from "(.*)";', text, re.M))
    assert named == {
        *(f"/web/vendor/{name}.js" for name in ("preact", "preact-hooks", "htm", "uplot")),
        "/web/js/ahead.js",
    }
    page = (WEB / "index.html").read_text()
    assert '<script type="module" src="/web/program.js">' in page
    told = set(re.findall(r'modulepreload" href="(.*?)"', page))
    assert told <= named
