"""A job's layers in the air that its chamber had: what is kept, made ready for `jobs.weather`.

Runs in a process of its own. Cold air, heat that was lost and air outside the band are
what disturbs layers; readings of a sensor that couldn't be trusted are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stillair.errors import InputError, StoreError
from stillair.jobs.heights import HeightTimes
from stillair.jobs.roads import Column
from stillair.jobs.stretches import SIDES, Stretch, stretches
from stillair.jobs.toolpath import Layers
from stillair.jobs.weather import Weather, air_of, sides_per_mm, weather
from stillair.model import Kind
from stillair.model.materials import NAMES, material
from stillair.runtime.diagnosing import faults_of, half_minutes, spans_of, without
from stillair.runtime.heights import Heights
from stillair.storage.history import History
from stillair.thermal.diagnosis import GRID_S

DISTURBING = (
    Kind.DOOR_OPEN,
    Kind.DRAFT,
    Kind.HEAT_LOST,
    Kind.BELOW_TARGET,
    Kind.TOO_WARM,
    Kind.OVER_TEMPERATURE,
)
UNREADABLE = "what is kept can't be read just now"
AROUND_S = 120.0  # of readings before the first layer and after the last


@dataclass(frozen=True, slots=True)
class Weathered:
    """A job, which of its chamber's sensors are in the air, and now, seconds since the epoch."""

    job: str
    chamber: str
    air: tuple[str, ...]
    now_s: float


def weather_of(folder: Path, asked: Weathered) -> dict[str, Any]:
    """Columns with one entry a layer, and the stretches that differ.

    Raises `InputError` where a job has no toolpath, no material of the table or no
    readings, and where what is kept can't be read.
    """
    try:
        return _weather_of(folder, asked)
    except StoreError:  # it names files
        raise InputError(UNREADABLE) from None


def _weather_of(folder: Path, asked: Weathered) -> dict[str, Any]:
    history = History(folder / "journal.db", folder / "archive.db")
    try:
        item = history.job(asked.job)
        if item is None:
            raise InputError(f"there is no job {asked.job!r}")
        name = str(item["material"])
        row = material(name)
        if row is None:
            known = ", ".join(NAMES)
            raise InputError(
                f"the material {name!r} is not in the table of materials: name one of {known}"
                if name
                else f"the job names no material: say which of {known} it was"
            )
        heights = Heights(history).of(asked.job, asked.now_s)
        toolpath = heights.toolpath or ""
        kept = history.toolpaths().layers(toolpath)
        whole = history.toolpaths().whole(toolpath)
        if kept is None or whole is None:
            raise InputError(
                "the job follows no toolpath that has been read: choose the one that it followed"
            )
        layers, outlines = kept
        times = heights.times
        layers = _first(layers, times.laid())
        if not len(layers):
            raise InputError(
                "by the toolpath nothing was laid before the job was done: say how high the part "
                "was at a moment, or choose another toolpath"
            )
        laid = replace(
            layers,
            start_s=np.minimum(times.start_s[: len(layers)], times.finished_s),
            end_s=np.minimum(times.end_s[: len(layers)], times.finished_s),
        )
        time_s, air_c = _air(history, asked, laid)
        begin_s, end_s = float(laid.start_s[0]), float(laid.end_s[-1])
        found = weather(
            laid,
            row,
            air_of(time_s, air_c, laid),
            bed_c=whole.bed_c[1] or whole.bed_c[0] or None,
            side_per_mm=sides_per_mm(layers, outlines),
            disturbed=[
                span
                for kind in DISTURBING
                for each in spans_of(history, asked.chamber, kind, begin_s, end_s).values()
                for span in each
            ],
        )
    except ValueError as error:
        raise InputError(str(error)) from None
    finally:
        history.close()
    return {"job": asked.job, "material": name, **columns(laid, times, found)}


