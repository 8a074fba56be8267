"""Figures as people read them: durations, temperatures, differences, heights, names in a row."""

from __future__ import annotations

import math
from collections.abc import Sequence

_MIN_S = 60
_HOUR_S = 3600
_DAY_S = 86400


def duration(seconds: float) -> str:
    """ "8 s", "1 min 30 s", "31 min", "2 h 5 min", "3 days 4 h"; "0 s" for none or less."""
    if not math.isfinite(seconds):
        return "an unknown time"
    whole_s = max(0, round(seconds))
    if whole_s < _MIN_S:
        return f"{whole_s} s"
    if whole_s < 10 * _MIN_S:
        minutes, rest_s = divmod(whole_s, _MIN_S)
        return f"{minutes} min {rest_s} s" if rest_s else f"{minutes} min"
    whole_min = round(whole_s / _MIN_S)
    if whole_min < 60:
        return f"{whole_min} min"
    if whole_s < 2 * _DAY_S:
        hours, minutes = divmod(whole_min, 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, rest_s = divmod(whole_s, _DAY_S)
    hours = rest_s // _HOUR_S
    return f"{days} days {hours} h" if hours else f"{days} days"


def temperature(temperature_c: float) -> str:
    """ "46.2 °C"."""
    return f"{_rounded(temperature_c):.1f} °C"


def degrees(difference_k: float) -> str:
    """A difference, which people read in degrees: "6.1 degrees"; its sign is left out."""
    return f"{_rounded(abs(difference_k)):.1f} degrees"


def height(height_mm: float) -> str:
    """ "19 mm", and below 10 mm a tenth finer: "4.2 mm"."""
    return f"{height_mm:.1f} mm" if height_mm < 9.95 else f"{height_mm:.0f} mm"


def percent(share: float) -> str:
    """Of a share from 0 to 1: "12 %", and below 10 a tenth finer: "4.2 %"."""
    return f"{100.0 * share:.1f} %" if share < 0.0995 else f"{100.0 * share:.0f} %"


def row(names: Sequence[str]) -> str:
    """ "top", "top and low", "top, low and back"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def clause(text: object, *, longest: int = 200) -> str:
    """Somebody else's words as one clause inside a sentence of ours: one line, no full stop."""
    words = "".join(c if c.isprintable() else " " for c in str(text)).split()
    line = " ".join(words)
    if len(line) > longest:
        line = line[: longest - 1].rstrip() + "…"
    return line.rstrip(" .")


def clock(seconds: float) -> str:
    """A time of a recording: hours, minutes and seconds, "1:02:03"."""
    whole_s = round(seconds)
    hours, rest_s = divmod(abs(whole_s), 3600)
    return f"{'-' if whole_s < 0 else ''}{hours}:{rest_s // 60:02}:{rest_s % 60:02}"


def lower(words: str) -> str:
    """With a small first letter, to stand inside a sentence."""
    return words[:1].lower() + words[1:]


def joined(*sentences: str) -> str:
    """Sentences one after the other, each with its full stop; empty ones left out."""
    return " ".join(s if s.endswith(".") else f"{s}." for s in sentences if s)


def _rounded(value: float) -> float:
    return round(value, 1) + 0.0  # no "-0.0"
