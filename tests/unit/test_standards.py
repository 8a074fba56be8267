"""The tables against two standards: nothing left out, nothing that isn't there is named."""

from __future__ import annotations

import ast
import re
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STATES = ("met", "in part", "not met", "not applicable")

# How many provisions each section of ETSI EN 303 645 V2.1.1 has.
ETSI = {
    "4": 1, "5.1": 5, "5.2": 3, "5.3": 16, "5.4": 4, "5.5": 8, "5.6": 9, "5.7": 2, "5.8": 3,
    "5.9": 3, "5.10": 1, "5.11": 4, "5.12": 3, "5.13": 1, "6": 5,
}  # fmt: skip

# Requirements of OWASP ASVS 4.0.3 at level 1 or 2, by section.
ASVS = """
1.1: 1 2 3 4 5 6 7; 1.2: 1 2 3 4; 1.4: 1 4 5; 1.5: 1 2 3 4; 1.6: 1 2 3 4; 1.7: 1 2; 1.8: 1 2
1.9: 1 2; 1.10: 1; 1.11: 1 2; 1.12: 2; 1.14: 1 2 3 4 5 6
2.1: 1 2 3 4 5 6 7 8 9 10 11 12; 2.2: 1 2 3; 2.3: 1 2 3; 2.4: 1 2 3 4 5; 2.5: 1 2 3 4 5 6 7
2.6: 1 2 3; 2.7: 1 2 3 4 5 6; 2.8: 1 2 3 4 5 6 7; 2.9: 1 2 3; 2.10: 1 2 3 4
3.1: 1; 3.2: 1 2 3 4; 3.3: 1 2 3 4; 3.4: 1 2 3 4 5; 3.5: 1 2 3; 3.7: 1
4.1: 1 2 3 5; 4.2: 1 2; 4.3: 1 2 3
5.1: 1 2 3 4 5; 5.2: 1 2 3 4 5 6 7 8; 5.3: 1 2 3 4 5 6 7 8 9 10; 5.4: 1 2 3; 5.5: 1 2 3 4
6.1: 1 2 3; 6.2: 1 2 3 4 5 6; 6.3: 1 2; 6.4: 1 2
7.1: 1 2 3 4; 7.2: 1 2; 7.3: 1 3 4; 7.4: 1 2 3
8.1: 1 2 3 4; 8.2: 1 2 3; 8.3: 1 2 3 4 5 6 7 8; 9.1: 1 2 3; 9.2: 1 2 3 4
10.2: 1 2; 10.3: 1 2 3; 11.1: 1 2 3 4 5 6 7 8
12.1: 1 2 3; 12.2: 1; 12.3: 1 2 3 4 5 6; 12.4: 1 2; 12.5: 1 2; 12.6: 1
13.1: 1 3 4 5; 13.2: 1 2 3 5 6; 13.3: 1 2; 13.4: 1 2
14.1: 1 2 3 4; 14.2: 1 2 3 4 5 6; 14.3: 2 3; 14.4: 1 2 3 4 5 6 7; 14.5: 1 2 3 4
"""


def table(head: str) -> list[list[str]]:
    """The rows of the table on the developers' page whose head begins so."""
    page = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    [found] = re.findall(rf"^\| {head} \|.*\n\|[-|]+\n((?:\|.*\n)+)", page, re.MULTILINE)
    return [
        [cell.strip() for cell in line.strip().strip("|").split("|")]
        for line in str(found).splitlines()
    ]


ROWS = [
    pytest.param(row, id=f"{name} {row[0]}")
    for name, head in (("EN", "provision"), ("ASVS", "requirement"))
    for row in table(head)
]


def test_each_provision_has_a_row_and_a_reason() -> None:
    named = Counter(each for row in table("provision") for each in row[0].split(", "))
    wanted = {
        f"{section}-{number}" for section, most in ETSI.items() for number in range(1, most + 1)
    }
    assert len(wanted) == 68  # 33 that shall be met and 35 that should
    assert named == Counter(wanted)


def test_each_requirement_has_one_row() -> None:
    sections = {
        section.strip(): numbers.split()
        for part in ASVS.replace("\n", ";").split(";")
        if part.strip()
        for section, _, numbers in [part.partition(":")]
    }
    wanted = {f"{section}.{each}" for section, numbers in sections.items() for each in numbers}
    assert len(wanted) == 259
    named: Counter[str] = Counter()
    for row in table("requirement"):
        for each in row[0].split(", "):
            named.update([f"{each}.{number}" for number in sections.get(each, [])] or [each])
    assert named == Counter(wanted)


@cache
def written_in(path: Path) -> frozenset[str]:
    """The names of all tests in a file."""
    return frozenset(
        node.name
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    )


@pytest.mark.parametrize("row", ROWS)
def test_a_row_says_how_or_why_not_and_what_shows_it_is_there(row: list[str]) -> None:
    _, state, how, shown = row
    assert state in STATES
    assert len(how.split()) >= 3 or re.fullmatch(r"As [\d.]+\.", how)
    if state in ("met", "in part"):
        assert shown != "none", "what is said to be met has to be shown"
    for word in re.findall(r"`([^`]+)`", shown):
        path, _, test = word.partition("::")
        assert (ROOT / path).is_file(), path
        if test:
            assert test in written_in(ROOT / path), f"{path} has no {test}"
    assert shown == "none" or "`" in shown
    for word in re.findall(r"`([\w./-]+/[\w.-]+)`", how):
        assert (ROOT / word).exists() or word == "/sign-in", word


def test_what_is_named_there_would_be_missed() -> None:
    assert "test_each_requirement_has_one_row" in written_in(Path(__file__))
    assert "test_that_nobody_wrote" not in written_in(Path(__file__))
