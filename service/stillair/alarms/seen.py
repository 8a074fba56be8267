"""What the camera shows, and why it can't be watched by, in words for people."""

from __future__ import annotations

import math
from collections.abc import Mapping

from stillair.alarms import figures
from stillair.model import CameraCondition, Detail, EventChange, JsonValue, SignalClass

# Of a view that is unfit: how it is, how it was, what to do.
VIEW: Mapping[CameraCondition, tuple[str, str, str]] = {
    CameraCondition.LOST: (
        "The camera is out of touch",
        "The camera was out of touch",
        "See whether it has power and its cable or network is all right.",
    ),
    CameraCondition.PAUSED: (
        "The camera is paused: smoke and flame aren't watched for",
        "The camera was paused: smoke and flame weren't watched for",
        "Let it look again, on the page beside the picture, as soon as it may.",
    ),
    CameraCondition.FROZEN: (
        "The camera's picture has stopped moving",
        "The camera's picture had stopped moving",
        "Unplug the camera and plug it in again, or restart what sends its pictures.",
    ),
    CameraCondition.TOO_SMALL: (
        "The camera's picture is too small",
        "The camera's picture was too small",
        "Have the camera give at least 320 x 240 (width and height in the chamber file).",
    ),
    CameraCondition.DARK: (
        "The camera's picture is dark",
        "The camera's picture was dark",
        "Switch the lamp in the box on, and leave it on while it is hot.",
    ),
    CameraCondition.WASHED_OUT: (
        "The camera's picture is washed out by light",
        "The camera's picture was washed out by light",
        "Dim the lamp, turn it away from the lens, or keep the sun out.",
    ),
    CameraCondition.COVERED: (
        "Something covers the camera's view",
        "Something covered the camera's view",
        "Look from outside what it is. If nothing burns, wipe the lens "
        "or take away what stands before it.",
    ),
    CameraCondition.OUT_OF_FOCUS: (
        "The camera's picture is out of focus",
        "The camera's picture was out of focus",
        "Wipe the lens, and set its focus on the part.",
    ),
    CameraCondition.MOVED: (
        "The camera looks elsewhere than it did",
        "The camera looked elsewhere than before",
        "Aim it at the part and the bed again, and fasten it.",
    ),
    CameraCondition.FLICKERING: (
        "The light in the camera's picture flickers too much",
        "The light in the camera's picture flickered too much",
        "Use a lamp with a steady light, run by direct current and not dimmed by a switch of its "
        "own.",
    ),
    CameraCondition.SLOW: (
        "Too few pictures come from the camera",
        "Too few pictures came from the camera",
        "See that frames_per_s in the chamber file, under [camera], is 15 or left out, ask for "
        "smaller pictures (width and height there), use a cable rather than radio, or give the "
        "board less to do.",
    ),
}
SENSORS_ALONE = "Until it shows well again only the sensors watch."
PAUSED_TITLE = "Camera paused"
PAUSED_ALONE = "It goes on by itself when its time is up; until then only the sensors watch."

_WATCHER = {"camera": "the camera"}  # all else has a name of its own
_SIGNS = {
    "flame": "flame in the picture",
    "smoke": "smoke in the picture",
    "particles": "fine particles in the air",
    "rapid_rise": "heat rising fast",
    "static_response": "heat as only a fire makes it",
    "high_limit": "heat above the limit",
    "detector": "a fire detector",
}


def is_paused(detail: Detail) -> bool:
    """Whether a view is unfit because somebody wants it so."""
    return detail.get("condition") == CameraCondition.PAUSED.value


def view_words(detail: Detail) -> tuple[str, str, str, str] | None:
    """How an unfit view is spoken of: as it is, as it was, what to do, what stands."""
    try:
        condition = CameraCondition(str(detail.get("condition")))
        now, was, todo = VIEW[condition]
    except (KeyError, ValueError):
        return None
    if condition is CameraCondition.PAUSED:
        return now, was, todo, PAUSED_ALONE
    smoke = "It may be thick smoke. " if condition is CameraCondition.COVERED else ""
    return now, was, todo, f"{smoke}{SENSORS_ALONE}"


