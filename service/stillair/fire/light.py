"""Whether the light is fit to see by: dark, and so unsteady that a flame can't be told.

A lamp that flickers dims everything it lights by the same share at the same time, or row
by row where the sensor reads its rows one after the other. A flame's glow is strong near
it and weak far away.
"""

from __future__ import annotations

import statistics
from collections import deque
from enum import StrEnum

import cv2
import numpy as np
from numpy import fft
from numpy.typing import NDArray

Gray = NDArray[np.uint8]

DARK_MEAN, LIGHT_MEAN = 16.0, 20.0  # of 255
DARK_TOP, LIGHT_TOP = 40, 56  # of 255: the level that 90 % of the pixels don't exceed
WHITE_LEVEL = 235  # of 255: nominal white in ITU-R BT.601 coding
WHITE_SHARE, LESS_WHITE_SHARE = 0.6, 0.52  # of the picture

ROWS, COLUMNS = 24, 16  # cells in which brightness is followed
FLICKER_WINDOW_S = 2.5
FLICKER_FROM = 0.08  # root mean square of the brightness's swing, as a share of it
IRREGULAR_FROM = 0.095  # where it may be a fire's glow
FLICKER_PICTURES = 9
FLICKER_TURNS = 4  # crossings of the mean within the window: 0.8 Hz
FLICKER_AGREE = 0.65  # share of the lit cells that swing alike
LIT_FROM, LIT_TO = 12.0, 240.0  # of 255: a cell's mean, between black and clipped
LEAST_LIT = 0.3  # share of the cells


def is_dark(gray: Gray, *, was_dark: bool) -> bool:
    """Whether there is almost no light.

    Dark: the mean is below 16 of 255, black in ITU-R BT.601 coding, and 90 % of the pixels
    are at 40 or less; so an indicator, a light at the tool head, or a lit room behind a small
    window doesn't make a dark chamber seen. Light again when the mean is above 20 or more than
    10 % of the pixels above 56. The four levels are assumptions; no recording of a chamber
    whose lamp failed was to be had.
    """
    mean = float(cv2.mean(gray)[0])
    if mean > (LIGHT_MEAN if was_dark else DARK_MEAN):
        return False
    counts = cv2.calcHist([gray], [0], None, [256], [0, 256]).ravel()
    top = int(np.searchsorted(np.cumsum(counts), 0.9 * gray.size))
    return top <= (LIGHT_TOP if was_dark else DARK_TOP)


def is_washed_out(gray: Gray, *, was_washed_out: bool) -> bool:
    """Whether 60 % of the picture, afterwards 52 %, is white: 235 of 255 or more.

    A flame and its glow whiten parts; white walls and sky filled 46 % at most in 39
    recordings (measured).
    """
    white = int(np.count_nonzero(gray >= WHITE_LEVEL))
    return white >= (LESS_WHITE_SHARE if was_washed_out else WHITE_SHARE) * gray.size


def cell_sums(gray: Gray) -> NDArray[np.int32]:
    """The sum of the pixels in each cell, `(24, 16) int32`; smaller pictures have fewer cells."""
    high, wide = gray.shape
    rows = np.linspace(0, high, min(ROWS, high) + 1).astype(int)
    columns = np.linspace(0, wide, min(COLUMNS, wide) + 1).astype(int)
    corners = cv2.integral(gray)[rows][:, columns]
    return np.asarray(np.diff(np.diff(corners, axis=0), axis=1), np.int32)


class Unsteady(StrEnum):
    """How the light swings."""

    NO = ""
    LAMP = "lamp"  # regularly: a lamp
    LIGHT = "light"  # irregularly: a failing lamp, or a fire's glow


class Flicker:
    """Tell when the light swings so strongly that a flame would not be told from it.

    Over 2.5 s: the brightness of the cells, as a share of each cell's mean, swings by 8 %
    (root mean square, in the median row) or more, at least four times across its mean, and
    two thirds of all lit cells follow their row's median: correlation 0.7 or more, and half
    to one and a half times its swing. 8 %, an amplitude of 11 %, are an assumption: lamps
    whose bands have up to 10 % are common, and a flame is still told before them.

    Regular where one frequency holds four fifths of the swing's variance; flames, which pulse,
    spread over more. What is irregular has to swing by 9.5 %.
    """

    def __init__(self) -> None:
        self._times_s: deque[float] = deque()
        self._cells: deque[NDArray[np.float32]] = deque()

    def add(self, t_s: float, cells: NDArray[np.float32]) -> None:
        """Take the means of the cells in the next picture, `(24, 16) float32`, 0 to 255."""
        if self._cells and self._cells[-1].shape != cells.shape:
            self._times_s.clear()
            self._cells.clear()
        self._times_s.append(t_s)
        self._cells.append(cells)
        while t_s - self._times_s[0] > FLICKER_WINDOW_S:
            self._times_s.popleft()
            self._cells.popleft()

    def judge(self) -> Unsteady:
        """How the light has swung in the last 2.5 s."""
        times_s = self._times_s
        if len(times_s) < FLICKER_PICTURES or times_s[-1] - times_s[0] < 0.8 * FLICKER_WINDOW_S:
            return Unsteady.NO
        cells = np.stack(self._cells)
        means = cells.mean(axis=0)
        swing = cells / np.maximum(means, 1.0) - 1.0
        lit = (means >= LIT_FROM) & (means <= LIT_TO)
        most = float(np.abs(swing).max(where=lit, initial=0.0))
        if lit.mean() < LEAST_LIT or most < FLICKER_FROM:
            return Unsteady.NO  # where no cell swings so far, their medians don't either
        rows_lit = lit.any(axis=1)
        rows = _row_medians(swing[:, rows_lit], lit[rows_lit])
        strength = np.square(rows).mean(axis=0)
        usual = int(np.argsort(strength)[len(strength) // 2])  # a bed that moves fills few rows
        regular = _is_regular(rows[:, usual])
        if np.sqrt(strength[usual]) < (FLICKER_FROM if regular else IRREGULAR_FROM):
            return Unsteady.NO
        turns = np.count_nonzero(np.diff(np.signbit(rows), axis=0), axis=0)
        if statistics.median(turns.tolist()) < FLICKER_TURNS:
            return Unsteady.NO
        follows = swing[:, rows_lit]
        common = np.einsum("tr,trc->rc", rows, follows) / len(cells)
        own = np.square(follows).mean(axis=0)
        share = common / np.maximum(strength, 1e-9)[:, None]
        alike = common / np.sqrt(np.maximum(strength[:, None] * own, 1e-12))
        agree = (alike >= 0.7) & (share >= 0.5) & (share <= 1.5)
        if agree[lit[rows_lit]].mean() < FLICKER_AGREE:
            return Unsteady.NO
        return Unsteady.LAMP if regular else Unsteady.LIGHT


def _row_medians(cells: NDArray[np.float32], lit: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The medians of the lit cells in each row, of which each has some: `(pictures, rows)`."""
    ordered = np.sort(np.where(lit, cells, np.inf), axis=2)
    count, row = np.count_nonzero(lit, axis=1), np.arange(len(lit))
    below, above = ordered[:, row, (count - 1) // 2], ordered[:, row, count // 2]
    return np.asarray(0.5 * (below + above), np.float32)


def _is_regular(course: NDArray[np.floating]) -> bool:
    """Whether one frequency, with its neighbours, holds four fifths of the variance."""
    power = np.abs(fft.rfft(course - course.mean())) ** 2
    top = int(power[1:].argmax()) + 1
    return bool(power[max(1, top - 1) : top + 2].sum() >= 0.8 * power[1:].sum())
