"""From light to the bytes that a camera gives: exposure, tone, noise, focus, compression.

Shot noise grows with the root of the light (photons are counted), read noise
is always there; both are fresh in every picture. The tone curve is close to a
gamma of 2 with a straight foot, as cameras have.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from stillair.simulation.chance import even, mixed
from stillair.simulation.stage import Light, Picture, tinted
from stillair.simulation.view import WHITE, Optics

SHOT: Final = 1.0e-4  # variance at full light: a signal to noise of 40 dB
READ: Final = 0.7e-6  # variance in the dark
FOOT: Final = 0.06
_NOISE_UNIT: Final = 28.0  # int8 steps of one standard deviation
_SPARE_ROWS: Final = 3  # heights of a picture that the store of noise holds more than one


@lru_cache(maxsize=4)
def _noise_store(width_px: int, height_px: int, grain: int) -> NDArray[np.int8]:
    """A long strip of noise; a picture takes a stretch of it from any place."""
    rng = np.random.default_rng(0x9015E)
    shape = (height_px * (1 + _SPARE_ROWS), width_px, 3)
    noise = rng.standard_normal(shape, np.float32)
    if grain > 0:
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), 0.1 * grain), np.float32)
        noise /= noise.std()
    return np.asarray(np.clip(noise * _NOISE_UNIT, -127, 127), np.int8).ravel()


class Camera:
    """Turns light into pictures. One camera's noise never repeats itself from picture to picture.

    Parameters
    ----------
    noise : float
        Scale of the noise's standard deviation.
    grain_px : float
        How wide the noise's grains are (a camera that smooths has wider ones).
    """

    def __init__(
        self, seed: int, width_px: int, height_px: int, noise: float, grain_px: float
    ) -> None:
        self._seed, self._noise = seed, noise
        self._size = width_px, height_px
        self._grain = round(10.0 * grain_px)
        self._ink: Light = np.empty((height_px, width_px, 3), np.float32)

    def develop(self, light: Light, t_s: float, optics: Optics) -> Picture:
        """The picture of this light, which is used up."""
        if optics.blur_px > 0.2:
            spread = optics.blur_px * self._size[0] / 320.0
            light = np.asarray(cv2.GaussianBlur(light, (0, 0), spread), np.float32)
        if optics.gain != 1.0 or optics.balance != WHITE:
            gains = tuple(optics.gain * part for part in optics.balance)
            light = tinted(light, gains)
        np.minimum(light, 1.0, out=light)
        self._add_noise(light, t_s, optics.gain)
        picture = toned(light)
        if optics.jpeg is not None:
            _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, optics.jpeg])
            picture = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
        return picture

    def _add_noise(self, light: Light, t_s: float, gain: float) -> None:
        store = _noise_store(*self._size, self._grain)
        moment = mixed(self._seed, round(t_s * 1000.0))
        start = 3 * (moment % ((store.size - light.size) // 3))
        noise = store[start : start + light.size].reshape(light.shape)
        sign = 1.0 if even(self._seed + 5, moment) < 0.5 else -1.0
        variance = self._noise**2 * max(gain, 0.2)
        spread = self._ink
        np.multiply(light, SHOT * variance, out=spread)
        spread += READ * variance * max(gain, 0.2)
        np.maximum(spread, 0.0, out=spread)
        cv2.sqrt(spread, dst=spread)
        cv2.multiply(spread, noise, dst=spread, scale=sign / _NOISE_UNIT, dtype=cv2.CV_32F)
        cv2.add(light, spread, dst=light)


def toned(light: Light) -> Picture:
    """Light as bytes; at most 1 is full white."""
    clipped = np.maximum(light, 0.0)
    clipped += FOOT * FOOT
    cv2.sqrt(clipped, dst=clipped)
    scale = 255.0 / (np.sqrt(1.0 + FOOT * FOOT) - FOOT)
    return np.asarray(cv2.convertScaleAbs(clipped, alpha=scale, beta=-scale * FOOT), np.uint8)


def untoned(picture: Picture) -> Light:
    """The light of bytes, but for what noise, rounding and white hide."""
    scale = np.sqrt(1.0 + FOOT * FOOT) - FOOT
    return np.asarray((picture * (scale / 255.0) + FOOT) ** 2 - FOOT * FOOT, np.float32)
