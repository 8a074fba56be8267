"""What a job says of its box, against a chamber's own past."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scenario.thermal_box import BoxPlan, Feeler, readings
from stillair.thermal.diagnosis import JobFigures, job_figures, spoken, told


def curve_job(
    *, tau_s: float = 3600.0, warm_s: float = 1200.0, top_k: float = 3.0, door: bool = False
) -> JobFigures:
    """20 degrees, to 60 in an exponential of `warm_s`, 2 h, then down in one of `tau_s`."""
    times = [10.0 * index for index in range(1800)]

    def air(t_s: float) -> float:
        if t_s < 7200.0:
            return 20.0 + 40.0 * (1.0 - math.exp(-t_s / warm_s))
        return 20.0 + 40.0 * math.exp(-(t_s - 7200.0) / tau_s)

    excess = [(air(t_s) - 20.0) / 40.0 for t_s in times]
    return job_figures(
        times,
        {
            "top": [air(t_s) + top_k * x for t_s, x in zip(times, excess, strict=True)],
            "low": [air(t_s) - top_k * x for t_s, x in zip(times, excess, strict=True)],
        },
        [20.0] * len(times),
        heat_off_s=7200.0,
        doors=[(9000.0, 9060.0)] if door else (),
    )


@pytest.mark.parametrize("tau_s", [1800.0, 3600.0, 7200.0])
def test_loss_is_that_of_the_cool_down(tau_s: float) -> None:
    figures = curve_job(tau_s=tau_s)
    assert figures.loss_per_h == pytest.approx(3600.0 / tau_s, rel=0.03)
    assert figures.time_constant_s == pytest.approx(tau_s, rel=0.03)


def test_warm_up_is_the_middle_of_the_way() -> None:
    # 20 to 60 % of 40 K: 16 K within 1200 s (ln 0.8 - ln 0.4) = 832 s
    figures = curve_job()
    assert figures.warm_k_per_min == pytest.approx(16.0 / (832.0 / 60.0), rel=0.05)


def test_offsets_are_shares_of_the_excess() -> None:
    # 3 K above and 3 K below the mean: 6 K above the other, of 40 K
    assert curve_job().offsets == pytest.approx({"top": 0.15, "low": -0.15}, abs=0.002)


def test_a_box_that_is_cold_at_once_did_not_cool() -> None:
    """After a restart of a simulated box, say, which is another one then."""
    times = [30.0 * index for index in range(200)]
    air = [20.0 if t_s > 4000.0 else 60.0 for t_s in times]
    figures = job_figures(times, {"top": air}, [20.0] * len(times), heat_off_s=None)
    assert (figures.loss_per_h, figures.excess_k) == (None, 40.0)


@pytest.mark.parametrize(
    ("figures", "compared", "differs", "said"),
    [
        pytest.param(
            JobFigures(),
            5,
            False,
            "Neither how fast the box warms up nor how fast it cools could be measured",
            id="nothing",
        ),
        pytest.param(
            JobFigures(loss_per_h=2.0),
            1,
            False,
            "The box lost half of its warmth in 21 min once the heat was off. It takes 3 earlier",
            id="few earlier ones",
        ),
        pytest.param(
            JobFigures(loss_per_h=2.0, warm_k_per_min=0.8),
            5,
            False,
            "warmed up by 0.8 degrees a minute and lost half of its warmth in 21 min once the "
            "heat was off. That is as in the last 5 jobs.",
            id="as ever",
        ),
        pytest.param(
            JobFigures(early_loss_per_h=2.0),
            3,
            False,
            "The box began to cool at a rate that halves its warmth in 21 min. That is as in",
            id="the door was opened early",
        ),
        pytest.param(
            JobFigures(warm_k_per_min=0.8),
            5,
            True,
            "The box warmed up by 0.8 degrees a minute.",
            id="otherwise than before",
        ),
    ],
)
def test_figures_as_people_read_them(
    figures: JobFigures, compared: int, differs: bool, said: str
) -> None:
    sentence = spoken(figures, compared, differs=differs)
    assert said in sentence
    assert not (differs and "jobs" in sentence)


def test_no_loss_is_measured_across_an_open_door() -> None:
    assert curve_job(door=True).loss_per_h is None


def test_who_opens_the_door_early_still_learns_of_a_much_worse_seal() -> None:
    """The door is open from 900 s after the heat went off: 80 % come at 800 s, 40 % later."""
    past = [curve_job(tau_s=3600.0 + 20.0 * n, door=True) for n in range(4)]
    assert past[0].loss_per_h is None
    assert past[0].early_loss_per_h == pytest.approx(1.0, rel=0.06)
    worse, alike = (curve_job(tau_s=tau_s, door=True) for tau_s in (2400.0, 3000.0))
    assert "% faster than in the last 4 jobs: look at door and seals" in told(worse, past)
    assert told(alike, past) == "", "20 % faster may be the thermostat"
    assert told(worse, [replace(job, early_loss_per_h=None) for job in past]) == ""


def test_a_cold_or_short_job_gives_nothing() -> None:
    cold = job_figures([0.0, 1e3, 2e3], {"top": [20.0, 21.0, 20.0]}, None, heat_off_s=1500.0)
    assert cold == JobFigures()
    assert job_figures([], {}, None, heat_off_s=None) == JobFigures()


def course(air: Callable[[float], float], minutes: float, room_c: float = 20.0) -> JobFigures:
    """The figures of a job whose air goes by `air`, in seconds."""
    times = [30.0 * index for index in range(int(2 * minutes))]
    return job_figures(
        times, {"top": [air(t) for t in times]}, [room_c] * len(times), heat_off_s=None
    )


@pytest.mark.parametrize("air_c", [20.0, 15.0])
def test_a_box_that_is_never_warmer_than_its_room_gives_nothing(air_c: float) -> None:
    assert course(lambda _: air_c, 60.0) == JobFigures()


def test_a_job_that_ends_while_it_warms_up_says_nothing_of_warming_up() -> None:
    """Of a way of two hours a quarter of an hour."""
    quick = course(lambda t_s: 20.0 + 60.0 * (1.0 - math.exp(-t_s / 7200.0)), 25.0)
    assert quick.excess_k is not None
    assert quick.warm_k_per_min is None


def test_a_box_that_is_heated_less_has_not_been_left_to_cool() -> None:
    """It is set lower twice, half an hour apart, and then switched off."""

    def air(t_s: float) -> float:
        for since_s, to_k, from_k in (
            (9000.0, 0.0, 27.0),
            (5400.0, 27.0, 33.0),
            (3600.0, 33.0, 40.0),
        ):
            if t_s >= since_s:
                return 20.0 + to_k + (from_k - to_k) * math.exp(-(t_s - since_s) / 600.0)
        return 60.0

    figures = course(air, 300.0)
    assert (figures.early_loss_per_h, figures.loss_per_h) == (None, None)


def test_a_thermostat_that_heats_again_is_no_cooling() -> None:
    def air(t_s: float) -> float:
        sunk = 60.0 - 30.0 * min(1.0, max(0.0, t_s - 3600.0) / 7200.0)
        return sunk + (2.0 * math.sin(t_s / 120.0) if t_s > 3600.0 else 0.0)

    assert course(air, 200.0).loss_per_h is None


PAST = [curve_job(tau_s=tau_s) for tau_s in (3500.0, 3650.0, 3600.0, 3580.0)]


@pytest.mark.parametrize(
    ("job", "said"),
    [
        pytest.param(curve_job(), "", id="as ever"),
        pytest.param(curve_job(tau_s=3300.0), "", id="9 % faster: a fuller box"),
        pytest.param(
            curve_job(tau_s=2560.0),
            "The box now loses heat 40 % faster than in the last 4 jobs: look at door and seals.",
            id="a seal",
        ),
        pytest.param(curve_job(tau_s=6000.0), "", id="it has got better"),
        pytest.param(
            curve_job(top_k=-3.0),
            "Sensor top now reads 12.0 degrees lower, compared with the others, than in the "
            "last 4 jobs: it may have moved.",
            id="changed places",
        ),
        pytest.param(
            curve_job(warm_s=2400.0),
            "The box now warms up 50 % more slowly than in the last 4 jobs: look at heater, bed "
            "and fan.",
            id="a weak heater",
        ),
        pytest.param(JobFigures(), "", id="nothing measured"),
    ],
)
def test_told_against_the_past(job: JobFigures, said: str) -> None:
    got = told(job, PAST)
    assert re.sub(r"[\d.]+", "#", got) == re.sub(r"[\d.]+", "#", said)
    for ours, theirs in zip(
        re.findall(r"\d+\.?\d*", got), re.findall(r"\d+\.?\d*", said), strict=True
    ):
        assert float(ours) == pytest.approx(float(theirs), rel=0.1)
    assert told(job, PAST[:2]) == ""


@given(st.lists(st.floats(0.2, 5.0), min_size=3, max_size=12))
def test_no_job_differs_from_a_past_of_its_like(losses: list[float]) -> None:
    past = [JobFigures(loss_per_h=loss) for loss in losses]
    for loss in (min(losses[-8:]), sorted(losses[-8:])[len(losses[-8:]) // 2]):
        assert told(JobFigures(loss_per_h=loss), past) == ""


def test_a_worse_seal_is_known_in_a_box_of_its_own_physics() -> None:
    box = BoxPlan(
        volume_m3=0.15,
        leak_per_h=1.0,
        bed_w_per_k=1.2,
        finish_s=2.5 * 3600.0,
        end_s=6.0 * 3600.0,
        room_feeler=True,
        feelers=(Feeler("top", 0), Feeler("low", 3)),
    )

    def figures(plan: BoxPlan) -> JobFigures:
        rows = [row for row in readings(plan) if row[0] % 10.0 == 0.0]
        return job_figures(
            [t_s for t_s, _ in rows],
            {"top": [v[0] for _, v in rows], "low": [v[1] for _, v in rows]},
            [v[2] for _, v in rows],
            heat_off_s=plan.finish_s,
        )

    past = [
        figures(replace(box, seed=seed, room_c=room_c, bed_c=bed_c))
        for seed, room_c, bed_c in ((1, 18.0, 100.0), (2, 22.0, 100.0), (3, 15.0, 90.0))
    ]
    assert told(figures(replace(box, seed=4, room_c=20.0)), past) == ""
    leaky = told(figures(replace(box, seed=5, room_c=20.0, leak_per_h=40.0)), past)
    print(past, figures(replace(box, seed=5, room_c=20.0, leak_per_h=40.0)))
    assert leaky.startswith("The box now loses heat ")
