"""Which cause explains a fall of the air best: a door, a draft, or lost heat?

Four figures tell them apart, each a plain number an owner can check:

- the fastest fall as a share of the excess over the room, per minute. The lid
  of a real heated box opened: time constant 31 to 43 s with its sensor, so 1
  to 2 per minute; its heater switched off: at most 3 K/min of some 30 K;
- the share of the excess that the worst sensor has lost so far. A door takes
  a third within a minute, a draft a seventh, lost heat as much but later;
- that share at the worst sensor over that at the best. A door exchanges the
  air of the whole box, a draft may cool one side of it;
- from 40 s on, how fast it still falls against its fastest: exchanged air has
  soon reached its new level, unheated air goes on falling.

Each cause expects a value and a spread of each figure, in logarithms because
all are ratios; they are medians and quartiles over 480 events in two simulated
physics that share no code (the product's and the bench's), drawn over boxes,
sensors and sizes. A cause's score is the Gaussian log-likelihood, times 0.7
because the figures hang together, plus ln 2 for the door, which is opened more
often than a draft begins. The cause is clear when the best score
leads by ln 3, three to one; otherwise the runner-up is named. With one sensor
the third figure is missing, and it is called uncertain.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from stillair.model import Kind

CLEAR_LEAD = math.log(3.0)
TOGETHER = 0.7
AGES_S = (10.0, 20.0, 40.0, 70.0, 120.0)
OFTEN = {Kind.DOOR_OPEN: math.log(2.0)}  # opening it to look is the most common gust of all
LEAST = 0.03  # less of a share or a rate can't be told from nothing


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a fall looks like so far.

    `rate_per_min` is the fastest fall over the excess, `share` the largest
    part of its excess that a sensor has lost, `spread` the largest part over
    the smallest, None with one sensor; `usual_per_min` the fastest fall that
    this chamber makes by itself, again and again; `going_on` the present
    rate over the fastest, None while that says nothing yet.
    """

    rate_per_min: float
    share: float
    spread: float | None
    age_s: float
    usual_per_min: float = 0.0
    going_on: float | None = None


@dataclass(frozen=True, slots=True)
class _Expected:
    """Medians, each with the standard deviation of its logarithm; shares by `AGES_S`."""

    rate: tuple[float, float]
    shares: tuple[float, float, float, float, float]
    share_sd: float
    spread: tuple[float, float]
    going_on: tuple[float, float]


EXPECTED: Mapping[Kind, _Expected] = {
    Kind.DOOR_OPEN: _Expected(
        rate=(0.9, 0.65),
        shares=(0.12, 0.24, 0.38, 0.44, 0.45),
        share_sd=0.65,
        spread=(1.25, 0.35),
        going_on=(0.10, 1.0),
    ),
    Kind.DRAFT: _Expected(
        rate=(0.33, 0.65),
        shares=(0.04, 0.08, 0.13, 0.16, 0.17),
        share_sd=0.55,
        spread=(1.5, 0.8),
        going_on=(0.12, 1.0),
    ),
    Kind.HEAT_LOST: _Expected(
        rate=(0.15, 0.5),
        shares=(0.006, 0.015, 0.055, 0.13, 0.22),
        share_sd=0.7,
        spread=(1.4, 0.45),
        going_on=(0.65, 0.45),
    ),
}


def scores(evidence: Evidence, *, door_possible: bool) -> dict[Kind, float]:
    """Log-likelihood of each cause, best first.

    More than a door's figures speaks for a door all the same, less than lost
    heat's for lost heat; lost heat may fall as fast as this chamber ever does.
    """
    found: dict[Kind, float] = {}
    for kind, expected in EXPECTED.items():
        if kind is Kind.DOOR_OPEN and not door_possible:
            continue
        more = kind is Kind.DOOR_OPEN
        less = kind is Kind.HEAT_LOST
        rate, rate_sd = expected.rate
        share = _at_age(expected.shares, evidence.age_s)
        if less and evidence.usual_per_min > rate:
            share *= evidence.usual_per_min / rate
            rate = evidence.usual_per_min
        score = _log_likelihood(evidence.rate_per_min, rate, rate_sd, more=more, less=less)
        score += _log_likelihood(evidence.share, share, expected.share_sd, more=more, less=less)
        if evidence.spread is not None:
            score += _log_likelihood(evidence.spread, *expected.spread, less=kind is not Kind.DRAFT)
        if evidence.going_on is not None:
            score += _log_likelihood(
                evidence.going_on, *expected.going_on, more=less, less=not less
            )
        found[kind] = TOGETHER * score + OFTEN.get(kind, 0.0)
    return dict(sorted(found.items(), key=lambda pair: -pair[1]))


def told(kinds: Mapping[Kind, float], kind: Kind, *, sure: bool) -> dict[str, str]:
    """The keys `cause`, and `or` where another cause comes near."""
    others = [other for other in kinds if other is not kind]
    if not others:
        return {"cause": "clear"}
    lead = kinds[kind] - kinds[others[0]]
    if sure and lead >= CLEAR_LEAD:
        return {"cause": "clear"}
    return {"cause": "uncertain", "or": others[0].value}


def _log_likelihood(
    value: float, median: float, sd: float, *, more: bool = False, less: bool = False
) -> float:
    """Of the logarithm of `value`, a Gaussian without its constant, flat where that is fine."""
    off = math.log(max(value, LEAST) / max(median, LEAST)) / sd
    if (more and off > 0.0) or (less and off < 0.0):
        off = 0.0
    return -0.5 * off * off - math.log(sd)


def _at_age(values: tuple[float, ...], age_s: float) -> float:
    """Between the ages of the table, on straight lines."""
    if age_s <= AGES_S[0]:
        return values[0]
    for (early_s, early), (late_s, late) in zip(
        zip(AGES_S, values, strict=True), zip(AGES_S[1:], values[1:], strict=True), strict=False
    ):
        if age_s <= late_s:
            return early + (late - early) * (age_s - early_s) / (late_s - early_s)
    return values[-1]
