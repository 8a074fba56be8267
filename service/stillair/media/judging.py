"""What the camera took for fire, in plain words, and which setting would have ignored it. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from stillair.fire.regions import LEAST_FROM, MOST_FROM, MOST_LEFT_OUT, Region
from stillair.media.marking import around, joined, regions_of
from stillair.model import JsonValue, Sense, Sign

SETTINGS = {"smoke": "smoke_from", "flame": "flame_from"}
STEP = 0.05
TINY = 1e-6
MARGIN = 0.02  # around a region, in shares of the picture
MOST_RECTANGLES = 4  # several places that touch are told as one
_SENSES = {
    Sense.HEAT.value: "Heat",
    Sense.CONTACT.value: "A detector or switch",
    Sense.PARTICLES.value: "Particles in the air",
}
HIDES = (
    "This hides a real fire there just as well, for as long as it is set. Better to "
    "move the lamp, the part or the camera so that it is not taken for one."
)


@dataclass(frozen=True, slots=True)
class Saw:
    """What one rule of the camera saw: its name, how surely (0 to 1), where, and its figures."""

    sign: str
    strength: float
    regions: tuple[Region, ...] = ()
    share: float | None = None

    def item(self) -> dict[str, JsonValue]:
        """As it is kept beside a picture."""
        return {
            "sign": self.sign,
            "strength": self.strength,
            "regions": [list(region) for region in self.regions],
            "share": self.share,
        }


@dataclass(frozen=True, slots=True)
class Ignoring:
    """One setting that would have kept an event from being told."""

    setting: str
    value: JsonValue
    text: str


def saw_of(sign: Sign) -> Saw:
    """What a sign says."""
    return _saw(sign.name, sign.strength, sign.detail)


def saw_in(detail: Mapping[str, JsonValue]) -> list[Saw]:
    """What an event's detail holds of the camera's signs; what isn't one is left out."""
    return [
        _saw(name, float(strength), sign)
        for sign in _evidence(detail)
        if sign.get("sense") == Sense.CAMERA.value
        and isinstance(name := sign.get("sign"), str)
        and isinstance(strength := sign.get("strength"), (int, float))
    ]


def others_in(detail: Mapping[str, JsonValue]) -> list[str]:
    """By which senses else there were signs of it."""
    senses = {sign.get("sense") for sign in _evidence(detail)} - {Sense.CAMERA.value}
    return sorted(str(sense) for sense in senses if sense in _SENSES)


def saw_kept(item: Mapping[str, JsonValue]) -> list[Saw]:
    """What was seen by a kept picture, as `Saw.item` gave it."""
    return saw_in({"evidence": _with_sense(item.get("saw"))})


def _with_sense(kept: JsonValue) -> JsonValue:
    signs = kept if isinstance(kept, list) else []
    return [{**sign, "sense": Sense.CAMERA.value} for sign in signs if isinstance(sign, dict)]


def _evidence(detail: Mapping[str, JsonValue]) -> list[Mapping[str, JsonValue]]:
    evidence = detail.get("evidence")
    signs = evidence if isinstance(evidence, list) else []
    return [sign for sign in signs if isinstance(sign, dict)]


def _saw(name: str, strength: float, detail: Mapping[str, JsonValue]) -> Saw:
    share = detail.get("share")
    known = isinstance(share, (int, float)) and not isinstance(share, bool)
    return Saw(
        name,
        round(min(1.0, max(0.0, strength)), 3),
        tuple(regions_of(detail.get("regions"))),
        round(float(share), 4) if known else None,  # type: ignore[arg-type]
    )


def together(seen: Iterable[Saw]) -> list[Saw]:
    """One of each name: the strongest word, and all its places."""
    by_name: dict[str, Saw] = {}
    for saw in seen:
        known = by_name.get(saw.sign)
        if known is None:
            by_name[saw.sign] = saw
            continue
        best = max(known, saw, key=lambda each: each.strength)
        places = tuple(dict.fromkeys((*known.regions, *saw.regions)))
        share = max((s.share for s in (known, saw) if s.share is not None), default=None)
        by_name[saw.sign] = Saw(saw.sign, best.strength, places, share)
    return [by_name[name] for name in sorted(by_name)]


def said(seen: Iterable[Saw]) -> str:
    """What the camera saw, at its largest and surest, in a sentence or two; or nothing."""
    sentences = []
    for saw in seen:
        what = {"smoke": "A veil as of smoke", "flame": "A glow as of a flame"}.get(
            saw.sign, f"A sign of {saw.sign}"
        )
        where = f" over up to {_percent(saw.share)} of the picture" if saw.share else ""
        sentences.append(f"{what}{where}; at most {_percent(saw.strength)} sure.")
    return " ".join(sentences)


def ignored_by(
    seen: Iterable[Saw], *, already: Iterable[Region] = (), others: Iterable[str] = ()
) -> tuple[list[Ignoring], str]:
    """Which settings would have ignored what was seen, and what that would cost.

    `already` are the rectangles that are left out as it is set now, `others` the
    senses that spoke beside the camera. Nothing where it had no part in it.
    """
    seen = [saw for saw in seen if saw.sign in SETTINGS]
    found: list[Ignoring] = []
    for saw in seen:
        # Told from the strength on, so one step above it isn't.
        step = math.floor(saw.strength / STEP + TINY) + 1
        enough = round(max(LEAST_FROM, step * STEP), 2)
        setting = f"camera.{SETTINGS[saw.sign]}"
        if enough <= MOST_FROM:
            text = (
                f"{setting} = {enough:g} would have ignored it: how sure it was, {saw.strength:g}."
            )
            found.append(Ignoring(setting, enough, text))
    places = _merged([place for saw in seen for place in saw.regions])
    if places and all(saw.regions for saw in seen):
        areas = sum((right - left) * (bottom - top) for left, top, right, bottom in places)
        if areas <= MOST_LEFT_OUT:
            rectangles: list[JsonValue] = [list(place) for place in (*already, *places)]
            shown = ", ".join(_rectangle(place) for place in places)
            text = f"Leaving out {shown} of the picture by camera.ignore would have, too."
            if not found:
                text = f"Leaving out {shown} of the picture by camera.ignore would have ignored it."
            found.append(Ignoring("camera.ignore", rectangles, text))
    beside = " ".join(
        f"{_SENSES[sense]} spoke for it too, which no setting of the camera ignores."
        for sense in others
        if sense in _SENSES
    )
    return found, " ".join(filter(None, (beside, HIDES))) if found else ""


def _merged(places: Iterable[Region]) -> list[Region]:
    """Places with a margin; those that overlap become one, and too many become one around all."""
    merged = joined(
        _rounded(
            max(0.0, math.floor(left * 100 + TINY) / 100 - MARGIN),
            max(0.0, math.floor(top * 100 + TINY) / 100 - MARGIN),
            min(1.0, math.ceil(right * 100 - TINY) / 100 + MARGIN),
            min(1.0, math.ceil(bottom * 100 - TINY) / 100 + MARGIN),
        )
        for left, top, right, bottom in places
    )
    while len(merged) > MOST_RECTANGLES:
        merged.append(around(merged.pop(), merged.pop()))
    return merged


def _rounded(*edges: float) -> Region:
    left, top, right, bottom = (round(edge, 2) for edge in edges)
    return left, top, right, bottom


def _rectangle(place: Region) -> str:
    return f"the rectangle [{', '.join(f'{edge:g}' for edge in place)}]"


def _percent(share: float) -> str:
    return f"{share * 100:.0f} %" if share >= 0.095 else f"{share * 100:.1f} %"
