"""How far the word of a switch or a danger is before its runner-up, as a log-likelihood.

Falls of the air are weighed against each other by `hypotheses`. What is told
without that, because it must be told at once, carries its figure from here.

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

These figures are told beside a danger and decide nothing: how a danger is found,
say `heat` and `rises`.
"""

from __future__ import annotations

import math
from dataclasses import replace

from stillair.model import Finding

SWITCH_LEAD = math.log(1000.0)
HEATING_K_PER_MIN, HEATING_SD = 2.0, 0.7
FIRE_K_PER_MIN, FIRE_SD = 30.0, 1.0
INDICATION_U_K = 0.9
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