def evidence(detail: Detail, *, several: bool, over: bool) -> str:
    """What spoke for an event, as a sentence; nothing where it kept no sign.

    `several`: signs of one event may be many, and are named.
    """
    known = _signs(detail)
    over = over or bool(detail.get("blind"))  # what can't be seen now was seen
    said: list[str] = []
    named = dict.fromkeys(_SIGNS[n] for s in known if (n := str(s.get("sign"))) in _SIGNS)
    if several and named:
        said.append(f"The fire {'showed' if over else 'shows'} by {figures.row(list(named))}")
    share = max((number(sign.get("share")) for sign in known), default=0.0)
    if several:
        before_s = number(detail.get("smoke_before_s"))
        said.append(
            f"Before that there was smoke for {figures.duration(before_s)}" if before_s else ""
        )
    elif share > 0.0:  # of several signs each has its own
        covers = "covered" if over else "covers"
        seen = "What was seen" if over else "What is seen"
        said.append(f"{seen} {covers} {figures.percent(share)} of the picture")
    level_ug = max((number(sign.get("pm2_5_ug_per_m3")) for sign in known), default=0.0)
    if level_ug > 0.0:
        held = "held" if over else "holds"
        said.append(f"The air {held} {level_ug:.0f} µg/m³ of fine particles")
    return ". ".join(filter(None, said))


def began_s(change: EventChange) -> float:
    """Since when it has been what it is called: a fire not for as long as it was smoke alone."""
    return change.onset_s + number(change.detail.get("smoke_before_s"))


def smoke_before_s(detail: Detail) -> float:
    """For how long smoke was all that was seen, of a fire by its evidence when it is told."""
    ages_s: dict[bool, list[float]] = {True: [], False: []}  # by whether it says no more than smoke
    for sign in _signs(detail):
        ages_s[sign.get("sign") in ("smoke", "particles")].append(number(sign.get("age_s")))
    if not (ages_s[True] and ages_s[False]):
        return 0.0
    return round(max(0.0, max(ages_s[True]) - max(ages_s[False])), 1)


def missing(detail: Detail) -> str:
    """Who told nothing, or nothing that is trusted, when an event began, nor has shown it since."""
    names, doubted = _names(detail, "missing"), _names(detail, "doubted")
    # A camera in an unfit view counts as silent, and may show it all the same.
    showed = [s for sign in _signs(detail) if isinstance(s := sign.get("sources"), list)]
    silent = [name for name in names if not any(name in sources for sources in showed)]
    said: list[str] = []
    for words, who in (
        ("Nothing was heard then of {}", [name for name in silent if name not in doubted]),
        ("What {} told then isn't trusted", [name for name in silent if name in doubted]),
    ):
        told = [_WATCHER.get(str(name)) or figures.clause(name, longest=40) for name in who]
        if told:
            said.append(words.format(figures.row(told)))
    return ". ".join(said)


def _names(detail: Detail, key: str) -> list[JsonValue]:
    named = detail.get(key)
    return named if isinstance(named, list) else []


def figure(change: EventChange, key: str) -> float | None:
    """A figure of the event, if it is one."""
    return _known(change.detail.get(key))


def ending(change: EventChange) -> str:
    """How it ended, as far as that is known."""
    # Nobody but a person can say that a danger is over.
    danger = change.signal_class is SignalClass.ALARM
    over = "There is no sign of it now" if danger else "It is over"
    ended = change.detail.get("ended")
    if isinstance(ended, str) and ended and ended != "by switch":
        return f"{over}, as far as can be told: {figures.clause(ended)}"
    return over


def _signs(detail: Detail) -> list[dict[str, JsonValue]]:
    signs = detail.get("evidence")
    return [sign for sign in signs if isinstance(sign, dict)] if isinstance(signs, list) else []


def number(value: JsonValue) -> float:
    """A figure, 0 if it is none."""
    return _known(value) or 0.0


def _known(value: JsonValue) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
