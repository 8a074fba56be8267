"""When each layer was laid: a job's clock against its toolpath's."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.jobs.heights import HeightTimes, fit
from stillair.jobs.sightings import HeightSeen, OwnClock
from stillair.jobs.toolpath.layers import Layers
from stillair.runtime.heights import TOOLPATH, JobHeights

BEGUN_S = 5000.0


def layers_of(
    durations_s: Sequence[float], *, thickness_mm: float = 0.2, pieces: int = 1
) -> Layers:
    """Layers that last so long; `pieces` alike, one after the other."""
    lasting = np.tile(np.array(durations_s, dtype=float), pieces)
    count = len(durations_s)
    ends = np.cumsum(lasting)
    flat = np.zeros(count * pieces)
    return Layers(
        height_mm=np.tile(thickness_mm * np.arange(1, count + 1), pieces),
        thickness_mm=flat + thickness_mm,
        start_s=ends - lasting,
        end_s=ends,
        length_mm=flat,
        width_mm=flat,
        fan_share=flat,
        least_time_s=lasting,
        nozzle_c=flat,
        longest_run_mm=flat,
        piece=np.repeat(np.arange(pieces, dtype=np.int32), count),
    )


class RealJob:
    """A job as it really was: heats up, is slower than its toolpath, and pauses."""

    def __init__(
        self,
        layers: Layers,
        *,
        heat_up_s: float = 900.0,
        rate: float = 1.06,
        pauses: Sequence[tuple[float, float]] = (),  # own clock, for how long
        jitter: Sequence[float] = (),
    ) -> None:
        lasting = (layers.end_s - layers.start_s) * rate
        if len(jitter):
            lasting = lasting * np.asarray(jitter)
        self.own_end_s = heat_up_s + np.cumsum(lasting)
        self.own_start_s = self.own_end_s - lasting
        self.layers = layers
        self.pauses: list[tuple[float, float]] = []
        paused_s = 0.0
        for own_s, for_s in pauses:
            begins_s = BEGUN_S + own_s + paused_s
            self.pauses.append((begins_s, begins_s + for_s))
            paused_s += for_s
        self.clock = OwnClock(BEGUN_S, self.pauses)
        self.start_s = self.clock.at_s(self.own_start_s)
        self.finished_s = float(self.clock.at_s(self.own_end_s[-1:])[0])

    def posts(self, every_s: float) -> list[HeightSeen]:
        """What a machine posts that tells its height now and then."""
        found = []
        for t_s in np.arange(self.start_s[0], self.finished_s, every_s):
            index = int(np.searchsorted(self.start_s, t_s, side="right")) - 1
            found.append(HeightSeen(float(t_s), float(self.layers.height_mm[index])))
        return found

    def pin(self, layer: int, share: float = 0.5) -> HeightSeen:
        """Somebody was there and saw it."""
        own_s = self.own_start_s[layer] + share * (self.own_end_s[layer] - self.own_start_s[layer])
        t_s = float(self.clock.at_s(np.array([own_s]))[0])
        height_mm = float(self.layers.height_mm[layer] - self.layers.thickness_mm[layer] / 2.0)
        return HeightSeen(t_s, height_mm)


def layers_off(found: HeightTimes, job: RealJob) -> float:
    """By how many layers the fit errs at worst."""
    middle = (job.own_start_s + job.own_end_s) / 2.0
    t_s = job.clock.at_s(middle)
    guessed = np.searchsorted(found.start_s, t_s, side="right") - 1
    return float(np.abs(guessed - np.arange(len(middle))).max())


def fitted(job: RealJob, **known: object) -> HeightTimes:
    return fit(
        job.layers,
        duration_s=float(job.layers.end_s[-1]),
        started_s=BEGUN_S,
        pauses=job.pauses,
        **known,  # type: ignore[arg-type]
    )


SLOW = 1.0 + 0.3 * np.sin(np.linspace(0.0, 9.0, 200))  # layers of very different length


@pytest.mark.parametrize(
    ("durations_s", "rate", "pauses"),
    [
        pytest.param(60.0 * SLOW, 1.06, (), id="a usual job"),
        pytest.param(60.0 * SLOW, 0.97, (), id="quicker than it says"),
        pytest.param(60.0 * SLOW, 1.15, ((3000.0, 1800.0), (8000.0, 40.0)), id="with two pauses"),
        pytest.param([9.0] * 1200, 1.04, (), id="thin and quick"),
    ],
)
def test_two_pins_give_every_layer(
    durations_s: Sequence[float], rate: float, pauses: Sequence[tuple[float, float]]
) -> None:
    job = RealJob(layers_of(durations_s), rate=rate, pauses=pauses)
    count = len(job.layers)
    found = fitted(job, pins=[job.pin(count // 10), job.pin(9 * count // 10)])
    assert layers_off(found, job) <= 1.0
    assert found.doubtful_pins == ()


@settings(max_examples=30)
@given(
    seed=st.integers(0, 2**20),
    rate=st.floats(0.9, 1.2),
    heat_up_s=st.floats(0.0, 5400.0),
    every_s=st.floats(2.0, 90.0),
)
def test_posted_heights_give_every_layer(
    seed: int, rate: float, heat_up_s: float, every_s: float
) -> None:
    chance = np.random.default_rng(seed)
    layers = layers_of(chance.uniform(20.0, 90.0, 150).tolist())
    jitter = chance.uniform(0.9, 1.1, 150).tolist()
    pauses = [(heat_up_s + 2000.0, 600.0)]
    job = RealJob(layers, heat_up_s=heat_up_s, rate=rate, jitter=jitter, pauses=pauses)
    found = fitted(job, posts=job.posts(every_s), finished_s=job.finished_s + 200.0)
    assert layers_off(found, job) <= 1.0
    assert (np.diff(found.start_s) >= 0.0).all()


def test_what_is_not_known_is_said_to_be_uncertain() -> None:
    job = RealJob(layers_of([60.0] * 100))
    nothing = fitted(job)
    end = fitted(job, finished_s=job.finished_s)
    pin = fitted(job, finished_s=job.finished_s, pins=[job.pin(50)])
    assert nothing.uncertainty_s[50] > 2.0 * end.uncertainty_s[50]
    assert end.uncertainty_s[50] > 2.0 * pin.uncertainty_s[50]
    assert pin.uncertainty_s[50] < pin.uncertainty_s[5]
    for found in (nothing, end, pin):
        assert (np.abs(found.start_s - job.start_s) <= 1.5 * found.uncertainty_s).all()


def test_a_post_that_nothing_agrees_with_is_left_out() -> None:
    job = RealJob(layers_of([60.0] * 100))
    posts = job.posts(20.0)
    wrong = [HeightSeen(posts[60].t_s + 1.0, 16.0), HeightSeen(posts[90].t_s + 1.0, 0.2)]
    told = sorted([*posts, *wrong], key=lambda post: post.t_s)
    found = fitted(job, posts=told)
    assert layers_off(found, job) <= 1.0
    assert (len(found.odd), found.doubt) == (2, "")
    assert sorted(found.odd, key=lambda odd: odd.t_s) == wrong, "each is named"


def test_a_head_that_is_lifted_now_and_then_bends_nothing() -> None:
    job = RealJob(layers_of([60.0] * 100, pieces=2))
    posts = job.posts(20.0)
    lifted = [HeightSeen(post.t_s + 5.0, post.height_mm + 0.6) for post in posts[40:-60:17]]
    found = fitted(job, posts=sorted([*posts, *lifted], key=lambda post: post.t_s))
    assert layers_off(found, job) <= 1.0
    assert found.doubt == ""


def test_a_lifted_head_is_no_height() -> None:
    job = RealJob(layers_of([60.0] * 100))
    told = [*job.posts(20.0), HeightSeen(job.finished_s + 5.0, 180.0)]
    assert layers_off(fitted(job, posts=told), job) <= 1.0


def test_a_pin_that_posts_contradict_is_named() -> None:
    job = RealJob(layers_of([60.0] * 100))
    posts = job.posts(20.0)
    wrong = HeightSeen(job.start_s[20], 16.0)
    found = fitted(job, posts=posts, pins=[job.pin(50), wrong])
    assert found.doubtful_pins == (1,)
    assert layers_off(found, job) <= 1.0


def at_layer(job: RealJob, layer: int, height_mm: float) -> HeightSeen:
    """That somebody says a height of the moment at which a layer was begun."""
    return HeightSeen(float(job.start_s[layer]), height_mm)


@pytest.mark.parametrize(
    ("right", "wrong", "doubtful", "most_off"),
    [
        pytest.param([30, 150], [(100, 5.0)], (2,), 1.0, id="one of three, near a right one"),
        pytest.param([10, 90, 180], [(120, 2.0)], (3,), 1.0, id="one of four"),
        pytest.param([50], [(100, 99.0)], (1,), 20.0, id="higher than the part"),
        pytest.param([], [(100, 99.0)], (0,), None, id="higher than the part, alone"),
        pytest.param([], [(100, 10.0), (50, 30.0)], (0, 1), None, id="one against another"),
    ],
)
def test_pins_that_are_wrong_are_named_and_bend_nothing(
    right: list[int],
    wrong: list[tuple[int, float]],
    doubtful: tuple[int, ...],
    most_off: float | None,
) -> None:
    job = RealJob(layers_of([60.0] * 200))
    pins = [job.pin(layer) for layer in right] + [at_layer(job, *each) for each in wrong]
    found = fitted(job, pins=pins)
    assert found.doubtful_pins == doubtful
    assert (np.abs(found.start_s - job.start_s) <= found.uncertainty_s).all()
    assert most_off is None or layers_off(found, job) <= most_off


def test_a_pin_from_before_the_job_is_doubtful() -> None:
    job = RealJob(layers_of([60.0] * 100))
    before = HeightSeen(BEGUN_S - 3000.0, 10.0)
    found = fitted(job, pins=[before, job.pin(20), job.pin(80)])
    assert found.doubtful_pins == (0,)
    assert layers_off(found, job) <= 1.0


@pytest.mark.parametrize(
    ("at", "known"),
    [
        pytest.param([160, 290], {}, id="two in the second piece"),
        pytest.param([40, 410], {}, id="in the first and the third"),
        pytest.param([200, 400], {"finished": True}, id="with the end"),
        pytest.param([290, 160, 440], {"every_s": 60.0}, id="with posts, in any order"),
    ],
)
def test_a_pin_lies_in_the_piece_that_was_built_then(
    at: list[int], known: dict[str, float]
) -> None:
    job = RealJob(layers_of([40.0] * 150, pieces=3))
    more: dict[str, object] = {}
    if "finished" in known:
        more["finished_s"] = job.finished_s
    if "every_s" in known:
        more["posts"] = job.posts(known["every_s"])
    found = fitted(job, pins=[job.pin(layer) for layer in at], **more)
    assert found.doubtful_pins == ()
    assert layers_off(found, job) <= 1.0


def test_a_job_of_several_pieces_that_was_broken_off_keeps_its_pins() -> None:
    job = RealJob(layers_of([90.0] * 200, pieces=3))
    broken_off_s = float(job.start_s[190])
    found = fitted(job, pins=[job.pin(30), job.pin(170)], finished_s=broken_off_s)
    assert found.doubtful_pins == ()
    assert abs(found.start_s[100] - job.start_s[100]) <= found.uncertainty_s[100]
    assert [each.piece for each in found.when(10.0)] == [0]


def test_a_height_at_which_two_layers_meet_is_the_lower_ones() -> None:
    found = fitted(RealJob(layers_of([60.0] * 100)))
    assert [each.layer for height in (0.2, 4.0, 10.0) for each in found.when(height)] == [0, 19, 49]


@pytest.mark.parametrize("every_s", [20.0, 100.0], ids="posts {} s".format)
def test_a_stop_that_nobody_announced_moves_only_what_comes_after(every_s: float) -> None:
    jitter = np.ones(150)
    jitter[70] = 25.0  # a hair dryer on the same fuse
    job = RealJob(layers_of([60.0] * 150), rate=1.0, jitter=jitter.tolist())
    found = fitted(job, posts=changes(job.posts(every_s)))
    assert len(found.odd) == 0
    off_s = own_off_s(found, job)
    assert (np.abs(off_s[:60]) <= 60.0).all() and (np.abs(off_s[80:]) <= 60.0).all()
    assert (found.uncertainty_s > 0.0).all()
    on_its_way = np.abs(found.start_s - job.start_s) <= found.uncertainty_s
    assert on_its_way.mean() > 0.95 and on_its_way[69:73].all()


def test_no_layer_ends_before_it_begins_whatever_is_said() -> None:
    job = RealJob(layers_of([60.0] * 100))
    turned = [at_layer(job, 51, 10.1), at_layer(job, 50, 10.3)]
    found = fitted(job, pins=[*turned, job.pin(10), job.pin(90)])
    assert found.doubtful_pins == ()
    assert (found.end_s >= found.start_s).all()
    assert (found.start_s[1:] >= found.end_s[:-1]).all()


def uneven(seed: int) -> RealJob:
    """A job that strays from its toolpath as real ones do: in parts, and here and there."""
    chance = np.random.default_rng(seed)
    count = int(chance.integers(60, 300))
    lasting_s = chance.uniform(20.0, 200.0) * chance.uniform(0.8, 1.2, count)
    for _ in range(3):
        first, last = sorted(chance.integers(0, count, 2))
        lasting_s[first : last + 1] *= chance.uniform(0.5, 2.0)
    jitter = chance.normal(1.0, 0.02, count)
    for _ in range(4):
        first, last = sorted(chance.integers(0, count, 2))
        jitter[first : last + 1] *= chance.uniform(0.96, 1.05)
    return RealJob(
        layers_of(lasting_s.tolist()),
        heat_up_s=chance.uniform(300.0, 3000.0),
        rate=chance.normal(1.03, 0.05),
        pauses=[(4000.0, 900.0)],
        jitter=jitter.tolist(),
    )


def changes(posts: Sequence[HeightSeen]) -> list[HeightSeen]:
    """Posts as they are kept: a height that is told again says nothing new."""
    return [
        post
        for number, post in enumerate(posts)
        if not number or posts[number - 1].height_mm != post.height_mm
    ]


@pytest.mark.parametrize("every_s", [0.0, 5.0, 30.0, 120.0, 300.0, 900.0], ids="posts {} s".format)
def test_the_truth_lies_within_what_is_said_of_posts(every_s: float) -> None:
    within, off = [], []
    for seed in range(16):
        job = uneven(seed)
        at_each = [
            HeightSeen(float(t_s), float(height_mm))
            for t_s, height_mm in zip(job.start_s, job.layers.height_mm, strict=True)
        ]
        posts = job.posts(every_s) if every_s else at_each
        found = fitted(job, posts=changes(posts), finished_s=job.finished_s + 120.0)
        within.append((np.abs(own_off_s(found, job)) <= found.uncertainty_s).mean())
        off.append(layers_off(found, job))
    assert np.mean(within) > 0.92
    assert np.mean(off) <= 1.0


@pytest.mark.parametrize("count", [1, 2, 3], ids="{} pins".format)
def test_the_truth_lies_within_what_is_said_of_pins(count: int) -> None:
    within = []
    for seed in range(16):
        job = uneven(seed)
        at = np.random.default_rng(seed + 1000).choice(len(job.layers), count, replace=False)
        found = fitted(job, pins=[job.pin(int(layer)) for layer in at])
        within.append((np.abs(own_off_s(found, job)) <= found.uncertainty_s).mean())
    assert np.mean(within) > 0.92


def own_off_s(found: HeightTimes, job: RealJob) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """By how much each layer's beginning errs by the job's own clock."""
    own_s = np.array([job.clock.own_s(t_s) for t_s in found.start_s.tolist()])
    return np.asarray(own_s - job.own_start_s)


@pytest.mark.parametrize(
    ("other", "posted", "doubt"),
    [
        pytest.param(layers_of([60.0] * 200), True, "", id="its own"),
        pytest.param(layers_of([60.0] * 200), False, "", id="its own, without posts"),
        pytest.param(layers_of([60.0] * 100), True, "heights", id="half as high"),
        pytest.param(layers_of([60.0] * 60, thickness_mm=1.0), False, "duration", id="short"),
        pytest.param(layers_of([240.0] * 200), False, "duration", id="four times as long"),
        pytest.param(layers_of([240.0] * 200), True, "duration", id="the same, with posts"),
        pytest.param(layers_of([12.0] * 200), False, "duration", id="a fifth as long"),
    ],
)
def test_another_jobs_toolpath_is_told(other: Layers, posted: bool, doubt: str) -> None:
    job = RealJob(layers_of([60.0] * 200))
    found = fit(
        other,
        duration_s=float(other.end_s[-1]),
        started_s=BEGUN_S,
        posts=changes(job.posts(60.0)) if posted else (),
        finished_s=job.finished_s + 100.0,
    )
    assert found.doubt == doubt


def test_what_a_job_did_not_come_to_was_not_laid() -> None:
    job = RealJob(layers_of([60.0] * 200))
    posts = [post for post in changes(job.posts(60.0)) if post.t_s < job.start_s[80]]
    found = fitted(job, posts=posts, finished_s=float(job.start_s[82]))
    assert found.doubt == ""
    assert found.is_broken_off and abs(found.laid() - 82) <= 1
    assert found.finished_s < found.start_s[-1], "it is known when it would have been"
    assert found.crossing(found.laid() - 1).end_s <= found.finished_s
    shown: dict[str, Any] = JobHeights(found, TOOLPATH, "spacers", ()).columns()
    assert max(shown["end_at"]) <= found.finished_s, "nothing is placed after the job's end"
    columns = ("height_mm", "start_at", "end_at", "uncertainty_s", "piece")
    assert {len(shown[name]) for name in columns} == {found.laid()} == {200 - shown["unlaid"]}
    assert found.when(10.0) and found.when(16.0)
    assert found.when(25.0) == ()
    assert found.at(float(job.start_s[60])) is not None
    assert found.at(float(job.start_s[120])) is None


@pytest.mark.parametrize(
    ("share", "posted_to", "times", "doubt"),
    [
        pytest.param(0.5, None, 1.0, "duration", id="half"),
        pytest.param(0.7, None, 1.0, "duration", id="most of it"),
        # By its time alone one such job in fourteen is: it lies outside of what is told.
        pytest.param(0.85, None, 2.0, "", id="so much that it may as well have been quick"),
        pytest.param(1.0, None, 1.0, "", id="all of it"),
        pytest.param(0.7, 0.3, 1.0, "", id="most, and heights of its first third"),
        pytest.param(0.7, 0.7, 1.0, "", id="most, with all heights"),
    ],
)
def test_a_job_that_was_broken_off_is_not_fitted_as_if_whole(
    share: float, posted_to: float | None, times: float, doubt: str
) -> None:
    job = RealJob(layers_of([180.0] * 200))
    done = round(share * 200)
    known: dict[str, object] = {
        "finished_s": float(job.clock.at_s(job.own_end_s[done - 1 : done])[0])
    }
    if posted_to is not None:
        known["posts"] = [p for p in job.posts(60.0) if p.t_s < job.start_s[round(200 * posted_to)]]
    found = fitted(job, **known)
    off_s = np.abs(found.start_s - job.start_s)[:done]
    assert (off_s <= times * found.uncertainty_s[:done]).all()
    assert found.doubt == doubt


def test_a_job_that_took_its_time_is_as_sure_as_ever() -> None:
    """That it may have been broken off says nothing of a job that was no sooner done."""
    job = RealJob(layers_of([180.0] * 200), heat_up_s=1300.0, rate=1.06)
    found = fitted(job, finished_s=job.finished_s)
    assert found.uncertainty_s[-1] < 700.0


@pytest.mark.parametrize(
    ("heard", "known"),
    [
        pytest.param([(1.4, 3.0)], {}, id="from within the second on"),
        pytest.param([(1.02, 3.0)], {}, id="nearly from its begin on"),
        pytest.param([(2.3, 3.0)], {}, id="only in the third"),
        pytest.param([(2.3, 3.0)], {"finished": True}, id="only in the third, with the end"),
        pytest.param([(1.4, 1.8)], {"finished": True}, id="only in the second"),
        pytest.param([(1.4, 1.8)], {"pin": 320}, id="with a pin in the third"),
        pytest.param([(0.0, 0.5), (2.2, 3.0)], {}, id="not in the second"),
        pytest.param([(0.0, 0.5), (2.7, 3.0)], {}, id="not in the second, then higher"),
        pytest.param([(0.0, 0.5), (1.6, 3.0)], {}, id="not about the first one's end"),
        pytest.param([(0.0, 3.0)], {}, id="all along"),
    ],
)
def test_heights_that_were_not_told_all_along_find_their_piece(
    heard: list[tuple[float, float]], known: dict[str, int]
) -> None:
    """Pieces of two hours each, of which the machine was heard only now and then."""
    job = RealJob(layers_of([60.0] * 120, pieces=3))

    def piece_at(t_s: float) -> float:
        return int(np.searchsorted(job.start_s, t_s, side="right") - 1) / 120.0

    posts = [p for p in job.posts(25.0) if any(a <= piece_at(p.t_s) < b for a, b in heard)]
    more: dict[str, object] = {"finished_s": job.finished_s} if "finished" in known else {}
    if "pin" in known:
        more["pins"] = [job.pin(known["pin"])]
    found = fitted(job, posts=posts, **more)
    at = [round(120 * share) for pair in heard for share in pair if share < 3.0]
    off_s = np.abs(found.start_s - job.start_s)
    assert off_s[at].max() <= 60.0
    assert (off_s <= 1.25 * found.uncertainty_s).all()
    assert found.doubt == "" and found.doubtful_pins == ()


def test_of_which_of_two_short_pieces_a_height_is_is_said_not_to_be_known() -> None:
    job = RealJob(layers_of([12.0] * 100, pieces=3))  # of twenty minutes each
    posts = [p for p in job.posts(10.0) if job.start_s[130] < p.t_s < job.start_s[190]]
    unsure = fitted(job, posts=posts)
    sure = fitted(job, posts=posts, finished_s=job.finished_s)
    for found in (unsure, sure):
        assert (np.abs(found.start_s - job.start_s) <= found.uncertainty_s).all()
    assert sure.uncertainty_s[150] < 300.0
    assert unsure.uncertainty_s[150] > 900.0


def test_both_ways() -> None:
    job = RealJob(layers_of([60.0] * 50, pieces=2))
    found = fitted(job, posts=job.posts(15.0))
    twice = found.when(5.1)
    assert [(each.piece, each.layer) for each in twice] == [(0, 25), (1, 75)]
    assert abs(twice[0].start_s - job.start_s[25]) < 60.0
    back = found.at((twice[0].start_s + twice[0].end_s) / 2.0)
    assert back is not None
    assert back.layer == 25
    assert found.when(99.0) == ()
    assert found.at(BEGUN_S) is None
    assert found.at(job.finished_s + 9e4) is None


def test_stops_of_the_toolpath_are_the_pauses() -> None:
    layers = layers_of([60.0] * 100)
    stops_s = [1800.0, 4200.0]
    own_s = [900.0 + 1.06 * stop_s for stop_s in stops_s]
    job = RealJob(layers, pauses=[(own_s[0], 700.0), (own_s[1], 90.0)])
    assert layers_off(fitted(job, stops_s=stops_s), job) <= 1.0


def test_own_clock_stands_in_pauses() -> None:
    clock = OwnClock(100.0, [(50.0, 120.0), (200.0, 260.0)])
    shown = [clock.own_s(t_s) for t_s in (100.0, 110.0, 120.0, 200.0, 230.0, 260.0, 300.0)]
    assert shown == [0.0, 0.0, 0.0, 80.0, 80.0, 80.0, 120.0]
    assert clock.at_s(np.array([10.0, 80.0, 90.0])).tolist() == [130.0, 200.0, 270.0]


@pytest.mark.parametrize(
    ("of", "at"),
    [
        pytest.param((10, 70), (10, 70), id="in the first and the second"),
        pytest.param((12, 132), (12, 132), id="the same height in the first and the last"),
        pytest.param((65, 170), (65, 170), id="none in the first"),
    ],
)
def test_pins_find_the_piece_that_they_mean(of: tuple[int, int], at: tuple[int, int]) -> None:
    job = RealJob(layers_of((45.0 * SLOW[:60]).tolist(), pieces=3), rate=1.04)
    pins = [job.pin(layer) for layer in of]
    found = fitted(job, pins=pins[::-1], finished_s=job.finished_s + 120.0)
    assert layers_off(found, job) <= 1.0
    assert found.doubtful_pins == ()
    for layer, pin in zip(at, pins, strict=True):
        crossing = found.at(pin.t_s)
        assert crossing is not None
        assert abs(crossing.layer - layer) <= 1


def test_a_pin_told_to_a_minute_says_less() -> None:
    job = RealJob(layers_of([15.0] * 300))
    near = job.pin(150)
    minute = HeightSeen(near.t_s, near.height_mm, 60.0)
    exact, rough = fitted(job, pins=[near]), fitted(job, pins=[minute])
    assert rough.uncertainty_s[150] > 2.0 * exact.uncertainty_s[150]


CHANCE = np.random.default_rng(5)
VARIED_S = CHANCE.uniform(25.0, 80.0, 150)


@pytest.mark.parametrize(
    "durations_s",
    [
        pytest.param([44.0] * 150, id="layers alike"),
        pytest.param(VARIED_S, id="layers that differ"),
        pytest.param([90.0, *[44.0] * 149], id="a slow first one"),
    ],
)
def test_a_height_told_when_its_layer_begins_is_that_beginning(
    durations_s: Sequence[float],
) -> None:
    job = RealJob(layers_of(durations_s), pauses=((2500.0, 900.0),))
    told = [
        HeightSeen(float(start_s), float(height_mm))
        for start_s, height_mm in zip(job.start_s, job.layers.height_mm, strict=True)
    ]
    found = fitted(job, posts=told)
    off_s = np.abs(found.start_s - job.start_s)
    assert off_s.max() < 2.0
    assert found.uncertainty_s.max() < 10.0


@pytest.mark.parametrize(
    "layer_s",
    [
        pytest.param(44.0, id="asked for less often than layers change"),
        pytest.param(55.0, id="nearly as often"),
        pytest.param(66.0, id="a little more often"),
    ],
)
def test_a_height_asked_for_each_minute_is_late_by_up_to_that(layer_s: float) -> None:
    job = RealJob(layers_of([layer_s] * 200), rate=1.0)
    # As the service keeps them: a height that has not changed is not told again.
    posts = job.posts(60.0)
    kept = [
        post
        for before, post in pairwise([HeightSeen(0.0, -1.0), *posts])
        if post.height_mm != before.height_mm
    ]
    found = fitted(job, posts=kept)
    assert layers_off(found, job) <= 1.0
    assert np.mean(np.abs(found.start_s - job.start_s) <= found.uncertainty_s) > 0.85


def test_a_speed_turned_down_in_the_middle_leaves_no_post_out() -> None:
    layers = layers_of((30.0 * SLOW).tolist())
    job = RealJob(layers, jitter=np.where(np.arange(200) < 80, 1.0, 1.25).tolist())
    found = fitted(job, posts=job.posts(300.0))
    assert layers_off(found, job) <= 3.0
    assert len(found.odd) <= 1
