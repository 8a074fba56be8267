"""From a height to its minute and back, of jobs that a real service has kept."""

from __future__ import annotations

import time
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from functools import cache
from typing import Any

import httpx
import pytest

from kept_things import event, job
from running import RunningService, wait_until
from stillair.jobs.toolpath import Toolpath
from stillair.jobs.toolpath.analysis import analyse
from stillair.model import Change, HeightPin, Job, JobPhase, Outcome, Timeline
from stillair.runtime.comparing import pauses_of
from stillair.runtime.heights import Heights
from stillair.simulation.toolpaths import SPACER, Build, toolpath_lines
from stillair.storage import toolpaths as rows
from stillair.storage.courses import JobStep
from stillair.storage.history import History
from stillair.storage.journal import Journal
from stillair.storage.layers import packed

SHED = "boat-shed"
CHAMBER = """
[chamber]
name = "Boat shed"
enclosure = ["metal"]

[[sensor]]
name = "top"
driver = "simulated"
"""
HEAT_UP_S, RATE = 900.0, 1.06
PAUSE_S = (3000.0, 600.0)  # by the job's own clock, and for how long


@cache
def spacers() -> Toolpath:
    lines = toolpath_lines(Build(replace(SPACER, height_mm=12.0)))
    return analyse(line.encode() for line in lines)


class Built:
    """A job as it really was: heats up, is slower than its toolpath, pauses once."""

    def __init__(self, name: str, started_s: float, toolpath: Toolpath | None = None) -> None:
        self.name = name
        toolpath = toolpath or spacers()
        self.layers, self.whole = toolpath.layers, toolpath.whole
        self.started_s = started_s
        self.start_s = [self.at(tau_s) for tau_s in self.layers.start_s]
        self.end_s = [self.at(tau_s) for tau_s in self.layers.end_s]
        self.finished_s = self.at(self.whole.duration_s)
        self.paused_s = started_s + PAUSE_S[0]
        assert self.paused_s < self.finished_s

    def at(self, tau_s: float) -> float:
        own_s = HEAT_UP_S + RATE * float(tau_s)
        return self.started_s + own_s + (PAUSE_S[1] if own_s > PAUSE_S[0] else 0.0)

    def job(self, **other: Any) -> Job:
        return replace(
            job(), id=self.name, chamber=SHED, started_s=self.started_s, height_mm=None, **other
        )

    def outcomes(self, every_s: float | None = None) -> list[Outcome]:
        """All that the watch says of it; the machine tells its height so often, if at all."""
        changes: list[tuple[float, dict[str, Any]]] = [(self.started_s, {})]
        t_s = self.start_s[0] + 7.0
        while every_s is not None and t_s < self.finished_s:
            layer = bisect_right(self.start_s, t_s) - 1
            changes.append((t_s, {"height_mm": float(self.layers.height_mm[layer])}))
            t_s += every_s
        paused = {"state": JobPhase.PAUSED, "paused_since_s": self.paused_s}
        gone_on = {"state": JobPhase.RUNNING, "paused_since_s": None, "paused_s": PAUSE_S[1]}
        changes += [(self.paused_s, paused), (self.paused_s + PAUSE_S[1], gone_on)]
        changes += [
            (self.finished_s, {"state": JobPhase.COOLING, "finished_s": self.finished_s}),
            (self.finished_s + 60.0, {"state": JobPhase.FINISHED}),
        ]
        now, found = self.job(state=JobPhase.RUNNING), []
        for t_s, change in sorted(changes, key=lambda each: each[0]):
            now = replace(now, **change)
            found.append(Outcome(SHED, t_s, jobs=(now,)))
        return found


def pinned(built: Built, layer: int, height_mm: float | None = None) -> Outcome:
    seen_s = (built.start_s[layer] + built.end_s[layer]) / 2.0
    top_mm = float(built.layers.height_mm[layer])
    pin = HeightPin(built.name, seen_s, "cox", height_mm or top_mm - 0.1, seen_s)
    return Outcome(SHED, seen_s, pins=(pin,))


def boot(name: str = "yesterday", ago_s: float = 90_000.0) -> Timeline:
    return Timeline(name, float(round(time.time() - ago_s)))


def follow(journal: Journal, jobs: Sequence[str], toolpath: Toolpath | None = None) -> None:
    toolpath = toolpath or spacers()
    rows.add(journal, "spacers", chamber=SHED, name="Spacers", source="", size_bytes=1, at_us=1)
    rows.keep(journal, "spacers", toolpath.whole, packed(toolpath))
    for name in jobs:
        rows.follow(journal, name, "spacers", 1)


# --- gathered -------------------------------------------------------------------------


