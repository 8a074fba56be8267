"""The courier's patience, on an outbox in memory and routes that do as they are told."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.alerts.courier import Courier, CourierPlan
from stillair.alerts.faults import EVERY_ROUTE, STARVED_S
from stillair.alerts.routes import Due, Message, Route, route_for
from stillair.clock import Clock, ManualClock, SystemClock
from stillair.errors import DeliveryError, StoreError
from stillair.model import Kind, Notice, Priority

CAPTAIN = "mailto:captain@shed.example"
COX = "mailto:cox@shed.example"
QUICK = CourierPlan(
    first_pause_s=0.01, longest_pause_s=0.02, idle_s=0.02, try_s=5.0, burst=1000, every_s=0.01
)
LONG_AGO = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)


def message(key: str, route: str = CAPTAIN, priority: str = "medium", **more: object) -> Message:
    made = Message(
        key, route, f"title {key}", f"text {key}", datetime.now(UTC), "bench-1", priority
    )
    return replace(made, **more)  # type: ignore[arg-type]  # only fields of Message


@dataclass
class MemoryOutbox:
    """Rows as a journal keeps them; `broken` makes every call fail."""

    rows: dict[str, Message] = field(default_factory=dict)
    outcomes: list[tuple[str, bool, str]] = field(default_factory=list)
    lost: set[str] = field(default_factory=set)
    superseded: list[str] = field(default_factory=list)
    broken: bool = False
    deaf: bool = False  # can be read, but keeps nothing
    lock: threading.Lock = field(default_factory=threading.Lock)

    def put(self, *messages: Message) -> None:
        with self.lock:
            for each in messages:
                self.rows[each.key] = each

    def waiting_notices(self, limit: int) -> list[Message]:
        if self.broken:
            raise StoreError("the disk is full")
        with self.lock:
            return list(self.rows.values())[:limit]

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        if self.broken or self.deaf:
            raise StoreError("the disk is full")
        with self.lock:
            self.outcomes.append((key, sent, outcome))
            if next_try_at is not None:
                self.rows[key] = replace(self.rows[key], tries=self.rows[key].tries + 1)
            else:
                del self.rows[key]
                if not sent:
                    self.lost.add(key)

    def record_superseded(self, key: str) -> None:
        if self.broken or self.deaf:
            raise StoreError("the disk is full")
        with self.lock:
            del self.rows[key]
            self.superseded.append(key)


@dataclass
class ToldRoute:
    """A route that does what `answer` says: return, raise, or wait for `release`."""

    answer: Callable[[Due], None] = lambda _: None
    sent: list[Due] = field(default_factory=list)
    tried: list[str] = field(default_factory=list)
    closed: bool = False
    at_once: int = 0
    most_at_once: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def send(self, message: Due) -> None:
        with self.lock:
            self.tried.append(message.key)
            self.at_once += 1
            self.most_at_once = max(self.most_at_once, self.at_once)
        try:
            self.answer(message)
            self.sent.append(message)
        finally:
            with self.lock:
                self.at_once -= 1

    def close(self) -> None:
        self.closed = True


@dataclass
class Post:
    """A courier with everything around it."""

    outbox: MemoryOutbox = field(default_factory=MemoryOutbox)
    route: ToldRoute = field(default_factory=ToldRoute)
    troubles: list[tuple[str, bool, str]] = field(default_factory=list)
    plan: CourierPlan = QUICK
    clock: Clock = field(default_factory=SystemClock)
    link_for: Callable[[Due], str | None] = lambda _due: None

    def __post_init__(self) -> None:
        self.courier = Courier(
            self.outbox,
            {"mailto": self.route},
            clock=self.clock,
            chance=lambda: 0.5,
            on_trouble=lambda *told: self.troubles.append(told),
            plan=self.plan,
            link_for=self.link_for,
        )

    @asynccontextmanager
    async def at_work(self) -> AsyncIterator[None]:
        task = asyncio.create_task(self.courier.run())
        try:
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(10):
            while not condition():  # noqa: ASYNC110 - conditions of many kinds
                await asyncio.sleep(0.005)

    @property
    def texts(self) -> list[str]:
        return [each.key for each in self.route.sent]


def refuses(*, retry: bool) -> Callable[[Due], None]:
    def answer(message: Due) -> None:
        raise DeliveryError(message.route, "not now" if retry else "no such box", retry=retry)

    return answer


def waits(release: threading.Event) -> Callable[[Due], None]:
    def answer(_: Due) -> None:
        assert release.wait(10)

    return answer


@pytest.mark.parametrize(
    ("failures", "pause_s"),
    [(1, 5.0), (2, 10.0), (3, 20.0), (7, 320.0), (8, 600.0), (500, 600.0), (10**9, 600.0)],
)
def test_pauses_double_up_to_ten_minutes(failures: int, pause_s: float) -> None:
    assert CourierPlan().pause_s(failures, 0.0) == pause_s
    assert CourierPlan().pause_s(failures, 1.0) == pause_s * 0.75


@given(st.integers(0, 10**6), st.floats(0, 1))
def test_a_pause_is_never_nothing_and_never_for_ever(failures: int, chance: float) -> None:
    assert 3.75 <= CourierPlan().pause_s(failures, chance) <= 600.0


async def test_everything_due_is_sent_once_and_recorded() -> None:
    post = Post()
    post.outbox.put(*(message(f"m{n}", (CAPTAIN, COX)[n % 2]) for n in range(20)))
    async with post.at_work():
        await post.until(lambda: not post.outbox.rows)
    assert sorted(post.texts) == sorted(f"m{n}" for n in range(20))
    assert all(sent for _, sent, _ in post.outbox.outcomes)
    assert post.route.closed


@pytest.mark.parametrize("stored", [True, False], ids=["in the outbox", "handed over"])
async def test_what_is_taken_back_never_goes_and_nothing_else_waits(stored: bool) -> None:
    post = Post()
    release = threading.Event()
    post.route.answer = waits(release)
    tests = [message(f"test:a:{n}", priority="critical", stage="test") for n in range(3)]
    (post.outbox.put if stored else lambda *them: post.courier.hand(them))(*tests)
    async with post.at_work():
        await post.until(lambda: len(post.route.tried) == 1)
        await post.until(lambda: len(post.courier.tray.of(CAPTAIN)) == 3)
        post.courier.withdraw("test:a:")
        post.courier.hand([message("test:over:a:1", priority="critical")])
        post.outbox.put(message("fire", priority="critical"))
        post.courier.wake()
        release.set()
        await post.until(lambda: {"test:over:a:1", "fire"} <= set(post.texts))
        await post.until(lambda: not post.outbox.rows)
    assert set(post.texts) == {"test:a:0", "test:over:a:1", "fire"}, "the first was under way"


async def test_the_most_urgent_goes_first() -> None:
    post = Post()
    for key, priority in {"d": "low", "c": "medium", "a": "critical", "b": "high"}.items():
        post.outbox.put(message(key, priority=priority))
    async with post.at_work():
        await post.until(lambda: not post.outbox.rows)
    assert post.texts == ["a", "b", "c", "d"]


async def test_what_comes_later_is_sent_when_the_courier_is_woken() -> None:
    post = Post(plan=replace(QUICK, idle_s=3600.0))
    async with post.at_work():
        await asyncio.sleep(0.05)  # it has looked and found nothing
        post.outbox.put(message("late"))
        threading.Thread(target=post.courier.wake).start()  # from another thread
        await post.until(lambda: post.texts == ["late"])


async def test_a_failure_is_tried_again_until_it_arrives() -> None:
    post = Post()
    post.route.answer = refuses(retry=True)
    post.outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: len(post.route.tried) >= 4)
        post.route.answer = lambda _: None
        await post.until(lambda: not post.outbox.rows)
    assert post.texts == ["m"]
    outcomes = [sent for _, sent, _ in post.outbox.outcomes]
    assert outcomes == [False] * (len(outcomes) - 1) + [True], "each try with its outcome"
    assert len(outcomes) == len(post.route.tried)


async def test_what_can_never_arrive_is_given_up_and_told() -> None:
    post = Post()
    post.route.answer = refuses(retry=False)
    post.outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: post.outbox.lost == {"m"})
        await asyncio.sleep(0.05)
    assert post.route.tried == ["m"]
    assert post.troubles == [(CAPTAIN, True, "no such box")]


@pytest.mark.parametrize(
    ("priority", "tries"),
    [
        pytest.param("low", 3, id="not for ever"),
        pytest.param("critical", 5, id="longer where it presses"),
    ],
)
async def test_how_often_a_message_is_tried(priority: str, tries: int) -> None:
    post = Post(plan=replace(QUICK, most_tries=3, most_tries_pressing=5))
    post.route.answer = refuses(retry=True)
    post.outbox.put(message("m", priority=priority))
    async with post.at_work():
        await post.until(lambda: post.outbox.lost == {"m"})
    assert len(post.route.tried) == tries


async def test_a_route_in_trouble_is_told_once_and_so_is_its_recovery() -> None:
    post = Post()
    post.route.answer = refuses(retry=True)
    post.outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: len(post.route.tried) >= 6)
        assert post.troubles == [(CAPTAIN, True, "not now")]
        post.route.answer = lambda _: None
        await post.until(lambda: len(post.troubles) == 2)
    assert post.troubles[1] == (CAPTAIN, False, "")


async def test_a_dead_route_holds_up_no_other_and_costs_one_try_at_a_time() -> None:
    post = Post()
    release = threading.Event()

    def answer(message: Due) -> None:
        if message.route == COX:
            release.wait(10)

    post.route.answer = answer
    post.outbox.put(*(message(f"cox{n}", COX, "critical") for n in range(50)))
    post.outbox.put(message("captain"))
    async with post.at_work():
        await post.until(lambda: post.texts == ["captain"])
        assert len([key for key in post.route.tried if key.startswith("cox")]) == 1
        release.set()
        await post.until(lambda: not post.outbox.rows)


async def test_a_try_that_takes_too_long_is_a_failure_and_not_begun_twice() -> None:
    post = Post(plan=replace(QUICK, try_s=0.02))
    release = threading.Event()
    post.route.answer = waits(release)
    post.outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: len(post.outbox.outcomes) >= 1)
        assert post.outbox.outcomes[0] == ("m", False, "no answer within 0.02 s")
        await asyncio.sleep(0.1)  # several pauses
        assert post.route.tried == ["m"], "the first try is still under way"
        release.set()
        post.courier.wake()
        await post.until(lambda: not post.outbox.rows)


async def test_at_most_so_many_at_once() -> None:
    post = Post(plan=replace(QUICK, concurrency=3))
    release = threading.Event()
    post.route.answer = waits(release)
    post.outbox.put(*(message(f"m{n}", f"mailto:m{n}@shed.example") for n in range(10)))
    async with post.at_work():
        await post.until(lambda: post.route.at_once == 3)
        await asyncio.sleep(0.05)
        assert post.route.most_at_once == 3
        release.set()
        await post.until(lambda: not post.outbox.rows)


async def test_an_end_in_the_middle_loses_nothing() -> None:
    outbox = MemoryOutbox()
    outbox.put(message("m"))
    release = threading.Event()
    first = Post(outbox)
    first.route.answer = waits(release)
    async with first.at_work():
        await first.until(lambda: first.route.tried == ["m"])
    assert list(outbox.rows) == ["m"], "not known to be sent"
    release.set()
    second = Post(outbox)
    async with second.at_work():
        await second.until(lambda: not outbox.rows)
    assert second.texts == ["m"]


async def test_a_store_that_keeps_nothing_does_not_make_it_send_twice() -> None:
    post = Post()
    post.outbox.deaf = True
    post.outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: post.texts == ["m"])
        await asyncio.sleep(0.1)  # several rounds
        assert post.route.tried == ["m"]
        post.outbox.deaf = False
        await post.until(lambda: not post.outbox.rows)
    assert post.route.tried == ["m"]
    assert post.outbox.outcomes == [("m", True, "sent")]


async def test_a_message_that_could_not_be_stored_goes_out_all_the_same() -> None:
    post = Post()
    post.outbox.broken = True
    refuse = refuses(retry=True)

    def answer(message: Due) -> None:
        if len(post.route.tried) == 1:
            refuse(message)

    post.route.answer = answer
    async with post.at_work():
        post.courier.hand([message("m", priority="critical")])
        await post.until(lambda: post.texts == ["m"])
        post.outbox.put(message("m", priority="critical"))  # at last
        post.outbox.broken = False
        await post.until(lambda: not post.outbox.rows)
        post.courier.hand([message("m", priority="critical")])
        await asyncio.sleep(0.05)
    assert post.texts == ["m"]
    assert post.outbox.outcomes == [("m", True, "sent")]


async def test_what_was_lost_unstored_is_recorded_as_lost() -> None:
    post = Post()
    post.outbox.broken = True
    post.route.answer = refuses(retry=False)
    async with post.at_work():
        post.courier.hand([message("m")])
        await post.until(lambda: post.route.tried == ["m"])
        post.outbox.put(message("m"))
        post.outbox.broken = False
        await post.until(lambda: post.outbox.lost == {"m"})
    assert post.route.tried == ["m"]


async def test_a_broken_route_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    post = Post()

    def answer(message: Due) -> None:
        if message.key == "bad":
            raise RuntimeError("defect")

    post.route.answer = answer
    post.outbox.put(message("bad", priority="critical"), message("good"))
    async with post.at_work():
        await post.until(lambda: post.texts == ["good"])
    assert ("bad", False, "this route is broken: RuntimeError") in post.outbox.outcomes


async def test_a_listener_that_fails_ends_nothing(caplog: pytest.LogCaptureFixture) -> None:
    post = Post()
    post.troubles = None  # type: ignore[assignment]  # makes the listener raise
    post.outbox.put(message("m"), message("n", COX))
    async with post.at_work():
        await post.until(lambda: not post.outbox.rows)
    assert sorted(post.texts) == ["m", "n"]


@dataclass
class FailingOutbox(MemoryOutbox):
    """An outbox whose calls raise what nobody expects, or never answer."""

    defects: set[str] = field(default_factory=set)
    answers: threading.Event = field(default_factory=threading.Event)
    asked: int = 0

    def waiting_notices(self, limit: int) -> list[Message]:
        self.asked += 1
        if "hangs" in self.defects:
            assert self.answers.wait(10)
        if "read" in self.defects:
            raise KeyError("a column is missing")
        return super().waiting_notices(limit)

    def record_delivery(
        self, key: str, *, at: datetime, sent: bool, outcome: str, next_try_at: datetime | None
    ) -> None:
        if "record" in self.defects:
            raise ValueError("not a date")
        super().record_delivery(key, at=at, sent=sent, outcome=outcome, next_try_at=next_try_at)


@pytest.mark.parametrize("defect", ["read", "record"])
async def test_a_defect_of_the_outbox_is_told_and_ends_nothing(
    defect: str, caplog: pytest.LogCaptureFixture
) -> None:
    outbox = FailingOutbox(defects={defect})
    post = Post(outbox)
    outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: any(told[0] == EVERY_ROUTE for told in post.troubles))
        (reason,) = (told[2] for told in post.troubles if told[1])
        assert reason
        post.courier.hand([message("handed", COX)])
        await post.until(lambda: "handed" in post.texts)
        outbox.defects.clear()
        await post.until(lambda: not outbox.rows)
        await post.until(lambda: (EVERY_ROUTE, False, "") in post.troubles)
    assert sorted(post.texts) == ["handed", "m"]
    assert [t for t in post.troubles if t[1]] == [(EVERY_ROUTE, True, reason)]
    assert len([r for r in caplog.records if r.exc_info]) == 1, "the traceback stands there once"


async def test_a_store_that_hangs_holds_up_no_message_that_was_handed_over() -> None:
    outbox = FailingOutbox(defects={"hangs"})
    post = Post(outbox, plan=replace(QUICK, outbox_s=0.02))
    async with post.at_work():
        post.courier.hand([message("m", priority="critical")])
        await post.until(lambda: post.texts == ["m"])
        await post.until(lambda: any(told[:2] == (EVERY_ROUTE, True) for told in post.troubles))
        assert outbox.asked == 1, "no thread is added to the one that hangs"
        outbox.defects.clear()
        outbox.answers.set()
        await post.until(lambda: (EVERY_ROUTE, False, "") in post.troubles)
    assert post.texts == ["m"]


async def test_a_defect_of_the_courier_itself_ends_nothing() -> None:
    post = Post()

    def broken() -> None:
        raise ZeroDivisionError

    whole = post.courier._dispatch
    post.courier._dispatch = broken  # type: ignore[method-assign]  # the fault
    async with post.at_work():
        post.outbox.put(message("m"))
        await post.until(lambda: bool(post.troubles))
        assert post.courier.on_time(60.0)
        post.courier._dispatch = whole  # type: ignore[method-assign]  # mended
        await post.until(lambda: post.texts == ["m"])
        await post.until(lambda: (EVERY_ROUTE, False, "") in post.troubles)


async def test_a_courier_that_has_stopped_coming_round_is_late() -> None:
    clock = ManualClock()
    courier = Courier({}, {}, clock=clock, chance=float, on_trouble=print)  # type: ignore[arg-type]  # unused
    assert courier.on_time(60.0), "not begun yet"
    task = asyncio.create_task(courier.run())
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert courier.on_time(60.0)
    clock.advance(61.0)
    assert not courier.on_time(60.0)


async def test_a_courier_without_memory_is_late_after_a_while(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    clock = ManualClock()
    post = Post(clock=clock)
    async with post.at_work():
        with monkeypatch.context() as fault:

            def start(_: threading.Thread) -> None:
                raise RuntimeError("can't start new thread")

            fault.setattr(threading.Thread, "start", start)
            post.outbox.put(message("m"))
            await post.until(lambda: bool(post.troubles))
            assert post.courier.on_time(60.0), "it may pass"
            clock.advance(STARVED_S + 1.0)
            assert not post.courier.on_time(60.0)
        clock.advance(1.0)
        await post.until(lambda: post.texts == ["m"])
        assert post.courier.on_time(60.0)


async def test_an_address_of_an_unknown_kind_is_given_up() -> None:
    post = Post()
    post.outbox.put(message("m", "pigeon:loft 7"), message("n", "nothing"))
    async with post.at_work():
        await post.until(lambda: post.outbox.lost == {"m", "n"})
    assert {key: why for key, _, why in post.outbox.outcomes} == {
        "m": "nothing is set up to send on pigeon:",
        "n": "it has no scheme",
    }


@pytest.mark.parametrize(
    ("waited", "title"),
    [
        pytest.param(timedelta(minutes=9), "title m", id="soon"),
        pytest.param(timedelta(hours=3), "title m (3 h late)", id="after an outage"),
        pytest.param(timedelta(days=9000), "title m", id="a clock that was set, not a wait"),
        pytest.param(timedelta(hours=-3), "title m", id="from the future"),
    ],
)
async def test_what_is_late_says_so(waited: timedelta, title: str) -> None:
    post = Post()
    post.outbox.put(message("m", created_at=datetime.now(UTC) - waited))
    async with post.at_work():
        await post.until(lambda: not post.outbox.rows)
    assert post.route.sent[0].title == title
    assert post.route.sent[0].text.startswith("text m")


def test_a_notice_that_is_not_stored_becomes_a_message() -> None:
    notice = Notice(
        "k", "bench", "bench-1", Kind.FIRE, Priority.CRITICAL, "cox", COX, "Fire", "Fire.", 5.0
    )
    made = Message.of(notice, LONG_AGO)
    assert made == Message(
        key="k",
        route=COX,
        title="Fire",
        text="Fire.",
        created_at=LONG_AGO,
        alarm="bench-1",
        priority="critical",
        chamber="bench",
        kind="fire",
        person="cox",
    )


def test_schemes_are_found_whatever_their_case() -> None:
    route = ToldRoute()
    routes: dict[str, Route] = {"mailto": route}
    assert route_for(routes, "MailTo:cox@shed.example") is route


async def test_a_message_gets_its_link_when_it_goes_at_each_try_anew() -> None:
    links: list[str] = []

    def link_for(due: Due) -> str | None:
        links.append(f"https://shed.local/answer/{due.key}-{len(links)}")
        return links[-1]

    seen: list[str | None] = []

    def answer(message: Due) -> None:
        assert isinstance(message, Message)
        seen.append(message.link)
        if len(seen) == 1:
            raise DeliveryError(message.route, "not now", retry=True)

    post = Post(link_for=link_for)
    post.route.answer = answer
    post.outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: not post.outbox.rows)
    assert seen == links
    assert len(set(links)) == 2
    assert "answer/" not in str(post.outbox.outcomes), "it is kept nowhere"


async def test_a_message_goes_without_its_link_rather_than_not_at_all(
    caplog: pytest.LogCaptureFixture,
) -> None:
    def link_for(due: Due) -> str | None:
        raise RuntimeError("a secret")

    post = Post(link_for=link_for)
    post.outbox.put(message("m"))
    async with post.at_work():
        await post.until(lambda: not post.outbox.rows)
    assert post.texts == ["m"]
    assert "goes without its link" in caplog.text
    assert "a secret" not in caplog.text
