"""What a recording's columns are taken for as far as no chamber file says it, in words."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path

from stillair.config.reading import load_chamber


def by_name(columns: Sequence[str], outside: Collection[str]) -> str:
    """What is taken for what where there is no chamber file.

    `outside` are names in small letters that mean the room. Without `columns`
    only the rule is told.
    """
    rule = (
        f"No chamber file was given, so a column named {' or '.join(sorted(outside))}"
        " is outside the box and every other one is chamber air"
    )
    remedy = (
        "If a sensor sat elsewhere, at the bed say, name it and its place in a chamber file"
        " and add --chamber FILE."
    )
    if not columns:
        return f"{rule}. {remedy}"
    out = [name for name in columns if name.lower() in outside]
    air = [name for name in columns if name not in out]
    return (
        f"{rule}:\n  chamber air: {', '.join(air) or 'none'}\n  outside: {', '.join(out) or 'none'}"
        f"\n{remedy}"
    )


def beside(columns: Sequence[str], chamber: Path) -> str:
    """Which columns a chamber file doesn't name, and which of its sensors have none; or "".

    Raises `SettingsError`.
    """
    if not columns:
        return ""
    known = {sensor.name for sensor in load_chamber(chamber, replay=True).sensors}
    said = []
    if strange := [name for name in columns if name not in known]:
        said.append(f"Not in {chamber}, so taken for chamber air: {', '.join(strange)}.")
    if absent := sorted(known.difference(columns)):
        said.append(f"In {chamber}, but without a column: {', '.join(absent)}.")
    return "\n".join(said)
