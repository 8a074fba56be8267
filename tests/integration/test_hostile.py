"""Whatever is asked of a real service, by whomever: a documented answer, within their rights.

The long version, for minutes: tests/bench/hostile.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from hostile import EVERYBODY, PERSON, Attacked, attacked

# The same requests in each check: every edge of every form once, and a few at random.
EDGES = ("--phases", "coverage,fuzzing", "--max-examples", "2")
FEW = ("--phases", "fuzzing", "--max-examples", "1")
RUNS: dict[str, tuple[str, ...]] = {
    who: EDGES if who in ("stranger", "operator", "owner") else FEW for who in EVERYBODY
}
RUNS[PERSON] = ("--include-path-regex", "/api/session", *EDGES)
SAME = ("--seed", "17", "--no-shrink", "--exclude-path", "/api/live")  # a stream has no end


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Attacked]:
    with attacked(tmp_path_factory.mktemp("hostile")) as running:
        yield running


@pytest.mark.parametrize("who", EVERYBODY)
def test_schemathesis_finds_nothing(service: Attacked, who: str, tmp_path: Path) -> None:
    found = service.run(who, *SAME, *RUNS[who], cwd=tmp_path)
    assert found.requests > 40
    assert not found.words, found.words
    assert service.lets_in(who)
    assert not service.defects()
