"""What two moments of a scene differ by, where, and what that would say of smoke.

Where smoke of transmission a hangs before a scene R, the picture is

    I = a R + c,   a < 1,  c > 0

with c the light that the smoke scatters. Light that changes instead, by lamp, sun, shadow
or the camera's exposure, multiplies: I = g R, and with it brightness and contrast change
alike. So the share of contrast *hidden* in a cell of the picture is

    hidden = 1 - (slope of I's structure on R's) / (mean of I / mean of R)

which is 0 for every change of light, whatever its pattern, and about 1 - a for smoke about
as bright as what it hides. Structure is taken as differences between neighbouring pixels
of a picture that has been smoothed, on two scales, for a lens out of focus takes more of
the fine and a veil as much of both.

Black smoke takes light and contrast alike, and before a plain wall there is no contrast to
hide. What is left there is that smoke *stains*, so that cells become darker or brighter than
the common light explains, and that it *stirs*: it boils, and cell after cell it brightens,
darkens, hides and shows for itself over seconds. Light that flickers does it in all cells
after one pattern; that is taken out first.

Thick and quick smoke leaves no pixel still; how soft its *billows* are is the third (`billows`).

`differences` gives measures of these for windows of cells, and no verdict; they are chosen
so that neither the size of a picture nor its exposure matters.

References
----------
Koschmieder, H. (1924). Theorie der horizontalen Sichtweite. Beitraege zur Physik der
freien Atmosphaere 12 (the law of contrast through haze).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from stillair.fire.billows import Billows, billows, left_of, width_px
from stillair.fire.compared import (
    BRIGHTEST,
    DARKEST,
    MODEL_ERROR,
    compare,
)
from stillair.fire.grid import (
    BLACK,
    CELLS,
    Cells,
    Floats,
    Gray,
    Where,
    log_light,
    middle,
    ranked,
    shares,
    smoothed,
)
from stillair.fire.regions import Region
from stillair.fire.stirring import stirs, stirs_in_hiding

SAMPLE_EVERY_S = 0.25
SAMPLES = 8  # the last two seconds, of which the median is the present
STIRRED = 32  # samples in which stirring is looked for: eight seconds
STILL_RANGE = 22.0  # of 255: a pixel that varied more within the two seconds isn't still
FINE_PX, COARSE_PX = 1.0, 2.0  # by so much the two scales are smoothed (standard deviation)
LOST_CONTRAST = 0.6  # with less of it and another pattern a cell lost its scene, not changed it
STAINED = 0.03  # of light, by its logarithm
OTHER_LIGHT = 0.35  # of the common light, by its logarithm: what differs so much isn't compared
LEAST_LIT = 0.6  # of a window
_AROUND = np.ones((5, 5), np.uint8)
WINDOWS = ((5, 4), (4, 5), (10, 2), (3, 7), (8, 6), (16, 12))  # cells across, down

MEASURES = (
    "hidden",  # share of contrast, mean over the window
    "sigmas",  # by how many of its errors that is beyond 0
    "agreeing",  # share of the window that hides at least half as much
    "informed",  # share of the picture: cells of the window that can be compared
    "hidden_outside",
    "uneven",  # standard deviation of what is hidden within the window
    "stir_hidden",  # fluctuation of what is hidden within eight seconds
    "stir_hidden_outside",
    "stain",  # change of light beyond the common one, by its logarithm
    "stained",  # share of the window that became darker, less that brighter, or the other way
    "stain_outside",
    "stir",  # fluctuation of light beyond the common one
    "stir_then",  # the same when it was as it is held against
    "stir_outside",
    "stir_alike",  # of neighbouring cells
    "lost",  # share of the window where nothing is left to know the scene by
    "changed",  # where there is something else
    "moved",  # where pixels weren't still
    "unrest",  # fluctuation of the common light
    "brighter",  # the common light, by its logarithm
    "age_s",
    "blurred",  # contrast that only the fine scale lost
    "cover",  # share of the picture that the window is
    "lit",  # share of the window that is neither black nor white
    "billows",  # change from sample to sample, share of light, root of the mean square
    "billows_px",  # how wide that is
    "billows_then",
    "billows_px_then",
    "soft",  # share of the window where what changes is wide
    "soft_outside",
    "sharp",  # where it is narrow
    "differs",  # from what it is held against, share of light, root of the mean square
    "differs_px",
    "rises",  # how much more alike a cell is to the next one above a sample later than below
)


@dataclass(frozen=True, slots=True)
class Moment:
    """Two seconds of a scene; pictures are `(120, 160)`, cells `(12, 16)`.

    Some seventy are kept: so it has what its `Planes` are made of, in half their size.
    """

    t_s: float
    median: Floats
    still_bits: Gray  # (120, 20): a pixel and those around it stood still, eight in a byte
    noise: float  # of 255
    seen: Where  # (120, 160): what the owner leaves in
    tone: float  # contrast by the camera's own curve, by its logarithm, beside the first picture
    mean: Cells
    lit: Where
    moved: Cells
    unrest: float
    stir: Cells
    stir_alike: float
    stir_hidden: Cells
    stir_weight: Cells
    billows: Billows


@dataclass(frozen=True, slots=True)
class Planes:
    """A moment as it is compared: at two scales, and where it stood still, `(120, 160)`."""

    fine: Floats
    coarse: Floats
    still: Where

    @classmethod
    def of(cls, moment: Moment) -> Planes:
        """Those of a moment, the same each time."""
        return cls(
            smoothed(moment.median, FINE_PX),
            smoothed(moment.median, COARSE_PX),
            np.unpackbits(moment.still_bits, axis=1).view(np.bool_),
        )


@dataclass(frozen=True, slots=True)
class Difference:
    """What a window of the picture shows of it: `measures` in the order of `MEASURES`."""

    region: Region
    measures: tuple[float, ...]

    def __getitem__(self, name: str) -> float:
        return self.measures[MEASURES.index(name)]


@dataclass(frozen=True, slots=True)
class Sample:
    """One small picture, `(120, 160)`, the same without its fine parts, and the means of cells."""

    gray: Gray
    coarse: Floats
    cells: Floats


def sampled(gray: Gray) -> Sample:
    """What is measured of a small picture once, for all the times that it is asked for."""
    means = shares(gray).astype(np.float32)
    return Sample(gray, smoothed(gray.astype(np.float32), COARSE_PX), means)


def moment(t_s: float, samples: Sequence[Sample], seen: Where, tone: float) -> Moment:
    """The present, of up to 32 samples, eight or more."""
    cells = [each.cells for each in samples]
    stack, quick = _in_one_light(list(samples)[-SAMPLES:])
    stack = ranked(stack)
    median = 0.5 * (stack[3] + stack[4])
    spread = stack[-2] - stack[1]
    noise = middle(spread) / 2.0 + 0.3
    calm = spread < STILL_RANGE + 3.0 * noise
    within = (median > DARKEST) & (median < BRIGHTEST) & seen
    still = cv2.erode((calm & within).astype(np.uint8), _AROUND) > 0
    coarse = smoothed(median, COARSE_PX)
    lit = shares(within) > 0.7
    moved = shares(~calm & seen)
    unrest, stir, alike = stirs(cells, lit & (moved < 0.1))
    stir_hidden, weight = stirs_in_hiding(
        [each.coarse for each in list(samples)[::-2]], coarse, still.astype(np.float32), noise
    )
    return Moment(
        t_s,
        median,
        np.packbits(still, axis=1),
        noise,
        seen,
        tone,
        shares(median),
        lit,
        moved,
        unrest,
        stir,
        alike,
        stir_hidden,
        weight,
        billows(quick, cells, coarse, seen, noise),
    )


def _in_one_light(samples: Sequence[Sample]) -> tuple[list[Floats], list[Floats]]:
    """The samples, and their coarse parts, in the light of the middle one: a lamp may swing."""
    gains = [common_gain(each.cells, samples[0].cells) for each in samples]
    level = sorted(gains)[(len(gains) - 1) // 2 : len(gains) // 2 + 1]
    black = np.float32(BLACK)
    planes: tuple[list[Floats], list[Floats]] = ([], [])
    for sample, gain in zip(samples, gains, strict=True):
        brighter = np.float32(sum(level) / len(level) / gain)
        planes[0].append((sample.gray.astype(np.float32) - black) * brighter + black)
        planes[1].append((sample.coarse - black) * brighter + black)
    return planes


def common_gain(now: Floats, before: Floats) -> float:
    """How much brighter most cells are, of their means; 1 where all is black."""
    lit = (now > DARKEST) & (before > DARKEST)
    if np.count_nonzero(lit) <= CELLS[0]:
        return 1.0
    return middle((now[lit] - BLACK) / (before[lit] - BLACK))


def differences(now: Moment, references: Iterable[Moment]) -> list[Difference]:
    """What the present differs by from each of some moments."""
    planes = Planes.of(now)
    return [each for old in references for each in _differences(now, planes, old)]


def _differences(now: Moment, planes: Planes, old: Moment) -> list[Difference]:
    """The plainest windows of each size: by what is hidden, by what is stained and stirs.

    None where the light is another one, as after the lamp was switched: other things cast other
    shadows then, and a window that is black or white for the most shows nothing.
    """
    brighter = _brighter(now, old)
    if abs(brighter) >= OTHER_LIGHT:
        return []
    maps = _maps(now, planes, old, brighter)
    integrals = np.stack([cv2.integral(each) for each in maps.values()])
    whole = dict(zip(maps, integrals[:, -1, -1], strict=True))
    found: list[Difference] = []
    for wide, high in WINDOWS:
        boxes = (
            integrals[:, high:, wide:]
            - integrals[:, :-high, wide:]
            - integrals[:, high:, :-wide]
            + integrals[:, :-high, :-wide]
        )
        window = dict(zip(maps, boxes, strict=True))
        for at in sorted({int(np.argmax(plain)) for plain in _plainness(window, wide * high)}):
            row, column = np.unravel_index(at, boxes.shape[1:])
            there = (slice(row, row + high), slice(column, column + wide))
            inside = {name: float(box[row, column]) for name, box in window.items()}
            if inside["lit"] < LEAST_LIT * wide * high:
                continue
            found.append(
                Difference(
                    (
                        float(column) / CELLS[0],
                        float(row) / CELLS[1],
                        float(column + wide) / CELLS[0],
                        float(row + high) / CELLS[1],
                    ),
                    _measures(now, old, brighter, maps, inside, whole, there, wide * high),
                )
            )
    return found


def _brighter(now: Moment, old: Moment) -> float:
    """How much brighter most cells are, by the logarithm."""
    lit = now.lit & old.lit
    if np.count_nonzero(lit) <= CELLS[0]:
        return 0.0
    return middle((log_light(now.mean) - log_light(old.mean))[lit])


def _maps(now: Moment, planes: Planes, old: Moment, brighter: float) -> dict[str, Cells]:
    """By cell, what is summed over windows."""
    then = Planes.of(old)
    hidden, weight, blurred, lost, changed = _hidden(now, planes, old, then)
    lit = now.lit & old.lit
    stain = np.where(lit, log_light(now.mean) - log_light(old.mean) - brighter, 0.0)
    stained = np.where(np.abs(stain) > STAINED, np.sign(stain), 0.0)
    noise = 0.5 * (now.noise + old.noise)
    differs, differ_slopes = left_of(planes.coarse, then.coarse, brighter, now.seen, noise)
    return {
        "weight": weight,
        "hidden": weight * hidden,
        "squared": weight * hidden**2,
        "blurred": weight * blurred,
        "known": (weight > 0.0).astype(np.float64),
        "stir_hidden": now.stir_weight * now.stir_hidden,
        "stir_weight": now.stir_weight,
        "lit": lit.astype(np.float64),
        "stain": stain,
        "stain_size": np.abs(stain),
        "stained": stained,
        "stir": np.where(lit, now.stir, 0.0),
        "stir_then": np.where(lit, old.stir, 0.0),
        "lost": lost.astype(np.float64),
        "changed": changed.astype(np.float64),
        "moved": now.moved,
        "billows": now.billows.squares,
        "billow_slopes": now.billows.slopes,
        "billows_then": old.billows.squares,
        "billow_slopes_then": old.billows.slopes,
        "soft": now.billows.soft.astype(np.float64),
        "sharp": (now.billows.moving & ~now.billows.soft).astype(np.float64),
        "newly_soft": now.billows.softly - 1.2 * old.billows.softly,
        "differs": differs,
        "differ_slopes": differ_slopes,
        "rises": now.billows.rises,
        "falls": now.billows.falls,
        "power": now.billows.power,
    }


def _plainness(window: dict[str, Cells], cells: int) -> tuple[Cells, Cells, Cells, Cells]:
    """What windows are chosen by, one after the other."""
    hides = window["hidden"] / np.sqrt(np.maximum(window["weight"], 1e-9))
    stirs = np.maximum(0.0, window["stir"] - 1.2 * window["stir_then"])
    stirs /= np.maximum(window["lit"], 1.0)
    stains = np.abs(window["stained"]) / cells * np.clip(stirs / 0.003, 0.0, 1.5)
    shows = window["stir_hidden"] / np.maximum(window["stir_weight"], 1e-9)
    shows = np.sign(shows) * np.sqrt(np.abs(shows) * np.maximum(window["stir_weight"], 0.0))
    return hides, stains, shows, window["newly_soft"]


def _measures(
    now: Moment,
    old: Moment,
    brighter: float,
    maps: dict[str, Cells],
    inside: dict[str, float],
    whole: dict[str, float],
    there: tuple[slice, slice],
    cells: int,
) -> tuple[float, ...]:
    weight, lit = max(inside["weight"], 1e-9), max(inside["lit"], 1.0)
    outside = {name: whole[name] - inside[name] for name in whole}
    hidden = inside["hidden"] / weight
    hides = maps["hidden"][there] > 0.5 * hidden * maps["weight"][there]
    agreeing = float(maps["weight"][there][hides].sum()) / weight if hidden > 0.0 else 0.0
    return (
        hidden,
        hidden * math.sqrt(weight),
        agreeing,
        inside["known"] / (CELLS[0] * CELLS[1]),
        _mean(outside["hidden"], outside["weight"]),
        math.sqrt(max(0.0, inside["squared"] / weight - hidden**2)),
        _root(_mean(inside["stir_hidden"], inside["stir_weight"])),
        _root(_mean(outside["stir_hidden"], outside["stir_weight"])),
        inside["stain"] / lit,
        abs(inside["stained"]) / cells,
        _mean(outside["stain_size"], outside["lit"], 5.0),
        inside["stir"] / lit,
        inside["stir_then"] / lit,
        _mean(outside["stir"], outside["lit"], 5.0),
        now.stir_alike,
        inside["lost"] / cells,
        inside["changed"] / cells,
        inside["moved"] / cells,
        now.unrest,
        brighter,
        now.t_s - old.t_s,
        inside["blurred"] / weight,
        cells / (CELLS[0] * CELLS[1]),
        inside["lit"] / cells,
        math.sqrt(max(0.0, inside["billows"]) / cells),
        width_px(inside["billows"], inside["billow_slopes"]),
        math.sqrt(max(0.0, inside["billows_then"]) / cells),
        width_px(inside["billows_then"], inside["billow_slopes_then"]),
        inside["soft"] / cells,
        outside["soft"] / (CELLS[0] * CELLS[1]),
        inside["sharp"] / cells,
        math.sqrt(max(0.0, inside["differs"]) / cells),
        width_px(inside["differs"], inside["differ_slopes"]),
        (inside["rises"] - inside["falls"]) / max(inside["power"], 1e-9),
    )


def _mean(total: float, weight: float, least: float = 1e-6) -> float:
    return float(total / weight) if weight > least else 0.0


def _root(square: float) -> float:
    return math.copysign(math.sqrt(abs(square)), square)


def lost_at_once(now: Sample, before: Sample) -> float:
    """What all of a picture lost of its contrast since another; 0: nothing, or not everywhere.

    For pictures so close to each other that smoke can't be what it was: a camera that draws
    another tone curve.
    """
    shown = [(each.gray > DARKEST) & (each.gray < BRIGHTEST) for each in (now, before)]
    within = (shown[0] & shown[1]).astype(np.float32)
    compared = compare(now.coarse, before.coarse, within, 1.0, 1.0, 1.0)
    known = compared.known & (compared.likeness >= 0.9)
    if np.count_nonzero(known) < 0.2 * CELLS[0] * CELLS[1]:
        return 0.0
    weight = np.where(known, 1.0 / (compared.error**2 + MODEL_ERROR**2), 0.0)
    mean = float((weight * compared.hidden).sum() / weight.sum())
    alike = float(weight[np.abs(compared.hidden - mean) < 0.5 * abs(mean)].sum() / weight.sum())
    return mean if alike > 0.85 else 0.0


def _hidden(
    now: Moment, planes: Planes, old: Moment, then: Planes
) -> tuple[Cells, Cells, Cells, Where, Where]:
    """By cell: what is hidden and its weight, what only the fine scale lost, lost, changed."""
    both = (planes.still & then.still).astype(np.float32)
    tone = math.exp(now.tone - old.tone)
    coarse = compare(planes.coarse, then.coarse, both, now.noise, old.noise, tone)
    fine = compare(planes.fine, then.fine, both, now.noise, old.noise, tone)
    known = coarse.known & (coarse.likeness >= 0.8)
    sharp = known & fine.known & (fine.likeness > 0.8)
    blurred = np.where(sharp, np.maximum(0.0, fine.hidden - coarse.hidden), 0.0)
    sure = np.clip((coarse.likeness - 0.75) / 0.15, 0.0, 1.0)
    weight = np.where(known, sure / (coarse.error**2 + MODEL_ERROR**2), 0.0)
    other = coarse.known & (coarse.likeness < 0.8)
    faint = coarse.contrast < LOST_CONTRAST
    hidden = np.where(known, coarse.hidden - blurred, 0.0)
    return hidden, weight, blurred, other & faint, other & ~faint
