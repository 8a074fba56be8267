"""Soft things that move, a sheet that sways, and what is put down or taken away: no smoke.

What the net of the smoke watch takes for smoke must not be all that is soft and moves, as a
hand near the lens is, out of focus, or a curtain. These are drawn by lot, of any shape,
softness and way, so that nothing is learned of the one machine of the simulated scenes.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from bench.smoke_made import LASTS_S, PER_S, Frame, drawn
from stillair.fire.grid import SIZE

FRAMES = round(LASTS_S * PER_S)
ROWS, COLUMNS = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(np.float32)
Picture = NDArray[np.float32]  # (120, 160)


@dataclass(frozen=True, slots=True)
class _Thing:
    """Opaque, with a surface of its own; by frame it is somewhere or nowhere."""

    outline: NDArray[np.float64]  # (points, 2), about where it is
    surface: Picture
    at: tuple[tuple[float, float] | None, ...]
    moved: tuple[tuple[float, float], ...]
    edge_px: float
    shadow: float
    shadow_px: float
    shadow_aside: tuple[float, float]

    @classmethod
    def by_lot(cls, rng: np.random.Generator) -> _Thing:
        angles = np.linspace(0.0, math.tau, 48, endpoint=False)
        radius = np.ones(48)
        for turns in range(1, 6):
            turned = turns * angles + rng.uniform(0.0, math.tau)
            radius += rng.normal(0.0, 0.25 / turns) * np.cos(turned)
        long = rng.normal(0.0, 0.3) * np.cos(2.0 * (angles - rng.uniform(0.0, math.tau)))
        radius *= _spread(rng, 7.0, 42.0) * np.exp(long)
        surface = _grain(rng, 1.5) * rng.uniform(0.0, 25.0)
        surface += rng.uniform(12.0, 235.0) + rng.uniform(-0.4, 0.4) * (COLUMNS - SIZE[0] / 2)
        surface += rng.uniform(-0.4, 0.4) * (ROWS - SIZE[1] / 2)
        moved = tuple(_way(rng))
        x, y = rng.uniform(10.0, 150.0), rng.uniform(10.0, 110.0)
        there = np.ones(FRAMES, np.bool_)
        if rng.random() < 0.6:
            comes = int(rng.uniform(0.0, FRAMES - 100.0))
            there[:comes] = False
            there[comes + int(rng.uniform(8.0, 400.0)) :] = False
        return cls(
            np.stack([radius * np.cos(angles), radius * np.sin(angles)], axis=1),
            np.asarray(surface, np.float32),
            tuple(
                (x + dx, y + dy) if here else None
                for here, (dx, dy) in zip(there, moved, strict=True)
            ),
            moved,
            _spread(rng, 0.6, 4.0),
            float(rng.uniform(0.0, 0.35)),
            float(rng.uniform(4.0, 15.0)),
            (float(rng.uniform(-12.0, 12.0)), float(rng.uniform(-12.0, 12.0))),
        )

    def before(self, number: int, picture: Picture) -> Picture:
        place = self.at[number]
        if place is None:
            return picture
        mask = _outlined(self.outline + place)
        shade = cv2.GaussianBlur(_shifted(mask, self.shadow_aside), (0, 0), self.shadow_px)
        picture = picture * (1.0 - self.shadow * np.asarray(shade, np.float32))
        mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), self.edge_px), np.float32)
        surface = _shifted(self.surface, self.moved[number], cv2.BORDER_REFLECT)
        return np.asarray(picture + mask * (surface - picture), np.float32)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """A part of the picture that sways in gusts."""

    where: Picture
    phase: Picture
    along: tuple[float, float]
    period_s: float
    sways_px: float
    shines: float

    @classmethod
    def by_lot(cls, rng: np.random.Generator) -> _Sheet:
        angle = rng.uniform(0.0, math.tau)
        along = (math.cos(angle), math.sin(angle))
        x, y = rng.uniform(20.0, 140.0), rng.uniform(20.0, 100.0)
        wide, high = rng.uniform(15.0, 70.0), rng.uniform(15.0, 55.0)
        where = 2.0 * (1.5 - ((COLUMNS - x) / wide) ** 2 - ((ROWS - y) / high) ** 2)
        return cls(
            np.clip(where, 0.0, 1.0).astype(np.float32),
            np.float32(_spread(rng, 0.02, 0.2)) * (along[0] * COLUMNS + along[1] * ROWS),
            along,
            _spread(rng, 0.7, 8.0),
            float(rng.uniform(0.5, 4.0)),
            float(rng.uniform(0.0, 0.08)),
        )

    def before(self, t_s: float, picture: Picture) -> Picture:
        gust = max(0.0, math.sin(t_s / 11.0) + math.sin(t_s / 4.3)) * self.where
        phase = self.phase + math.tau * t_s / self.period_s
        by_px = (self.sways_px * gust * np.sin(phase)).astype(np.float32)
        from_x = (COLUMNS + by_px * self.along[0]).astype(np.float32)
        from_y = (ROWS + by_px * self.along[1]).astype(np.float32)
        swayed = cv2.remap(picture, from_x, from_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        return np.asarray(swayed * (1.0 + self.shines * gust * np.cos(phase)), np.float32)


def with_movers(shown: Iterable[Frame], seed: int) -> Iterator[Frame]:
    """Pictures `(120, 160)` of a scene, or one of them with a camera's noise, and what moves."""
    rng = np.random.default_rng((seed, 3))
    frames = list(shown)[:FRAMES]
    plays = rng.random() < 0.35
    still = frames[int(rng.integers(len(frames)))][1]
    noise = rng.uniform(0.3, 2.5)
    things = [_Thing.by_lot(rng) for _ in range(int(rng.integers(1, 4)))]
    sheet = _Sheet.by_lot(rng) if rng.random() < 0.4 else None
    for number, (t_s, playing) in enumerate(frames):
        picture = (playing if plays else still).astype(np.float32)
        if sheet is not None:
            picture = sheet.before(t_s, picture)
        for thing in things:
            picture = thing.before(number, picture)
        if not plays:
            picture = picture + rng.normal(0.0, noise, picture.shape).astype(np.float32)
        yield t_s, drawn(picture)


