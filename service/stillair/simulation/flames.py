"""Flames as a camera sees them: turbulent tongues that puff, glowing on all around.

A flame breathes by vortices that form at its foot and rise along it, some
`1.5 / sqrt(D)` a second for a burning patch D metres wide (Cetegen, B. M. and
Ahmed, T. A. (1993) Experiments on the periodic instability of buoyant plumes
and pool fires, Combustion and Flame 93), never quite in time. Its edge is torn
by noise that is carried upward and changes as it goes. The hot middle is far
brighter than anything else in the box, so it saturates; the rim is orange.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.simulation.chance import wobble
from stillair.simulation.stage import Light, overlap
from stillair.simulation.view import Flame

GLOW: Final = (0.10, 0.42, 1.0)  # its light on the surroundings
_TILE: Final = 128
_LEAST_PX, _MOST_PX = 28, 72


def puffs_per_s(diameter_m: float) -> float:
    """How often a fire of this diameter puffs (Cetegen and Ahmed 1993)."""
    return 1.5 / math.sqrt(max(0.003, diameter_m))


@lru_cache(maxsize=1)
def _noise_tile() -> Light:
    """Noise that goes on over its edges, mean 0, standard deviation 1."""
    rng = np.random.default_rng(0xF1A3E)
    waves = np.hypot(np.fft.fftfreq(_TILE)[:, None], np.fft.fftfreq(_TILE)[None, :]) * _TILE
    weight = np.where((waves > 2.0) & (waves < 40.0), 1.0 / np.maximum(waves, 1.0) ** 1.4, 0.0)
    noise = np.fft.ifft2(np.fft.fft2(rng.normal(size=(_TILE, _TILE))) * weight).real
    return np.asarray(noise / noise.std(), np.float32)


@lru_cache(maxsize=1)
def _inks() -> NDArray[np.float32]:
    """Light by heat from 0 to 255, BGR, before its power."""
    heat = np.linspace(0.0, 1.0, 256)
    red = np.clip(heat * 3.0, 0.0, None) ** 1.3
    green = np.clip((heat - 0.06) * 1.9, 0.0, None) ** 1.6
    blue = np.clip((heat - 0.30) * 1.3, 0.0, None) ** 2.0
    return np.stack((blue, green, red), axis=1).astype(np.float32)


def beat(seed: int, t_s: float, diameter_m: float) -> float:
    """How many times the fire has puffed, with its own small unevenness."""
    per_s = puffs_per_s(diameter_m)
    uneven = 0.22 * wobble(seed + 11, t_s, 0.45 * per_s) + 0.3 * wobble(seed + 12, t_s, 0.1 * per_s)
    return t_s * per_s + uneven


def sprite(flame: Flame, seed: int, t_s: float, width_px: float) -> tuple[Light, float]:
    """One flame's light `(high, wide, 3)`, foot in the middle of the last row, and its strength.

    The strength is about 1 on average and goes with the light on all around.
    `width_px` is the width of the foot in pixels.
    """
    wide = max(6, round(1.9 * width_px))
    high = max(8, round(1.6 * flame.tall * width_px))
    columns = min(_MOST_PX, max(_LEAST_PX, wide))  # small ones are worked out finer than shown
    rows = max(8, round(columns * high / wide))
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    across = (x + 0.5) / columns * 1.9 * 2.0 - 1.9  # half feet from the middle
    up = 1.6 * (1.0 - (y + 0.5) / rows)  # 0 at the foot, 1 at the usual tip
    phase = math.tau * beat(seed, t_s, flame.diameter_m)
    per_s = puffs_per_s(flame.diameter_m)
    reach = 1.0 + 0.22 * math.sin(phase) + 0.16 * wobble(seed + 21, t_s, 0.8 * per_s)
    noise = _noise_tile()
    rise = t_s * per_s * 0.9  # heights of the flame that the gas has gone up
    coarse = _carried(
        noise, across * 9.0, (up * flame.tall - rise * flame.tall) * 16.0, seed, t_s, per_s
    )
    fine = _carried(
        noise,
        across * 26.0,
        (up * flame.tall - 1.3 * rise * flame.tall) * 42.0,
        seed + 1,
        t_s,
        per_s,
    )
    torn = np.sqrt(np.maximum(up, 0.0))
    sway = 0.25 * wobble(seed + 31, t_s, 0.7 * per_s) * up * up
    bulge = 1.0 + 0.28 * np.sin(phase - 5.5 * up) * np.minimum(1.0, 2.0 * up)
    top = np.clip(1.0 - up / reach, 0.0, 1.0)
    half = (0.15 + 0.85 * top**0.6) * np.minimum(1.0, 0.55 + 2.5 * up) * bulge
    off = (across - sway + 0.30 * torn * coarse) / np.maximum(half, 0.05)
    heat = top**0.45 * (1.0 - off * off) + torn * (0.22 * coarse + 0.16 * fine) * np.minimum(
        1.0, 5.0 * top
    )
    steps = np.clip(heat * 255.0, 0, 255).astype(np.uint8)
    light = _inks()[steps]
    if flame.blue > 0.0:
        foot = flame.blue * np.clip(1.0 - up / 0.22, 0.0, 1.0)[:, :, None]
        light = light * (1.0 - 0.85 * foot) + foot * (steps > 20)[:, :, None] * np.array(
            (0.35, 0.12, 0.05), np.float32
        )
    strength = float(steps.mean()) / 42.0
    if columns != wide:
        how = cv2.INTER_AREA if columns > wide else cv2.INTER_LINEAR
        light = cv2.resize(light, (wide, high), interpolation=how)
    light = np.asarray(light * np.float32(flame.power), np.float32)
    return light, strength


def _carried(noise: Light, x: Light, y: Light, seed: int, t_s: float, per_s: float) -> Light:
    """Noise at places of the moving gas, which also changes as it goes."""
    drift = 7.0 * wobble(seed + 41, t_s, 0.5 * per_s)
    at = np.asarray(x + (seed * 37 % _TILE) + drift, np.float32)
    up = np.asarray(y + (seed * 61 % _TILE), np.float32)
    up -= _TILE * np.floor(up.min() / _TILE)
    at -= _TILE * np.floor(at.min() / _TILE)
    return np.asarray(
        cv2.remap(
            noise, np.mod(at, _TILE), np.mod(up, _TILE), cv2.INTER_LINEAR, None, cv2.BORDER_WRAP
        ),
        np.float32,
    )


def place(light: Light, flame: Flame, seed: int, t_s: float) -> float:
    """Add the flame to the light of a picture; return its strength."""
    high_px, wide_px = light.shape[:2]
    own, strength = sprite(flame, seed, t_s, flame.width * wide_px)
    spread = max(1.0, 0.25 * flame.width * wide_px)
    if spread < 3.0:
        halo = cv2.GaussianBlur(own, (0, 0), spread)
    else:  # so broad that a quarter of the size shows it as well
        small = cv2.resize(own, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        size = own.shape[1], own.shape[0]
        halo = cv2.resize(cv2.GaussianBlur(small, (0, 0), 0.25 * spread), size)
    own = np.asarray(cv2.scaleAdd(np.asarray(halo, np.float32), 0.12, own), np.float32)
    left = round(flame.x * wide_px - own.shape[1] / 2)
    top = round(flame.y * high_px - own.shape[0])
    if flame.behind is not None:
        own = own[: max(0, round(flame.behind * high_px) - top)]
    part, own = overlap(light, own, left, top)
    part += own
    return strength


@lru_cache(maxsize=16)
def _glow_map(x: float, y: float, reach: float, size: tuple[int, int]) -> Light:
    wide, high = size[0] // 8, size[1] // 8
    rows, columns = np.mgrid[0:high, 0:wide].astype(np.float32)
    away = np.hypot(columns / wide - x, (rows / high - y) * 0.75)
    small = (1.0 / (1.0 + (away / reach) ** 2)).astype(np.float32)
    return np.asarray(cv2.resize(small, size, interpolation=cv2.INTER_LINEAR), np.float32)


def glow(flame: Flame, strength: float, size: tuple[int, int]) -> tuple[Light, float]:
    """Where its light falls, `(height, width)`, and how much there is of it."""
    reach = round(0.06 + 1.2 * flame.width, 3)
    middle = round(flame.y - 0.5 * flame.tall * flame.width * 4 / 3, 2)
    seen = 1.0 if flame.behind is None else 0.7
    amount = strength * flame.power * seen * min(1.5, 9.0 * flame.width) * 0.5
    return _glow_map(round(flame.x, 2), middle, reach, size), amount
