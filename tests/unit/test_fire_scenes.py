"""The labelled scenes that the fire watch is measured with: drawn, repeatable, labelled sanely."""

from __future__ import annotations

from itertools import islice

import numpy as np
import pytest

from bench.fire_scenes import (
    BLIND,
    FLAMES,
    HARMLESS,
    SIZE,
    SMOKES,
    LabelledScene,
    scene,
)
from stillair.model import CameraCondition
from stillair.simulation.look import WALLS

KINDS = (*HARMLESS, *FLAMES, *SMOKES, *BLIND)
PER_S = 5.0


def short(kind: str, seed: int) -> LabelledScene:
    """Long enough for what happens, at few pictures."""
    return scene(kind, seed, seconds=75.0, frames_per_s=PER_S)


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_draws_and_is_the_same_by_seed(kind: str) -> None:
    seen, again = (
        list(islice(scene(kind, 2, seconds=50.0, frames_per_s=PER_S).frames(), 2)) for _ in range(2)
    )
    times_s = [t_s for t_s, _ in seen]
    assert times_s == sorted(set(times_s))
    assert times_s[0] >= 0.0
    for (t_s, picture), (again_s, repeated) in zip(seen, again, strict=True):
        assert picture.shape == (SIZE[1], SIZE[0], 3)
        assert picture.dtype == np.uint8
        assert t_s == again_s
        assert np.array_equal(picture, repeated)


@pytest.mark.parametrize("kind", KINDS)
def test_labels_are_sane(kind: str) -> None:
    for seed in (2, 4) if kind in FLAMES else (2,):
        labelled = short(kind, seed)
        assert labelled.wall in WALLS
        assert (labelled.burns == ()) == (kind in HARMLESS or kind in BLIND)
        for burn in labelled.burns:
            assert burn.what == ("flame" if kind in FLAMES else "smoke")
            assert 0.0 <= burn.onset_s < burn.end_s <= labelled.seconds
            assert (burn.onset_s == 0.0) == kind.endswith("from the start")
            if kind in FLAMES:
                assert 0.03 <= burn.width <= 0.15
                assert labelled.state(burn.onset_s).flames
                assert kind.endswith("from the start") or not labelled.state(0.0).flames
            else:
                assert 0.0 < burn.hidden < 1.0
                assert burn.hides_8_s is None or burn.hides_8_s >= burn.onset_s
                assert burn.hides_15_s is None or (burn.hides_8_s or 0.0) <= burn.hides_15_s
        assert (labelled.blind == ()) == (kind not in BLIND)
        for condition, from_s, until_s in labelled.blind:
            assert condition in set(CameraCondition)
            assert kind == f"blind: {condition}"
            assert 10.0 < from_s < until_s <= labelled.seconds


def test_another_seed_is_another_scene() -> None:
    (_, one), (_, other) = (next(short("building", seed).frames()) for seed in (2, 4))
    assert not np.array_equal(one, other)


def test_a_frozen_view_repeats_a_picture_and_a_slow_one_has_few() -> None:
    still = short("blind: frozen", 2)
    ((_, from_s, _),) = still.blind
    shown = [picture for t_s, picture in still.frames() if from_s <= t_s < from_s + 2.0]
    assert all(np.array_equal(shown[0], each) for each in shown)
    few = short("blind: slow", 2)
    ((_, from_s, until_s),) = few.blind
    times_s = [t_s for t_s, _ in few.frames() if t_s < until_s]
    pace = sum(t_s >= from_s for t_s in times_s) / (until_s - from_s)
    assert pace < 2.0 < sum(t_s < from_s for t_s in times_s) / from_s


def test_there_is_no_scene_of_an_unknown_kind() -> None:
    with pytest.raises(KeyError):
        scene("a calm sea", 2)