def _first(layers: Layers, count: int) -> Layers:
    """The first layers: those after them were never laid."""
    return Layers(**{each.name: getattr(layers, each.name)[:count] for each in fields(Layers)})


def _air(history: History, asked: Weathered, laid: Layers) -> tuple[Column, Column]:
    """The mean of the sensors in the air, each half minute; nan where none can be trusted."""
    begin_s, end_s = float(laid.start_s[0]) - AROUND_S, float(laid.end_s[-1]) + AROUND_S
    readings = history.iter_job_readings(asked.job, begin_s, end_s)
    times_s, columns = half_minutes(readings.sensors, readings.rows)
    faults = faults_of(history, asked.chamber, begin_s, end_s)
    known = [
        without(times_s, columns[name], faults.get(name, ()))
        for name in asked.air
        if name in columns
    ]
    # The mean of a half minute stands for its middle.
    middle_s = np.array(times_s, dtype=np.float64) + GRID_S / 2.0
    if not known:
        return middle_s, np.full(len(times_s), np.nan)
    each_c = np.array(known, dtype=np.float64)  # None is nan
    there = np.isfinite(each_c)
    total_c = np.where(there, each_c, 0.0).sum(axis=0)
    count = there.sum(axis=0)
    mean_c = np.divide(total_c, count, out=np.full(len(times_s), np.nan), where=count > 0)
    return middle_s, mean_c


def columns(laid: Layers, times: HeightTimes, found: Weather) -> dict[str, Any]:
    """What is answered: columns with one entry a layer, and figures of the whole job."""
    return {
        "height_mm": _told(laid.height_mm, 3),
        "piece": laid.piece.tolist(),
        "start_s": _told(laid.start_s, 1),
        "end_s": _told(laid.end_s, 1),
        "uncertainty_s": _told(times.uncertainty_s[: len(laid)]),
        "wait_s": _told(found.wait_s),
        "air_c": _told(found.air_c),
        "lowest_c": _told(found.lowest_c),
        "below_c": _told(found.below_c),
        "below_low_c": _told(found.below_range_c[0]),
        "below_high_c": _told(found.below_range_c[1]),
        "soonest_c": _told(found.soonest_c),
        "joint_s": _told(found.joint_s),
        "joint_low_s": _told(found.joint_range_s[0]),
        "joint_high_s": _told(found.joint_range_s[1]),
        "off_k": _told(found.off_k),
        "off_low_k": _told(found.off_range_k[0]),
        "off_high_k": _told(found.off_range_k[1]),
        "air_k": _told(found.air_k),
        "limit_low_c": _told(found.limits_c[0]),
        "limit_high_c": _told(found.limits_c[1]),
        "mark": [SIDES.get(int(mark)) for mark in found.mark],
        "is_sure": found.is_sure.tolist(),
        "is_undisturbed": found.is_undisturbed.tolist(),
        "usual_air_c": round(found.usual_air_c, 1),
        "usual_wait_s": round(found.usual_wait_s, 1),
        "band_k": round(found.band_k, 1) if np.isfinite(found.band_k) else None,
        "firm_c": found.firm_c,
        "stretches": [_stretch(each) for each in stretches(laid, found)],
    }


def _stretch(found: Stretch) -> Mapping[str, Any]:
    low_k, high_k = found.by_range_k
    return {
        "first": found.first,
        "last": found.last,
        "from_mm": round(found.from_mm, 3),
        "to_mm": round(found.to_mm, 3),
        "piece": found.piece,
        "side": found.side,
        "at": found.at,
        "by_k": round(found.by_k, 1),
        "by_low_k": round(low_k, 1),
        "by_high_k": round(high_k, 1),
        "is_sure": found.is_sure,
        "text": found.text,
        "because": list(found.because),
    }


def _told(column: NDArray[np.float64], digits: int = 1) -> list[float | None]:
    """Rounded, None for no number."""
    return [None if value != value else value for value in np.round(column, digits).tolist()]
