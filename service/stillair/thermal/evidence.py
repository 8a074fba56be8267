"""How far a switch's word, a danger, slow lost heat are before their runner-up, in logarithms.

Falls of the air are weighed against each other by `hypotheses`. What is told
without that, because it must be told at once or shows too late, carries its
figure from here.

a door by its switch
    The runner-up is a switch that says "open" though the door is shut. Position
    switches outlast 20 million operations (ISO 13849-1:2015, table C.1); a magnet
    that has shifted and a wire that has come off are commoner. One false word in a
    thousand is assumed, so the lead is ln 1000.
rapid_rise
    The runner-up is a rise that heating makes, or a door that is shut. By the mean
    rate r over the rule's window, and two populations of rates that are normal in
    their logarithms (Neyman, J. and Pearson, E. S. (1933) Phil. Trans. A 231: the
    ratio of likelihoods decides best):

        lead = z_h^2 / 2 - z_f^2 / 2 + ln(s_h / s_f),   z = ln(r / m) / s

    Heating: m 2 K/min, s 0.7, so that the strongest measured heater (13 K/min)
    lies 2.7 s above. Fires: m 30 K/min, s 1 (t-squared fires from slow to
    ultra-fast, NFPA 72 annex B, when they are found); a faster one is no less a fire.
    Where n rises in a row grew, ln n! is added: rises that neither grow nor slacken
    come in any order alike (Mann, H. B. (1945) Econometrica 13), and those of
    heating slacken.
over_temperature
    The runner-up is air just at the limit, shown too hot: with d above the limit
    and an indication uncertain by u = 0.9 K (type K, class 1, IEC 60584-1:
    1.5 K at most, taken as rectangular) the gain is d^2 / (2 u^2) (Wilks, S. S.
    (1938) Ann. Math. Stat. 9).

lost heat that shows only late
    Its rivals are what else slows the heating, and how far each lets the air fall.
    All lost, the air falls to the room. A scheduled step sets the bed 5 to 15 K of
    its 50 to 80 K over the air lower, which until the bed has come down looks just
    as lost heat does; within ten minutes it took a share S of the excess whose
    logarithm is normal about 7 %, s 0.5 (median, and upper quartile of 27 steps in
    boxes that the bed alone heats, on the even seeds of `tests/bench/thermal.py`).
    A pause leaves bed and hot end warm: 2 %, s 0.85 (18 pauses there); it is
    likelier where it is announced, and out of the question where a running job
    says nothing of one. So lost heat is before them by

        lead = -ln P(S >= share) - ln prior

    A draft too weak for `hypotheses` takes a share about 8 %, s 0.55, and comes to
    its new level at a rate r of 0.006/s at least. So after the time a its slope over
    the last w seconds is g = (a / w) (e^(-r(a-w)) - e^(-ra)) / (1 - e^(-ra)) of that
    on the whole way; that of lost heat, of which the share S has gone, is
    g = -ln(1 - S) (1 - S) / S (Newton's law of cooling). Either is normal about its
    g, s 0.25.

These figures are told beside an event and decide nothing: how it is found, say
`heat`, `rises` and `heating`.
"""

from __future__ import annotations

import math
from dataclasses import replace

from stillair.model import Finding, JobPhase

SWITCH_LEAD = math.log(1000.0)
HEATING_K_PER_MIN, HEATING_SD = 2.0, 0.7
FIRE_K_PER_MIN, FIRE_SD = 30.0, 1.0
INDICATION_U_K = 0.9
STEP_SHARE, STEP_SD = 0.07, 0.5
PAUSE_SHARE, PAUSE_SD, ANNOUNCED, UNANNOUNCED = 0.02, 0.85, 2.0, -4.0
DRAFT_SHARE, DRAFT_SD, DRAFT_PER_S, GOING_ON_SD = 0.08, 0.55, 0.006, 0.25
SLOWEST_K_PER_MIN = 0.1  # what is slower is no rise, and has no logarithm


def with_switch_lead(finding: Finding) -> Finding:
    """The same finding; with its lead, where a switch has told it."""
    if finding.detail.get("by") != "switch":
        return finding
    return replace(finding, detail={**finding.detail, "lead": round(SWITCH_LEAD, 1)})


def rise_lead(rise_k: float, window_s: float, growing: int = 1) -> float:
    """How far a fire is before heating: so much within so long, by so many rises that grew."""
    rate = max(60.0 * rise_k / max(window_s, 1.0), SLOWEST_K_PER_MIN)
    heating = math.log(rate / HEATING_K_PER_MIN) / HEATING_SD
    fire = min(0.0, math.log(rate / FIRE_K_PER_MIN) / FIRE_SD)
    by_rate = 0.5 * (heating**2 - fire**2) + math.log(HEATING_SD / FIRE_SD)
    return by_rate + math.lgamma(growing + 1.0)


def limit_lead(over_k: float) -> float:
    """How far too much heat is before air just at the limit, shown `over_k` above it."""
    return 0.5 * (max(over_k, 0.0) / INDICATION_U_K) ** 2


def loss_leads(
    share: float, going_on: float, age_s: float, last_s: float, job: JobPhase | None
) -> dict[str, float]:
    """How far lost heat is before a scheduled step, a pause and a weak draft.

    `share` of the excess has gone in `age_s`; over the last `last_s` the air
    fell `going_on` times as fast as on the whole way.
    """
    announced = ANNOUNCED if job is JobPhase.PAUSED else UNANNOUNCED if job else 0.0
    share = min(max(share, 1e-3), 0.999)
    gone, before = (math.exp(-DRAFT_PER_S * since_s) for since_s in (age_s, age_s - last_s))
    as_draft = going_on - age_s / last_s * (before - gone) / (1.0 - gone)
    as_loss = min(going_on + math.log1p(-share) * (1.0 - share) / share, 0.0)
    by_shape = 0.5 * (as_draft**2 - as_loss**2) / GOING_ON_SD**2
    return {
        "step": -_log_beyond(share, STEP_SHARE, STEP_SD),
        "pause": -_log_beyond(share, PAUSE_SHARE, PAUSE_SD) - announced,
        "draft": by_shape - _log_beyond(share, DRAFT_SHARE, DRAFT_SD),
    }


def _log_beyond(share: float, middle: float, sd: float) -> float:
    """The logarithm of how likely a share that is log-normal about `middle` is still larger."""
    units = math.log(share / middle) / sd
    return math.log(max(0.5 * math.erfc(units / math.sqrt(2.0)), 1e-12))
