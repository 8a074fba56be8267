"""How far a switch's word and a danger are before their runner-up."""

from __future__ import annotations

import math

import pytest

from stillair.model import Change, Finding, JobPhase, Kind, Place, Reading
from stillair.thermal.core import ThermalWatch
from stillair.thermal.evidence import limit_lead, loss_leads, rise_lead, with_switch_lead
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan

PLAN = ThermalPlan((SensorPlan("top", Place.CHAMBER),), limit_c=80.0)


def test_a_rise_is_the_surer_a_fire_the_faster_it_is() -> None:
    leads = [rise_lead(rate, 60.0) for rate in (3.0, 5.0, 8.0, 13.0, 20.0, 40.0, 150.0)]
    assert leads == sorted(leads)
    assert leads[0] < 0.0 < leads[-1], "what heating does is no fire by its rate"


@pytest.mark.parametrize(
    ("rise_k", "window_s", "growing", "least"),
    [
        pytest.param(17.0, 60.0, 1, math.log(20.0), id="fast rise"),
        pytest.param(20.0, 30.0, 1, math.log(20.0), id="steep rise"),
        pytest.param(45.0, 270.0, 1, 0.0, id="long rise"),
        pytest.param(14.0, 300.0, 5, 0.0, id="five minutes that grow"),
        pytest.param(19.0, 120.0, 4, math.log(20.0), id="four half minutes that grow"),
        pytest.param(3.5, 3.0, 3, math.log(20.0), id="three readings that quicken"),
    ],
)
def test_what_the_rules_take_for_a_fire_is_rather_a_fire(
    rise_k: float, window_s: float, growing: int, least: float
) -> None:
    assert rise_lead(rise_k, window_s, growing) >= least


def test_rises_that_grow_in_a_row_count_by_their_orders() -> None:
    one, four = rise_lead(10.0, 120.0), rise_lead(10.0, 120.0, 4)
    assert four - one == pytest.approx(math.log(24.0))


def test_an_indication_just_above_the_limit_may_be_at_it() -> None:
    assert limit_lead(-1.0) == limit_lead(0.0) == 0.0
    assert limit_lead(0.9) == pytest.approx(0.5)
    assert limit_lead(5.0) > 3.0 * math.log(20.0) / 2.0


def test_only_a_switch_gets_a_switchs_lead() -> None:
    felt = Finding(Kind.DOOR_OPEN, Change.RAISED, 9.0, 5.0, ("top",), {"cause": "clear", "lead": 4})
    told = Finding(Kind.DOOR_OPEN, Change.RAISED, 9.0, 9.0, (), {"cause": "clear", "by": "switch"})
    assert with_switch_lead(felt) is felt
    assert with_switch_lead(told).detail["lead"] == 6.9


@pytest.mark.parametrize("rival", ["step", "pause"])
def test_the_more_has_gone_the_less_a_step_or_pause_explains_it(rival: str) -> None:
    leads = [
        loss_leads(share, 1.0, 300.0, 50.0, None)[rival] for share in (0.0, 0.03, 0.08, 0.2, 0.9)
    ]
    assert leads == sorted(leads)
    assert 0.0 <= leads[0] < 0.1
    assert leads[-1] > math.log(20.0)


def test_a_pause_is_as_likely_as_the_job_says() -> None:
    announced, unknown, unannounced = (
        loss_leads(0.08, 1.0, 300.0, 50.0, job)["pause"]
        for job in (JobPhase.PAUSED, None, JobPhase.RUNNING)
    )
    assert announced < unknown < unannounced


def test_what_slows_down_is_a_draft_and_what_goes_on_is_not() -> None:
    leads = [loss_leads(0.1, going_on, 300.0, 50.0, None)["draft"] for going_on in (0.4, 0.7, 1.0)]
    assert leads == sorted(leads)
    assert leads[0] < 0.0 < leads[-1]


def heard(air_c: list[float], *, door_from_s: int | None = None) -> list[Finding]:
    watch = ThermalWatch(PLAN)
    found: list[Finding] = []
    for t_s, value_c in enumerate(air_c):
        watch.take(Reading("top", float(t_s), value_c))
        is_open = None if door_from_s is None else t_s >= door_from_s
        found.extend(watch.tick(float(t_s), ThermalContext(door_open=is_open)).findings)
    return found


def lead_of(findings: list[Finding], kind: Kind) -> list[float]:
    leads = [finding.detail["lead"] for finding in findings if finding.kind is kind]
    assert all(isinstance(lead, float) for lead in leads)
    return [float(str(lead)) for lead in leads]


def test_dangers_are_told_with_their_lead_and_it_grows_with_them() -> None:
    told = heard([60.0] * 120 + [60.0 + 0.02 * s * s for s in range(60)])
    assert lead_of(told, Kind.RAPID_RISE)[0] > 0.0
    over = lead_of(told, Kind.OVER_TEMPERATURE)
    assert len(over) > 1
    assert over == sorted(over)
    assert over[-1] > over[0]


def test_every_word_on_a_door_told_by_its_switch_has_its_lead() -> None:
    told = heard([40.0] * 200, door_from_s=100)
    assert lead_of(told, Kind.DOOR_OPEN) == [6.9]
