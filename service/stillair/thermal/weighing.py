"""From the tracks of sensors to the verdict on a fall: what each sensor is known for goes in.

`hypotheses` weighs; here is what it is told of a sensor, namely its lag, the
slope of the minute before and how far back its course was straight, and what
is learned of lags from a verdict.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from stillair.thermal.air import AirTrack
from stillair.thermal.balance import Balance
from stillair.thermal.bends import straight_s
from stillair.thermal.hypotheses import Subject, Verdict, weigh

SLOPE_S, LEAST_SLOPE_S = 60, 10.0
BENT_K, BENT_SHARE = 0.15, 0.1
LEARN_GAIN, LEARN_PER_S = 12.0, 0.12


def explain(
    balance: Balance,
    tracks: Sequence[AirTrack],
    room_c: float,
    agos_s: Sequence[float],
    *,
    door_possible: bool = True,
    since_s: float = math.inf,
    fades_s: float = math.inf,
) -> Verdict | None:
    """Weigh what may be behind a fall that began about one of `agos_s` seconds ago.

    Nothing older than `since_s` is looked at; see `weigh` for `fades_s`. None
    where no track has past enough.
    """
    subjects = []
    back = int(agos_s[len(agos_s) // 2]) + 2
    for track in tracks:
        known_s = min(track.seconds - back - 12, max(LEAST_SLOPE_S, since_s - back - 8))
        length = int(min(SLOPE_S, known_s))
        if length < LEAST_SLOPE_S:
            continue
        sensor = balance.sensor(track.name)
        trend = track.slope_k_per_s(back, length)
        subjects.append(Subject(track, sensor.tau_s, sensor.spread, trend, track.usual_s))
    return weigh(
        subjects,
        sorted({max(2, round(ago)) for ago in agos_s}),
        room_c,
        door_possible=door_possible,
        habit_per_h=60.0 * (balance.loss_per_min or 0.0),
        since_s=since_s,
        fades_s=fades_s,
    )


def straight_before_s(tracks: Sequence[AirTrack], ago_s: int) -> float:
    """How long before `ago_s` ago every track had been straight.

    A bend of a tenth of what has been lost since then is none.
    """
    lengths = (
        straight_s(track, ago_s, max(BENT_K, BENT_SHARE * abs(track.past_c(ago_s) - track.now_c)))
        for track in tracks
        if track.seconds > ago_s + 30
    )
    return min(lengths, default=math.inf)


def learn_lags(balance: Balance, verdict: Verdict) -> None:
    """A quick change that several sensors have felt tells how slow each of them is."""
    felt = [part for part in verdict.parts if part.gain >= LEARN_GAIN]
    if len(felt) >= 2 and verdict.rate_per_s >= LEARN_PER_S:
        for part in felt:
            balance.sensor(part.track.name).learn(part.tau_s)
