"""Another board is known to be well, or an alarm says that nobody knows."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.sensing.neighbours import LARGEST_BYTES, NOTHING, Neighbour

WELL = b'{"status": "ok", "watching": true}'
IMPAIRED = b'{"status": "impaired"}'
STANDS_STILL = b'{"status": "impaired", "watching": false}'
LOST = b'{"status": "impaired", "watching": false, "lost": true}'


def told(beats: dict[int, bytes], until_s: int) -> list[tuple[int, bool, str]]:
    """What is told, and when, of a board whose heartbeats come at these seconds."""
    now_s, found = 0, list[tuple[int, bool, str]]()
    neighbour = Neighbour(lambda active, why: found.append((now_s, active, why)), silent_after_s=60)
    for now_s in range(until_s):
        if now_s in beats:
            neighbour.hear(beats[now_s])
        neighbour.check(float(now_s))
    return found


def every(step_s: int, until_s: int, body: bytes = WELL) -> dict[int, bytes]:
    return dict.fromkeys(range(0, until_s, step_s), body)


@pytest.mark.parametrize(
    ("beats", "expected"),
    [
        pytest.param(every(20, 300), [(0, False, "")], id="well all the time"),
        pytest.param({}, [(61, True, NOTHING)], id="never heard"),
        pytest.param(every(20, 300, IMPAIRED), [(0, False, "")], id="impaired, but it watches"),
        pytest.param(
            every(20, 101) | every(20, 300, STANDS_STILL) | every(20, 101),
            [(0, False, ""), (161, True, "it says that its watch stands still")],
            id="its watch stands still: 60 s after it was last well, at 100",
        ),
        pytest.param(
            every(20, 81) | dict.fromkeys(range(200, 300, 20), WELL),
            [(0, False, ""), (141, True, NOTHING), (200, False, "")],
            id="silent for two minutes, then back",
        ),
        pytest.param(
            every(20, 81) | {100: STANDS_STILL} | dict.fromkeys(range(120, 300, 20), WELL),
            [(0, False, "")],
            id="it was started anew, which is no news",
        ),
        pytest.param(
            every(20, 300, b"hello"),
            [(61, True, "what it says is no heartbeat")],
            id="somebody else answers there",
        ),
        pytest.param(
            every(20, 300, b"[" * 5000),
            [(61, True, "what it says is no heartbeat")],
            id="nested beyond reading",
        ),
        pytest.param(
            every(20, 300, b" " * LARGEST_BYTES + WELL),
            [(61, True, "what it says is too long to be a heartbeat")],
            id="huge",
        ),
        pytest.param(
            every(20, 300, LOST),
            [(61, True, "the broker has lost touch with it")],
            id="what the broker says when the connection breaks",
        ),
        pytest.param(
            every(20, 300, b'{"status": "ok", "watching": "yes"}'),
            [(61, True, "it says that its watch stands still")],
            id="only true is true",
        ),
    ],
)
def test_what_is_told_of_a_board(
    beats: dict[int, bytes], expected: list[tuple[int, bool, str]]
) -> None:
    assert told(beats, 300) == expected


@given(st.binary(max_size=200) | st.from_type(object).map(lambda x: json.dumps(str(x)).encode()))
def test_no_heartbeat_breaks_the_listening(body: bytes) -> None:
    assert told(every(20, 100, body), 100)[-1][1] is True


@given(st.sets(st.integers(0, 400)))
def test_it_is_told_to_be_silent_just_when_it_is(seconds: set[int]) -> None:
    """At any second: not well is told exactly when the last good heartbeat is over 60 s old."""
    found = told(dict.fromkeys(seconds, WELL), 401)
    for now_s in range(401):
        last_s = max((s for s in seconds if s <= now_s), default=0)
        state = [active for at_s, active, _ in found if at_s <= now_s]
        assert (state[-1] if state else False) is (now_s - last_s > 60)