def test_the_course_of_a_job_is_read_without_the_rest(journal: Journal, history: History) -> None:
    line = boot()
    built = Built("boat-shed-1", 1000.0)
    for outcome in built.outcomes(every_s=100.0):
        journal.commit(outcome, line)
    zero_s = line.wall_at_zero_s
    steps = history.courses().steps("boat-shed-1")
    heights = [step.height_mm for step in steps]
    assert heights[0] is None and heights[-1] == pytest.approx(12.0, abs=0.5)
    assert steps[0] == JobStep(zero_s + 1000.0, None, 0.0, None)
    assert [
        (round(a - zero_s), round(b - zero_s)) for a, b in pauses_of(history, "boat-shed-1")
    ] == [(4000, 4600)]
    assert history.courses().steps("boat-shed-9") == []


def test_a_broken_row_hides_no_other(journal: Journal, history: History) -> None:
    built = Built("boat-shed-1", 1000.0)
    for outcome in [*built.outcomes(every_s=100.0), pinned(built, 8), pinned(built, 9)]:
        journal.commit(outcome, boot())
    with journal.transaction("spoiled by a test") as connection:
        for topic in ("job", "pin"):
            connection.exec_driver_sql(
                "UPDATE ledger SET body = 'not { json' WHERE seq = "
                f"(SELECT min(seq) FROM ledger WHERE topic = '{topic}')"
            )
    steps = history.courses().steps("boat-shed-1")
    assert steps[0].height_mm is None and steps[1].height_mm is not None
    assert len(history.courses().pins("boat-shed-1")) == 1


def test_a_pin_that_was_taken_back_counts_no_more(journal: Journal, history: History) -> None:
    built = Built("boat-shed-1", 1000.0)
    for outcome in [*built.outcomes(), pinned(built, 8), pinned(built, 20)]:
        journal.commit(outcome, boot())
    courses = history.courses()
    first, second = courses.pins("boat-shed-1")
    back = HeightPin("boat-shed-1", 9000.0, "cox", takes_back=first.number)
    journal.commit(Outcome(SHED, 9000.0, pins=(back,)), boot())
    assert courses.pins("boat-shed-1") == [second]
    assert [courses.pin("boat-shed-1", n) for n in (first.number, second.number, 999)] == [
        False,
        True,
        None,
    ]
    assert courses.pin("boat-shed-2", second.number) is None, "it is another job's"


@pytest.mark.parametrize(
    ("every_s", "pins", "by", "most_s"),
    [
        pytest.param(None, [], "toolpath", 400.0, id="start and end alone"),
        pytest.param(None, [6, 40], "toolpath", 90.0, id="two pins"),
        pytest.param(150.0, [], "toolpath", 30.0, id="posts"),
        pytest.param(150.0, [], "told", 900.0, id="posts without a toolpath"),
        pytest.param(None, [0, 20, 40, 59], "told", 1500.0, id="pins without a toolpath"),
    ],
)
def test_heights_are_found_by_all_that_is_known(
    journal: Journal,
    history: History,
    every_s: float | None,
    pins: Sequence[int],
    by: str,
    most_s: float,
) -> None:
    line = boot()
    built = Built("boat-shed-1", 1000.0)
    for outcome in [*built.outcomes(every_s), *(pinned(built, n) for n in pins)]:
        journal.commit(outcome, line)
    if by == "toolpath":
        follow(journal, ["boat-shed-1"])
    heights = Heights(history).of("boat-shed-1", time.time())
    assert heights.by == by
    for layer in (10, 30, 50):
        (found,) = heights.times.when(float(spacers().layers.height_mm[layer]) - 0.1)
        truth_s = line.wall_at_zero_s + (built.start_s[layer] + built.end_s[layer]) / 2.0
        off_s = abs((found.start_s + found.end_s) / 2.0 - truth_s)
        assert off_s <= most_s
        assert off_s <= 2.0 * found.uncertainty_s, "it says how far off it may be"


def test_what_is_new_of_a_job_is_worked_out_at_once(journal: Journal, history: History) -> None:
    built, line = Built("boat-shed-1", 1000.0), boot()
    for outcome in built.outcomes():
        journal.commit(outcome, line)
    heights, now_s = Heights(history), time.time()
    assert heights.of("boat-shed-1", now_s).by == "nothing"
    for outcome in (pinned(built, 10), pinned(built, 50)):
        journal.commit(outcome, line)
    told = heights.of("boat-shed-1", now_s)
    assert told.by == "told" and heights.of("boat-shed-1", now_s) is told
    follow(journal, ["boat-shed-1"])
    fitted = heights.of("boat-shed-1", now_s)
    assert fitted.by == "toolpath" and fitted.times.doubtful_pins == ()
    rows.follow(journal, "boat-shed-1", None, 2)
    assert heights.of("boat-shed-1", now_s) is told
    journal.relabel(replace(line, wall_at_zero_s=line.wall_at_zero_s + 3600.0))
    moved = heights.of("boat-shed-1", now_s + 3600.0)
    assert moved.times.start_s[0] == pytest.approx(told.times.start_s[0] + 3600.0, abs=0.01)


