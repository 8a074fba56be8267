"""When an address is tried again, whose turn it is, and what a flood becomes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alerts.circuit import Circuit, CircuitState, Patience
from stillair.alerts.pacing import Bucket, Pace, Pacing, Waiting, presses, superseded
from stillair.alerts.routes import Message
from stillair.model import Kind

CAPTAIN = "mailto:captain@shed.example"
COX = "mailto:cox@shed.example"
BEGAN_AT = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)
CLOSED, OPEN, HALF_OPEN = CircuitState.CLOSED, CircuitState.OPEN, CircuitState.HALF_OPEN
SURE = 0.0  # of the chance by which pauses are shortened


def word(
    key: str,
    stage: str = "raised",
    at_s: float = 0.0,
    *,
    kind: Kind = Kind.DOOR_OPEN,
    priority: str = "medium",
    alarm: str | None = "bench-1",
    route: str = CAPTAIN,
    tries: int = 0,
) -> Message:
    return Message(
        key=key,
        route=route,
        title=key,
        text=key,
        created_at=BEGAN_AT + timedelta(seconds=at_s),
        alarm=alarm,
        priority=priority,
        tries=tries,
        kind=kind.value,
        stage=stage,
    )


def fire(key: str, stage: str = "raised", at_s: float = 0.0, **more: object) -> Message:
    made = word(key, stage, at_s, kind=Kind.FIRE, priority="critical", alarm="bench-2")
    return replace(made, **more)  # type: ignore[arg-type]  # only fields of Message


# --- the circuit --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("failures", "pressing", "pause_s"),
    [
        pytest.param(1, False, 5.0, id="first"),
        pytest.param(3, False, 20.0, id="doubles"),
        pytest.param(8, False, 600.0, id="5 s x 128 is more than the longest"),
        pytest.param(10**9, False, 600.0, id="for ever"),
        pytest.param(2, True, 10.0, id="presses: doubles as well"),
        pytest.param(4, True, 30.0, id="presses: 40 s is too long"),
        pytest.param(10**9, True, 30.0, id="presses: for ever"),
    ],
)
def test_the_pause_after_so_many_failures(failures: int, pressing: bool, pause_s: float) -> None:
    assert Patience().pause_s(failures, SURE, pressing=pressing) == pause_s
    assert Patience().pause_s(failures, 1.0, pressing=pressing) == pause_s * 0.75


@pytest.mark.parametrize(
    ("wait_s", "pressing", "asked_s"),
    [
        pytest.param(None, False, 0.0, id="asks for nothing"),
        pytest.param(120.0, False, 120.0, id="is given"),
        pytest.param(86_400.0, False, 1800.0, id="a day is too much"),
        pytest.param(120.0, True, 30.0, id="a danger waits no longer than that"),
        pytest.param(-5.0, False, 0.0, id="before now"),
        pytest.param(math.nan, False, 0.0, id="no number"),
        pytest.param(math.inf, False, 1800.0, id="for ever"),
    ],
)
def test_a_server_is_left_alone_for_as_long_as_it_asks_within_bounds(
    wait_s: float | None, pressing: bool, asked_s: float
) -> None:
    assert Patience().asked_s(wait_s, pressing=pressing) == asked_s
    circuit = Circuit(Patience())
    circuit.failed(0.0, pressing=False, chance=SURE, wait_s=wait_s)
    least_s = 5.0 if not pressing else 0.0  # the pause of a first failure is the other's
    assert max(circuit.again_s(pressing=pressing), 0.0) == max(least_s, asked_s)


@pytest.mark.parametrize(
    ("failed_s", "now_s", "state", "pressing_state"),
    [
        pytest.param((), 0.0, CLOSED, CLOSED, id="never tried"),
        pytest.param((0.0, 5.0), 6.0, CLOSED, CLOSED, id="two failures"),
        pytest.param((0.0, 5.0, 15.0), 34.9, OPEN, HALF_OPEN, id="three: open, but for a danger"),
        pytest.param((0.0, 5.0, 15.0), 35.0, HALF_OPEN, HALF_OPEN, id="20 s later: one try"),
        pytest.param((0.0, 5.0, 15.0, 35.0), 74.9, OPEN, HALF_OPEN, id="it failed: 40 s"),
    ],
)
def test_the_circuit_opens_and_half_opens(
    failed_s: tuple[float, ...], now_s: float, state: CircuitState, pressing_state: CircuitState
) -> None:
    circuit = Circuit(Patience())
    for at_s in failed_s:
        circuit.failed(at_s, pressing=False, chance=SURE)
    assert circuit.state(now_s) is state
    assert circuit.state(now_s, pressing=True) is pressing_state
    assert circuit.worked() is (state is not CLOSED)
    assert circuit.state(now_s) is CLOSED


def test_a_danger_that_fails_puts_off_another_danger_for_5_s_and_nothing_else() -> None:
    circuit = Circuit(Patience())
    for at_s in (0.0, 30.0, 60.0):
        circuit.failed(at_s, pressing=True, chance=SURE)
    assert circuit.state(64.9, pressing=True) is OPEN
    assert circuit.state(65.0, pressing=True) is HALF_OPEN
    assert circuit.state(60.0) is HALF_OPEN


# --- the bucket ---------------------------------------------------------------------


def test_a_burst_goes_and_then_one_in_ten_seconds() -> None:
    bucket = Bucket(burst=3, every_s=10.0)
    went_s = []
    now_s = 100.0
    for _ in range(6):
        now_s = max(now_s, bucket.free_s())
        bucket.take(now_s)
        went_s.append(now_s)
    assert went_s == [100.0, 100.0, 100.0, 110.0, 120.0, 130.0]
    assert bucket.free_s() == 140.0
    bucket.take(1000.0)  # long rested
    assert bucket.free_s() <= 1000.0


def test_what_presses_fills_the_bucket_and_no_more() -> None:
    bucket = Bucket(burst=3, every_s=10.0)
    for _ in range(50):
        bucket.take(0.0)
    assert bucket.free_s() == 10.0


# --- what a flood becomes -------------------------------------------------------------


@pytest.mark.parametrize(
    ("waiting", "left"),
    [
        pytest.param([word("a")], ["a"], id="alone"),
        pytest.param([word("a"), word("b", "still", 180)], ["b"], id="the newest word"),
        pytest.param(
            [word("a"), word("b", "still", 180), word("c", "over", 200)],
            ["c"],
            id="over: whether an unanswered try arrived nobody knows, so it is told",
        ),
        pytest.param([word("a"), word("b", "over", 50), word("c", "raised", 90)], ["c"], id="anew"),
        pytest.param([word("a"), word("b", "still", 9, route=COX)], ["a", "b"], id="other address"),
        pytest.param([word("a"), word("b", at_s=9, alarm="bench-7")], ["a", "b"], id="other alarm"),
        pytest.param(
            [word("a", alarm=None), word("b", at_s=9, alarm=None)], ["a", "b"], id="no alarm"
        ),
        pytest.param([word("a", "test"), word("b", at_s=9)], ["a", "b"], id="another kind of word"),
        pytest.param([word("a"), word("b", "changed")], ["a", "b"], id="of the same moment"),
        pytest.param(
            [fire("a"), fire("b", "still", 120), fire("c", "still", 240)],
            ["a", "c"],
            id="danger: only repeats are left out",
        ),
        pytest.param(
            [fire("a"), fire("b", "changed", 5), fire("c", "still", 9), fire("d", "over", 99)],
            ["a", "b", "d"],
            id="danger: what became of it is told",
        ),
        pytest.param(
            [
                word("a", kind=Kind.ATTENDANCE_OVERDUE, priority="high"),
                word("b", "still", 180, kind=Kind.ATTENDANCE_OVERDUE, priority="high"),
            ],
            ["a", "b"],
            id="nobody there: as a danger",
        ),
    ],
)
def test_what_waits_is_told_in_its_newest_words(waiting: list[Message], left: list[str]) -> None:
    overtaken = superseded(waiting)
    assert [each.key for each in waiting if each.key not in overtaken] == left


@pytest.mark.parametrize(
    ("message", "told"),
    [
        pytest.param(word("a"), False, id="door"),
        pytest.param(word("a", kind=Kind.HEAT_LOST, priority="high"), False, id="high, no danger"),
        pytest.param(word("a", kind=Kind.SMOKE, priority="high"), True, id="danger"),
        pytest.param(word("a", kind=Kind.ATTENDANCE_OVERDUE, priority="high"), True, id="nobody"),
        pytest.param(word("a", priority="critical"), True, id="critical, whatever it is"),
    ],
)
def test_which_messages_press(message: Message, told: bool) -> None:
    assert presses(message) is told


# --- whose turn it is -----------------------------------------------------------------


def waits(*messages: Message) -> list[Waiting]:
    return [Waiting(message, stored=True) for message in messages]


@pytest.mark.parametrize(
    ("messages", "chosen"),
    [
        pytest.param([word("a", priority="low"), word("b", priority="high")], "b", id="urgent"),
        pytest.param([word("a", priority="critical"), fire("b", at_s=9)], "a", id="then the older"),
        pytest.param(
            [word("a", kind=Kind.HEAT_LOST, priority="high"), fire("b", priority="high")],
            "b",
            id="a danger before what is as urgent",
        ),
        pytest.param([word("a", tries=3), word("b", at_s=9)], "b", id="then the less tried"),
        pytest.param(
            [fire("a", "test", alarm=None), fire("b", at_s=9, priority="high")],
            "b",
            id="what is real before a test",
        ),
        pytest.param([fire("a", tries=9), fire("b", "over", 9)], "a", id="over is never first"),
        pytest.param([fire("a", "over", 1), fire("b", "raised", 9)], "a", id="over, and then anew"),
    ],
)
def test_whose_turn_it_is(messages: list[Message], chosen: str) -> None:
    turn, _ = Pace(Pacing()).choose(waits(*messages), 0.0)
    assert turn is not None
    assert turn.message.key == chosen


def test_an_end_waits_for_its_beginning_though_that_has_to_wait() -> None:
    pace = Pace(Pacing())
    began, over = waits(fire("a"), fire("b", "over", 60.0))
    pace.begun(0.0)
    pace.failed(began, 0.0, chance=SURE)
    assert pace.choose([began, over], 4.9) == (None, 5.0)
    assert pace.choose([began, over], 5.0) == (began, math.inf)
    assert pace.choose([over], 5.0) == (over, math.inf)


def test_a_message_that_is_refused_again_and_again_holds_up_no_other() -> None:
    pace = Pace(Pacing())
    refused, other = waits(word("a", priority="high"), word("b"))
    went = []
    now_s = 0.0
    waiting = [refused, other]
    while other in waiting:
        turn, next_s = pace.choose(waiting, now_s)
        if turn is None:
            now_s = next_s
            continue
        pace.begun(now_s)
        went.append(turn.message.key)
        if turn is refused:
            pace.failed(turn, now_s, chance=SURE)
        else:
            pace.arrived(waiting)
            waiting.remove(turn)
    assert went == ["a", "b"]
    assert (now_s, refused.not_before_s) == (5.0, 5.0)
    turn, _ = pace.choose(waiting, now_s)
    assert turn is refused
    pace.failed(turn, now_s, chance=SURE)
    assert refused.not_before_s == 15.0, "its own pauses grow while others arrive"


def test_once_a_dead_address_works_all_that_waits_goes_by_urgency() -> None:
    pace = Pace(Pacing())
    waiting = waits(word("a", priority="low"), word("b", priority="high"), word("c"))
    now_s = 0.0
    for _ in range(30):
        turn, next_s = pace.choose(waiting, now_s)
        if turn is None:
            now_s = next_s
            turn, _ = pace.choose(waiting, now_s)
        assert turn is not None
        pace.begun(now_s)
        pace.failed(turn, now_s, chance=SURE)
    first, _ = pace.choose(waiting, now_s + 600.0)
    assert first is not None
    pace.begun(now_s + 600.0)
    waiting.remove(first)
    pace.arrived(waiting)
    order = []
    while waiting:
        turn, _ = pace.choose(waiting, now_s + 600.0)
        assert turn is not None, "none has to wait for a pause of its own any more"
        pace.begun(now_s + 600.0)
        order.append(turn.message.priority)
        waiting.remove(turn)
    assert order == sorted(order, key=["high", "medium", "low"].index)


# --- properties: any flood, over any outage ---------------------------------------------

STAGES = ("raised", "changed", "still", "over")
messages = st.builds(
    lambda n, danger, stage, alarm, at_s: (fire if danger else word)(
        f"m{n}", stage, float(at_s), alarm=f"bench-{alarm}"
    ),
    st.integers(0, 10**9),
    st.booleans(),
    st.sampled_from(STAGES),
    st.integers(0, 5),
    st.integers(0, 900),
)
TRY_S = 20.0  # as long as a try may take


def play(
    flood: Sequence[Message], outages: Sequence[tuple[float, float]], chance: float
) -> tuple[list[tuple[float, Message, bool]], set[str]]:
    """What one address is sent: when, what, and whether it arrived; and what was superseded."""
    pace = Pace(Pacing())
    coming = sorted(flood, key=lambda m: m.created_at)
    waiting: list[Waiting] = []
    tries: list[tuple[float, Message, bool]] = []
    overtaken: set[str] = set()
    now_s = 0.0
    while coming or waiting:
        while coming and (coming[0].created_at - BEGAN_AT).total_seconds() <= now_s:
            waiting.append(Waiting(coming.pop(0), stored=True))
        gone = superseded(each.message for each in waiting)
        overtaken |= gone
        waiting = [each for each in waiting if each.message.key not in gone]
        turn, next_s = pace.choose(waiting, now_s)
        if turn is None:
            soon_s = (coming[0].created_at - BEGAN_AT).total_seconds() if coming else math.inf
            assert min(next_s, soon_s) > now_s, "it never spins"
            now_s = min(next_s, soon_s)
            continue
        dead = any(begin <= now_s < end for begin, end in outages)
        pace.begun(now_s)
        tries.append((now_s, turn.message, not dead))
        if dead:
            now_s += TRY_S
            pace.failed(turn, now_s, chance=chance)
        else:
            waiting.remove(turn)
            pace.arrived(waiting)
        assert len(tries) < 10_000, "it ends"
    return tries, overtaken


floods = st.lists(messages, max_size=60, unique_by=lambda m: m.key)
outages = st.lists(
    st.tuples(st.floats(0, 2000), st.floats(1, 4000)).map(lambda t: (t[0], t[0] + t[1])), max_size=3
)


@given(floods, outages, st.floats(0, 1))
def test_every_message_ends_arrived_or_superseded_once(
    flood: list[Message], outages: list[tuple[float, float]], chance: float
) -> None:
    tries, overtaken = play(flood, outages, chance)
    arrived = [message.key for _, message, went in tries if went]
    assert len(arrived) == len(set(arrived))
    assert set(arrived) | overtaken == {message.key for message in flood}
    assert not set(arrived) & overtaken
    assert all(m.key in arrived for m in flood if presses(m) and m.stage != "still")


@given(floods, outages, st.floats(0, 1), st.floats(1, 600))
def test_never_more_than_somebody_can_read(
    flood: list[Message], outages: list[tuple[float, float]], chance: float, window_s: float
) -> None:
    tries, _ = play(flood, outages, chance)
    went_s = [at_s for at_s, message, went in tries if went and not presses(message)]
    for begin_s in went_s:
        within = [t_s for t_s in went_s if begin_s <= t_s < begin_s + window_s]
        assert len(within) <= 10 + window_s / 10.0 + 1e-6


@given(floods, outages, st.floats(0, 1))
def test_while_a_danger_waits_its_address_is_tried_every_half_minute(
    flood: list[Message], outages: list[tuple[float, float]], chance: float
) -> None:
    danger = fire("the fire", at_s=450.0, alarm="bench-99")
    tries, _ = play([*flood, danger], outages, chance)
    free_s = 450.0
    for tried_s, message, went in tries:
        ended_s = tried_s if went else tried_s + TRY_S
        if ended_s > 450.0:
            assert tried_s - max(free_s, 450.0) <= 30.0
        free_s = ended_s
        if message.key == danger.key and went:
            break


@given(floods, st.floats(0, 900))
def test_a_danger_goes_in_the_same_moment_where_nothing_fails(
    flood: list[Message], at_s: float
) -> None:
    tries, _ = play([*flood, fire("the fire", at_s=at_s, alarm="bench-99")], [], SURE)
    (went_s,) = (tried_s for tried_s, message, _ in tries if message.key == "the fire")
    assert went_s == pytest.approx(at_s, abs=1e-5)
