"""Which cause explains a fall of the air best: a door, a draft, or lost heat?

Three figures tell them apart, each a plain number an owner can check:

- the fastest fall as a share of the excess over the room, per minute. A lid
  of a real heated box opened: time constant 31 to 43 s with its sensor, so 1
  to 2 per minute; a heater switched off: at most 3 K/min of some 30 K;
- the share of the excess that each sensor has lost, highest over lowest. A
  door exchanges the air of the whole box, a draft one side of it;
- the share lost at the worst sensor, and where a fall of its age will end;
- after a minute, how fast it still falls against its fastest: exchanged air
  has soon reached its new level, unheated air goes on falling.

Each cause expects a value and a spread of each figure, in logarithms where
figures are ratios; its score is the Gaussian log-likelihood. The cause is
clear when the best score leads by ln 3, three to one; otherwise the runner-up
is named. With one sensor the second figure is missing, and the difference is
what it says.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from stillair.model import Kind

CLEAR_LEAD = math.log(3.0)
GROWTH_S = 40.0  # time constant with which a young fall deepens


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a fall looks like so far.

    `rate_per_min` is the fastest fall over the excess, `share` the largest
    part of its excess that a sensor has lost, `spread` the largest part over
    the smallest, None with one sensor; `usual_per_min` the fastest fall that
    this chamber makes by itself, again and again; `going_on` the present
    rate over the fastest, None in the first minute.
    """

    rate_per_min: float
    share: float
    spread: float | None
    age_s: float
    usual_per_min: float = 0.0
    going_on: float | None = None


@dataclass(frozen=True, slots=True)
class _Expected:
    rate: tuple[float, float]
    spread: tuple[float, float]
    share: tuple[float, float]
    going_on: tuple[float, float]


# mean and standard deviation of the natural logarithms
EXPECTED: Mapping[Kind, _Expected] = {
    Kind.DOOR_OPEN: _Expected(
        rate=(math.log(0.8), 0.65),
        spread=(math.log(1.3), 0.4),
        share=(math.log(0.40), 0.55),
        going_on=(math.log(0.2), 0.7),
    ),
    Kind.DRAFT: _Expected(
        rate=(math.log(0.35), 1.2),
        spread=(math.log(2.6), 0.65),
        share=(math.log(0.13), 0.8),
        going_on=(math.log(0.2), 0.7),
    ),
    Kind.HEAT_LOST: _Expected(
        rate=(math.log(0.07), 0.6),
        spread=(math.log(1.3), 0.45),
        share=(math.log(0.06), 0.7),
        going_on=(math.log(0.65), 0.4),
    ),
}


def scores(evidence: Evidence, *, door_possible: bool) -> dict[Kind, float]:
    """Log-likelihood of each cause, best first."""
    grown = evidence.share / (1.0 - math.exp(-max(evidence.age_s, 2.0) / GROWTH_S))
    found: dict[Kind, float] = {}
    for kind, expected in EXPECTED.items():
        if kind is Kind.DOOR_OPEN and not door_possible:
            continue
        more_is_fine = kind is Kind.DOOR_OPEN
        less_is_fine = kind is Kind.HEAT_LOST
        rate, share = expected.rate, expected.share
        if less_is_fine:  # as fast as this chamber ever falls by itself, for so long
            usual = math.log(max(evidence.usual_per_min, 1e-3))
            minutes = math.log(max(evidence.age_s, 1.0) / 60.0)
            rate = (max(rate[0], usual), rate[1])
            share = (max(share[0], rate[0] + minutes), share[1])
        score = 0.0
        for value, (mean, sd) in ((evidence.rate_per_min, rate), (grown, share)):
            off = (math.log(max(value, 1e-3)) - mean) / sd
            if (more_is_fine and off > 0.0) or (less_is_fine and off < 0.0):
                off = 0.0
            score -= 0.5 * off * off + math.log(sd)
        if evidence.spread is not None:
            mean, sd = expected.spread
            off = (math.log(max(evidence.spread, 1.0)) - mean) / sd
            if kind is not Kind.DRAFT and off < 0.0:
                off = 0.0
            score -= 0.5 * off * off + math.log(sd)
        if evidence.going_on is not None:
            mean, sd = expected.going_on
            off = (math.log(max(evidence.going_on, 0.03)) - mean) / sd
            if (less_is_fine and off > 0.0) or (not less_is_fine and off < 0.0):
                off = 0.0
            score -= 0.5 * off * off + math.log(sd)
        found[kind] = score
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