# --- a real service --------------------------------------------------------------------


@pytest.fixture(scope="module")
def built() -> Built:
    return Built("boat-shed-1", 1000.0)


@pytest.fixture(scope="module")
def line() -> Timeline:
    return boot()


@pytest.fixture(scope="module")
def service(
    tmp_path_factory: pytest.TempPathFactory, built: Built, line: Timeline
) -> Iterator[RunningService]:
    """One that knows of two jobs: the first has a toolpath, the other told nothing."""
    folder = tmp_path_factory.mktemp("heights")
    (folder / "chamber.toml").write_text(CHAMBER)
    (folder / "data").mkdir()
    other = Built("boat-shed-2", built.finished_s + 5000.0)
    begun = replace(event(7, at_s=built.start_s[30]), job=built.name, onset_s=built.start_s[30])
    over = replace(begun, change=Change.CLEARED, at_s=built.end_s[31], end_s=built.end_s[31])
    with_events = [Outcome(SHED, each.at_s, events=(each,)) for each in (begun, over)]
    journal = Journal.open(folder / "data" / "journal.db")
    told = built.outcomes(every_s=100.0)
    for outcome in [*told, *with_events, *other.outcomes()]:
        journal.commit(outcome, line)
    follow(journal, ["boat-shed-1"])
    journal.close()
    with RunningService(folder / "data", "--chamber", str(folder / "chamber.toml")) as running:
        yield running


def asked(service: RunningService, path: str, **query: object) -> httpx.Response:
    return service.web.get(f"/api/jobs/{path}", params=dict(query))  # type: ignore[arg-type]  # str and float


def stamp(label: str) -> float:
    return datetime.fromisoformat(label).timestamp()


def test_columns_tell_when_each_layer_was_built(
    service: RunningService, built: Built, line: Timeline
) -> None:
    told = asked(service, "boat-shed-1/heights").json()
    assert (told["by"], told["toolpath"]) == ("toolpath", "spacers")
    columns = ("height_mm", "start_at", "end_at", "uncertainty_s", "piece")
    assert {len(told[name]) for name in columns} == {len(built.layers)}
    assert (told["posts"] > 10, told["left_out"], told["pins"]) == (True, 0, [])
    truth_s = line.wall_at_zero_s + built.start_s[33]
    assert told["start_at"][33] == pytest.approx(truth_s, abs=told["uncertainty_s"][33])


def test_a_height_gives_its_minute_and_a_minute_its_height(
    service: RunningService, built: Built, line: Timeline
) -> None:
    height_mm = float(built.layers.height_mm[30])
    told = asked(service, "boat-shed-1/heights/when", height_mm=height_mm - 0.05).json()
    (item,) = told["items"]
    assert (item["layer"], item["piece"]) == (30, 0)
    truth_s = line.wall_at_zero_s + built.start_s[30]
    assert stamp(item["start_at"]) == pytest.approx(truth_s, abs=item["uncertainty_s"])
    assert stamp(item["from_at"]) < stamp(item["start_at"]) < stamp(item["end_at"])
    assert [(e["event"], e["change"]) for e in item["events"]] == [(7, "cleared")]

    back = asked(service, "boat-shed-1/heights/when", at=item["start_at"]).json()
    (there,) = back["items"]
    assert there["layer"] in (29, 30)
    assert there["low_mm"] <= there["height_mm"] <= there["high_mm"]
    assert there["low_mm"] <= height_mm <= there["high_mm"]
    far = asked(service, "boat-shed-1/heights/when", height_mm=height_mm / 4).json()
    assert far["items"][0]["events"] == []