def put_down(picture: NDArray[np.uint8], seed: int) -> Iterator[Frame]:
    """A still view `(120, 160)`, and of a sudden some things are there, or gone."""
    rng = np.random.default_rng((seed, 4))
    noise = rng.uniform(0.3, 2.5)
    scene = picture.astype(np.float32)
    other = scene
    for _ in range(int(rng.integers(1, 4))):
        other = _put_before(other, rng)
    changes_s, taken_away = rng.uniform(25.0, 60.0), rng.random() < 0.3
    for number in range(FRAMES):
        t_s = number / PER_S
        shown = other if (t_s >= changes_s) != taken_away else scene
        yield t_s, drawn(shown + rng.normal(0.0, noise, shown.shape))


def _put_before(scene: Picture, rng: np.random.Generator) -> Picture:
    """A box or something round, plain or with a grain, and its shadow."""
    x, y = rng.uniform(10.0, 150.0), rng.uniform(10.0, 110.0)
    wide, high = _spread(rng, 8.0, 60.0), _spread(rng, 8.0, 60.0)
    if rng.random() < 0.6:
        turned = float(rng.choice((0.0, rng.uniform(0.0, 90.0))))
        corners = cv2.boxPoints(((x, y), (1.4 * wide, 1.4 * high), turned))
        mask = _outlined(np.asarray(corners, np.float32))
    else:
        turned = float(rng.uniform(0.0, 180.0))
        mask = np.zeros(scene.shape, np.float32)
        cv2.ellipse(mask, (int(x), int(y)), (int(wide), int(high)), turned, 0, 360, 1.0, -1)
    if rng.random() < 0.5:
        aside = (float(rng.uniform(-12.0, 12.0)), float(rng.uniform(-12.0, 12.0)))
        shade = cv2.GaussianBlur(_shifted(mask, aside), (0, 0), rng.uniform(2.0, 15.0))
        scene = np.asarray(scene * (1.0 - rng.uniform(0.05, 0.4) * shade), np.float32)
    surface = _grain(rng, 1.0) * float(rng.choice((0.0, rng.uniform(0.0, 25.0))))
    like = float(scene[int(y), int(x)]) * rng.uniform(0.6, 1.5)
    level = rng.uniform(12.0, 235.0) if rng.random() < 0.6 else np.clip(like, 12.0, 240.0)
    surface = surface + level + rng.uniform(-0.3, 0.3) * (COLUMNS - SIZE[0] / 2)
    mask = np.asarray(cv2.GaussianBlur(mask, (0, 0), rng.uniform(0.4, 2.0)), np.float32)
    return np.asarray(scene + mask * (surface - scene), np.float32)


def _way(rng: np.random.Generator) -> Iterator[tuple[float, float]]:
    """By frame: it goes to and fro for a while and rests for a while."""
    swings = [
        (rng.uniform(5.0, 50.0), rng.uniform(5.0, 35.0), _spread(rng, 1.5, 15.0), *phases)
        for phases in rng.uniform(0.0, math.tau, (3, 2))
    ]
    goes = np.zeros(FRAMES)
    at = 0
    while at < FRAMES:
        lasts = int(rng.uniform(4.0, 80.0))
        goes[at : at + lasts] = 1.0 / PER_S
        at += lasts + (int(rng.exponential(40.0)) if rng.random() < 0.7 else 0)
    for gone_s in np.cumsum(goes):
        yield (
            0.6 * sum(x * math.sin(math.tau * gone_s / every + p) for x, _, every, p, _ in swings),
            0.6 * sum(y * math.sin(math.tau * gone_s / every + p) for _, y, every, _, p in swings),
        )


def _grain(rng: np.random.Generator, least_px: float) -> Picture:
    """Soft blotches of so many pixels or more, with a standard deviation of 1."""
    raw = rng.normal(0.0, 1.0, ROWS.shape).astype(np.float32)
    soft = np.asarray(cv2.GaussianBlur(raw, (0, 0), rng.uniform(least_px, 8.0)), np.float32)
    return np.asarray(soft / soft.std(), np.float32)


def _outlined(points: NDArray[np.float64] | NDArray[np.float32]) -> Picture:
    """1 within a polygon."""
    mask = np.zeros(ROWS.shape, np.float32)
    cv2.fillPoly(mask, [np.round(points * 16.0).astype(np.int32)], 1.0, shift=4)
    return mask


def _spread(rng: np.random.Generator, least: float, most: float) -> float:
    """As likely in each part of a scale by the logarithm."""
    return math.exp(rng.uniform(math.log(least), math.log(most)))


def _shifted(
    picture: Picture, by: tuple[float, float], border: int = cv2.BORDER_CONSTANT
) -> Picture:
    shift = np.array([[1.0, 0.0, by[0]], [0.0, 1.0, by[1]]], np.float32)
    return np.asarray(cv2.warpAffine(picture, shift, SIZE, borderMode=border), np.float32)