@pytest.mark.parametrize(
    ("path", "query", "status", "count"),
    [
        pytest.param("boat-shed-1/heights/when", {"height_mm": 500}, 200, 0, id="above the part"),
        pytest.param("boat-shed-1/heights/when", {"at": "915148800"}, 200, 0, id="long ago"),
        pytest.param("boat-shed-2/heights/when", {"height_mm": 5}, 200, 0, id="nothing told"),
        pytest.param("boat-shed-1/heights/when", {}, 409, 0, id="neither"),
        pytest.param("boat-shed-1/heights/when", {"height_mm": 5, "at": "0"}, 409, 0, id="both"),
        pytest.param("boat-shed-1/heights/when", {"height_mm": "nan"}, 422, 0, id="no number"),
        pytest.param("boat-shed-1/heights/when", {"height_mm": "1e9"}, 422, 0, id="too high"),
        pytest.param("boat-shed-1/heights/when", {"at": "noonish"}, 422, 0, id="no moment"),
        pytest.param("boat-shed-99/heights", {}, 404, 0, id="no such job"),
        pytest.param("%00/heights", {}, 404, 0, id="no name at all"),
    ],
)  # fmt: skip
def test_questions_that_have_no_answer(
    service: RunningService, path: str, query: dict[str, object], status: int, count: int
) -> None:
    answer = asked(service, path, **query)
    assert answer.status_code == status, answer.text
    if status == 200:
        assert len(answer.json()["items"]) == count


def test_a_pin_days_later_counts_at_once_and_can_be_taken_back(
    service: RunningService, built: Built, line: Timeline
) -> None:
    path = "/api/jobs/boat-shed-2/pins"
    zero_s = line.wall_at_zero_s + built.finished_s + 5000.0
    before = asked(service, "boat-shed-2/heights").json()
    assert (before["by"], before["height_mm"]) == ("nothing", [])
    for minutes, height_mm in ((60, 4.0), (70, 12.0)):
        said = service.web.post(path, json={"height_mm": height_mm, "at": zero_s + 60.0 * minutes})
        assert said.status_code == 200 and said.json()["stored"], said.text
    told = asked(service, "boat-shed-2/heights").json()
    assert told["by"] == "told"
    assert [pin["height_mm"] for pin in told["pins"]] == [4.0, 12.0]
    assert stamp(told["pins"][0]["seen_at"]) == pytest.approx(zero_s + 3600.0, abs=0.01)
    (item,) = asked(service, "boat-shed-2/heights/when", height_mm=8.0).json()["items"]
    assert stamp(item["start_at"]) == pytest.approx(zero_s + 3900.0, abs=60.0)
    assert item["layer"] is None and item["uncertainty_s"] > 200.0

    number = told["pins"][0]["pin"]
    for _ in range(2):
        answer = service.web.delete(f"{path}/{number}")
        assert answer.status_code == 200, answer.text
    left = asked(service, "boat-shed-2/heights").json()["pins"]
    assert [pin["height_mm"] for pin in left] == [12.0]
    assert service.web.delete(f"/api/jobs/boat-shed-1/pins/{left[0]['pin']}").status_code == 404


@pytest.mark.parametrize(
    ("job", "body", "status", "said"),
    [
        pytest.param("boat-shed-1", {"height_mm": -1}, 422, "height", id="below the bed"),
        pytest.param("boat-shed-1", {"height_mm": "5"}, 422, "height", id="a word"),
        pytest.param("boat-shed-1", {}, 422, "height", id="no height"),
        pytest.param("boat-shed-1", {"height_mm": 5, "at": "x"}, 422, "moment", id="no moment"),
        pytest.param("boat-shed-1", {"height_mm": 5, "at": 4e9}, 409, "to come", id="to come"),
        pytest.param("boat-shed-1", {"height_mm": 5, "at": 1e9}, 409, "begun", id="before"),
        pytest.param("boat-shed-1", {"height_mm": 5}, 409, "done", id="now, of one that is done"),
        pytest.param("boat-shed-1", {"height_mm": 5, "by": "me"}, 422, "known", id="more"),
        pytest.param("boat-shed-77", {"height_mm": 5}, 404, "no such job", id="no such job"),
        pytest.param("elsewhere-1", {"height_mm": 5}, 404, "no such", id="no such chamber"),
    ],
)
def test_what_can_be_no_pin_is_refused_in_words(
    service: RunningService, job: str, body: dict[str, object], status: int, said: str
) -> None:
    answer = service.web.post(f"/api/jobs/{job}/pins", json=body)
    assert answer.status_code == status, answer.text
    assert said in answer.json()["detail"]


def test_of_a_job_that_runs_a_pin_is_of_this_moment(service: RunningService) -> None:
    begun = wait_until(
        lambda: service.web.get("/api/now").json()["chambers"][0]["job"], within_s=60
    )["id"]
    assert service.web.post(f"/api/jobs/{begun}/pins", json={"height_mm": 1.5}).status_code == 200
    told = asked(service, f"{begun}/heights").json()
    (pin,) = told["pins"]
    assert abs(stamp(pin["seen_at"]) - time.time()) < 60.0
    assert pin["by"] == "this computer" and told["by"] == "told"
