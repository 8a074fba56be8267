"""The look before starting: each rule told, not told, switched off, moved; what would help."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from stillair.jobs.before import ChamberFacts, asleep_for, look_before
from stillair.jobs.rules import RULES, Remark, Rule, Thresholds
from stillair.jobs.toolpath import Layers, Outlines, Toolpath, Whole
from stillair.jobs.toolpath.analysis import analyse
from stillair.simulation.toolpaths import BUSHING, Build, toolpath_lines

ZONE = ZoneInfo("Europe/Berlin")
MORNING = datetime(2026, 5, 4, 8, 3, tzinfo=ZONE)
EVENING = datetime(2026, 5, 4, 19, 3, tzinfo=ZONE)
COUNT = 100
WARM = ChamberFacts(expected_c=55.0, air_c=55.0, is_soaked=True, begins_at=MORNING)


def toolpath(time_s: Any = 60.0, whole: Mapping[str, Any] | None = None, **other: Any) -> Toolpath:
    """A block of 40 x 30 mm, 20 mm high."""
    times_s = np.broadcast_to(np.asarray(time_s, dtype=np.float64), COUNT)
    end_s = np.cumsum(times_s)
    layers = Layers(
        height_mm=np.arange(1.0, COUNT + 1.0) * 0.2,
        thickness_mm=np.full(COUNT, 0.2),
        start_s=end_s - times_s,
        end_s=end_s,
        length_mm=np.full(COUNT, 1500.0),
        width_mm=np.full(COUNT, 0.45),
        fan_share=np.zeros(COUNT),
        least_time_s=times_s * 0.5,
        nozzle_c=np.full(COUNT, 250.0),
        longest_run_mm=np.full(COUNT, 40.0),
        piece=np.zeros(COUNT, dtype=np.int32),
    )
    about = Whole(
        duration_s=float(end_s[-1]),
        height_mm=20.0,
        layers=COUNT,
        nozzle_c=(250.0, 250.0),
        bed_c=(100.0, 100.0),
        chamber_c=None,
        filament_mm=5000.0,
        footprint_mm=(0.0, 0.0, 40.0, 30.0),
        base_area_mm2=1200.0,
        longest_run_mm=40.0,
        pieces=1,
        tools=(0,),
        fan_first_share=0.0,
        units="mm",
        spiral=False,
        stops_s=(),
        warnings=(),
    )
    cells = np.packbits(np.ones((30, 40), dtype=bool)).tobytes()
    outlines = Outlines(1.0, 0.0, 0.0, 40, 30, cells * COUNT)
    return Toolpath(replace(about, **(whole or {})), replace(layers, **other), outlines)


def look(
    path: Toolpath, chamber: ChamberFacts = WARM, material: str = "ASA", **limits: Any
) -> dict[Rule, Remark]:
    found = look_before(path, material, chamber, Thresholds(**limits))
    return {remark.rule: remark for remark in found}


def at(air_c: float | None) -> ChamberFacts:
    return replace(WARM, expected_c=air_c, air_c=air_c)


def stops(count: int) -> Toolpath:
    """So many layers that take twenty minutes, ten others apart, high above the bed."""
    return toolpath(np.where(np.isin(np.arange(COUNT), [50, 60, 70][:count]), 1200.0, 60.0))


SMALL = np.where(np.arange(COUNT) < 50, 60.0, 4.0)
QUICK = np.where(np.arange(COUNT) < 50, 60.0, 16.0)
HOURS = {"duration_s": 8 * 3600.0}
HOT = replace(WARM, expected_c=64.0, air_c=64.0)
COLD = replace(WARM, expected_c=25.0, air_c=25.0)
LONG = {"longest_run_mm": 180.0, "base_area_mm2": 4000.0}

TOLD = [
    pytest.param(toolpath(), WARM, "Unobtainium", Rule.MATERIAL_UNKNOWN, id="a material unknown"),
    pytest.param(toolpath(), WARM, "", Rule.MATERIAL_UNKNOWN, id="no material named"),
    pytest.param(
        toolpath(), replace(WARM, air_c=45.0), "ASA", Rule.NOT_SOAKED, id="10 degrees to go"
    ),
    pytest.param(
        toolpath(), replace(WARM, is_soaked=False), "ASA", Rule.NOT_SOAKED, id="not yet steady"
    ),
    pytest.param(
        toolpath(),
        replace(WARM, is_soaked=False, air_c=None),
        "ASA",
        Rule.NOT_SOAKED,
        id="not steady, and no sensor tells how warm",
    ),
    pytest.param(toolpath(), COLD, "ASA", Rule.CHAMBER_UNUSUAL, id="a cold box"),
    pytest.param(toolpath(), HOT, "PP", Rule.CHAMBER_UNUSUAL, id="a box too hot for PP"),
    pytest.param(
        toolpath(whole={"bed_c": (60.0, 60.0)}), WARM, "ASA", Rule.BED_UNUSUAL, id="a cold bed"
    ),
    pytest.param(
        toolpath(whole={"bed_c": (100.0, 130.0)}), WARM, "ASA", Rule.BED_UNUSUAL, id="hot later"
    ),
    pytest.param(
        toolpath(whole={"nozzle_c": (250.0, 210.0)}),
        WARM,
        "ASA",
        Rule.NOZZLE_UNUSUAL,
        id="a cold nozzle",
    ),
    pytest.param(toolpath(), WARM, "PC", Rule.NOZZLE_UNUSUAL, id="a nozzle for something else"),
    pytest.param(
        toolpath(whole={"fan_first_share": 0.5}), WARM, "ASA", Rule.FAN_AT_FIRST, id="fan at first"
    ),
    pytest.param(toolpath(whole=LONG), WARM, "ASA", Rule.LONG_RUNS, id="long on a wide base"),
    pytest.param(toolpath(180.0), COLD, "ASA", Rule.TOO_COLD, id="slow layers in a cold box"),
    pytest.param(stops(3), at(45.0), "ASA", Rule.TOO_COLD, id="three layers that stood open"),
    pytest.param(toolpath(SMALL), WARM, "ASA", Rule.NOT_FIRM, id="a thin top"),
    pytest.param(
        toolpath(whole=HOURS),
        replace(WARM, begins_at=EVENING),
        "ASA",
        Rule.NOBODY_AWAKE,
        id="through the night",
    ),
]

NOT_TOLD = [
    pytest.param(toolpath(), replace(WARM, air_c=53.0), "ASA", Rule.NOT_SOAKED, id="2 to go"),
    pytest.param(
        toolpath(), replace(WARM, is_soaked=False), "PETG", Rule.NOT_SOAKED, id="PETG wants none"
    ),
    pytest.param(
        toolpath(),
        ChamberFacts(begins_at=MORNING),
        "ASA",
        Rule.CHAMBER_UNUSUAL,
        id="nobody knows what to expect",
    ),
    pytest.param(
        toolpath(whole={"bed_c": (None, None)}), WARM, "ASA", Rule.BED_UNUSUAL, id="no bed set"
    ),
    pytest.param(
        toolpath(whole={"nozzle_c": (265.0, 240.0)}),
        WARM,
        "ASA",
        Rule.NOZZLE_UNUSUAL,
        id="just within",
    ),
    pytest.param(
        toolpath(whole={"longest_run_mm": 180.0, "base_area_mm2": 200.0}),
        WARM,
        "ASA",
        Rule.LONG_RUNS,
        id="a thin wall",
    ),
    pytest.param(toolpath(whole=LONG), WARM, "PETG", Rule.LONG_RUNS, id="PETG hardly shrinks"),
    pytest.param(toolpath(30.0), COLD, "ASA", Rule.TOO_COLD, id="short layers keep warm"),
    pytest.param(toolpath(120.0), at(40.0), "ASA", Rule.TOO_COLD, id="alike, just at the floor"),
    pytest.param(toolpath(14.0), at(70.0), "PC", Rule.TOO_COLD, id="a bed that takes heat"),
    pytest.param(
        toolpath(whole={"bed_c": (110.0, 110.0)}), WARM, "HIPS", Rule.NOT_FIRM, id="a bed's warmth"
    ),
    pytest.param(stops(2), at(45.0), "ASA", Rule.TOO_COLD, id="two cold layers are no rule"),
    pytest.param(
        toolpath(whole={"bed_c": (0.0, 0.0)}), WARM, "ASA", Rule.BED_UNUSUAL, id="no bed to heat"
    ),
    pytest.param(
        toolpath(whole={"fan_first_share": 0.1}), WARM, "ASA", Rule.FAN_AT_FIRST, id="just a tenth"
    ),
    pytest.param(
        toolpath(whole={"longest_run_mm": 120.0, "base_area_mm2": 4000.0}),
        WARM,
        "ASA",
        Rule.LONG_RUNS,
        id="a run just so long",
    ),
    pytest.param(
        toolpath(whole={"longest_run_mm": 180.0, "base_area_mm2": 800.0}),
        WARM,
        "ASA",
        Rule.LONG_RUNS,
        id="a base just so wide",
    ),
    pytest.param(
        toolpath(), replace(WARM, air_c=52.0), "ASA", Rule.NOT_SOAKED, id="just three to go"
    ),
    pytest.param(toolpath(), at(40.0), "ASA", Rule.CHAMBER_UNUSUAL, id="just at the floor"),
    pytest.param(
        toolpath(whole={"duration_s": 3.5 * 3600.0}),
        replace(WARM, begins_at=EVENING.replace(minute=0)),
        "ASA",
        Rule.NOBODY_AWAKE,
        id="half an hour of the night",
    ),
    pytest.param(
        toolpath(whole=HOURS),
        replace(WARM, begins_at=EVENING, can_burn=False),
        "ASA",
        Rule.NOBODY_AWAKE,
        id="a box of glass and metal",
    ),
    pytest.param(
        toolpath(whole=HOURS),
        replace(WARM, begins_at=None),
        "ASA",
        Rule.NOBODY_AWAKE,
        id="nobody knows the hour",
    ),
    pytest.param(
        toolpath(whole=HOURS),
        replace(WARM, begins_at=EVENING, nights=((22 * 60, 420), (420, 900))),
        "ASA",
        Rule.NOBODY_AWAKE,
        id="two who sleep in turns",
    ),
]


@pytest.mark.parametrize(("path", "chamber", "material", "rule"), TOLD)
def test_it_is_told_and_can_be_switched_off(
    path: Toolpath, chamber: ChamberFacts, material: str, rule: Rule
) -> None:
    remark = look(path, chamber, material)[rule]
    assert remark.text[0].isupper()
    assert remark.text.endswith(".")
    assert all(help_.endswith(".") for help_ in remark.helps)
    assert remark.helps
    assert rule not in look(path, chamber, material, off=(rule,))


@pytest.mark.parametrize(("path", "chamber", "material", "rule"), NOT_TOLD)
def test_it_is_not_told(path: Toolpath, chamber: ChamberFacts, material: str, rule: Rule) -> None:
    assert rule not in look(path, chamber, material)


def test_a_good_job_in_a_warm_box_in_the_morning_has_no_remarks() -> None:
    assert look(toolpath()) == {}


def test_every_rule_has_its_reason_and_a_row_here() -> None:
    assert set(RULES) == set(Rule)
    assert {row.values[3] for row in TOLD} == set(Rule)


@pytest.mark.parametrize(
    ("path", "chamber", "rule", "limits"),
    [
        pytest.param(
            toolpath(), replace(WARM, air_c=45.0), Rule.NOT_SOAKED, {"soak_k": 12.0}, id="soak"
        ),
        pytest.param(toolpath(), COLD, Rule.CHAMBER_UNUSUAL, {"chamber_k": 20.0}, id="chamber"),
        pytest.param(
            toolpath(whole={"bed_c": (80.0, 80.0)}),
            WARM,
            Rule.BED_UNUSUAL,
            {"bed_k": 15.0},
            id="bed",
        ),
        pytest.param(
            toolpath(whole={"nozzle_c": (230.0, 230.0)}),
            WARM,
            Rule.NOZZLE_UNUSUAL,
            {"nozzle_k": 15.0},
            id="nozzle",
        ),
        pytest.param(
            toolpath(whole={"fan_first_share": 0.2}),
            WARM,
            Rule.FAN_AT_FIRST,
            {"fan_share": 0.3},
            id="fan",
        ),
        pytest.param(toolpath(whole=LONG), WARM, Rule.LONG_RUNS, {"run_mm": 200.0}, id="run"),
        pytest.param(toolpath(whole=LONG), WARM, Rule.LONG_RUNS, {"base_cm2": 60.0}, id="base"),
        pytest.param(toolpath(180.0), COLD, Rule.TOO_COLD, {"cold_k": 30.0}, id="cold"),
        pytest.param(toolpath(QUICK), WARM, Rule.NOT_FIRM, {"firm_k": -50.0}, id="firm"),
        pytest.param(
            toolpath(whole=HOURS),
            replace(WARM, begins_at=EVENING),
            Rule.NOBODY_AWAKE,
            {"night_min": 400.0},
            id="night",
        ),
    ],
)
def test_every_threshold_moves_its_rule(
    path: Toolpath, chamber: ChamberFacts, rule: Rule, limits: dict[str, Any]
) -> None:
    assert rule in look(path, chamber)
    assert rule not in look(path, chamber, **limits)


def test_small_layers_say_where_how_hot_and_what_would_help() -> None:
    remark = look(toolpath(SMALL))[Rule.NOT_FIRM]
    ((low_mm, high_mm),) = remark.heights_mm
    assert 10.0 < low_mm < 14.0
    assert high_mm == 20.0
    assert remark.figures["shortest_s"] == 4.0
    assert remark.figures["hottest_c"] > remark.figures["firm_c"] == 100.0
    assert "ASA is not firm there" in remark.text
    assert any(help_.startswith("No layer in less than ") for help_ in remark.helps)


@dataclass(frozen=True)
class Job:
    """What a maker may change after a look."""

    time_s: Any
    air_c: float | None
    fan: Any = 0.0

    def look(self, material: str) -> dict[Rule, Remark]:
        fan = np.broadcast_to(np.asarray(self.fan, dtype=np.float64), COUNT)
        return look(toolpath(self.time_s, fan_share=fan), at(self.air_c), material)

    def follow(self, help_: str, of: Remark) -> Job:
        """The same job as it is when somebody does what it says."""
        number = float(next(iter(re.findall(r"\d+", help_)), 0))
        if help_.startswith("A chamber of "):
            return replace(self, air_c=number)
        if help_.startswith("No layer in less than "):
            return replace(self, time_s=np.maximum(self.time_s, number))
        if help_.startswith("No layer in more than "):
            return replace(self, time_s=np.minimum(self.time_s, number))
        if help_.startswith("The fan at "):
            heights_mm = np.arange(1.0, COUNT + 1.0) * 0.2
            on = [
                (low_mm - 0.3 < heights_mm) & (heights_mm < high_mm + 0.1)
                for low_mm, high_mm in of.heights_mm
            ]
            return replace(self, fan=np.where(np.any(on, axis=0), number / 100.0, self.fan))
        if help_.startswith("No fan"):
            return replace(self, fan=0.0)
        more = {"Another copy": 1, "Two more copies": 2, "Three more copies": 3}
        return replace(self, time_s=np.asarray(self.time_s) * (1 + more[help_.split(" on ")[0]]))


SHORT = "No layer in less than 45 s: none"
FLANGE = np.where((np.arange(COUNT) >= 50) & (np.arange(COUNT) < 65), 240.0, 60.0)


@pytest.mark.parametrize(
    ("job", "material", "rule", "helps"),
    [
        pytest.param(Job(SMALL, 55.0), "ASA", Rule.NOT_FIRM, [SHORT], id="a thin top"),
        pytest.param(
            Job(QUICK, 55.0),
            "ASA",
            Rule.NOT_FIRM,
            [
                "Another copy on the plate: none",
                SHORT,
                "The fan at 50% on these layers and the one below them: 13",
            ],
            id="no more than half a fan in a warm box",
        ),
        pytest.param(
            Job(QUICK, 30.0),
            "PETG",
            Rule.NOT_FIRM,
            [
                "Another copy on the plate: none",
                SHORT,
                "The fan at 60% on these layers and the one below them: none",
            ],
            id="all of it where it may be cold",
        ),
        pytest.param(
            Job(10.0, 55.0),
            "ASA",
            Rule.NOT_FIRM,
            ["Three more copies on the plate: none", SHORT],
            id="a small part needs company",
        ),
        pytest.param(
            Job(12.0, None),
            "PETG",
            Rule.NOT_FIRM,
            [
                "Two more copies on the plate: none",
                "No layer in less than 30 s: none",
                "The fan at 80% on these layers and the one below them: none",
            ],
            id="nobody knows the chamber: a room's warmth",
        ),
        pytest.param(
            Job(26.0, 30.0),
            "PETG",
            Rule.NOT_FIRM,
            [
                "Another copy on the plate: none",
                SHORT,
                "The fan at 20% on these layers and the one below them: none",
            ],
            id="no chamber colder than the room",
        ),
        pytest.param(
            Job(180.0, 25.0), "ASA", Rule.TOO_COLD, ["A chamber of 40 °C: none"], id="a cold box"
        ),
        pytest.param(
            Job(FLANGE, 40.0),
            "ASA",
            Rule.TOO_COLD,
            [
                "A chamber of 50 °C: none",
                "No layer in more than 90 s, faster or with fewer pieces: none",
            ],
            id="a flange that takes long",
        ),
        pytest.param(
            Job(60.0, 25.0, fan=1.0),
            "ASA",
            Rule.TOO_COLD,
            ["A chamber of 40 °C: none"],
            id="without the fan its usual layers were warmer, too",
        ),
        pytest.param(
            Job(60.0, 45.0, fan=np.where(FLANGE > 60.0, 1.0, 0.0)),
            "ASA",
            Rule.TOO_COLD,
            ["A chamber of 55 °C: none", "No fan: none"],
            id="a fan on some layers",
        ),
    ],
)
def test_what_is_said_to_help_helps(job: Job, material: str, rule: Rule, helps: list[str]) -> None:
    """Each advice is followed and the job looked at again: it is as was said, on both sides."""
    remark = job.look(material)[rule]
    said = [
        help_.replace("then none of them is.", "none").replace("then ", "").split(" still ")[0]
        for help_ in remark.helps
    ]
    assert said == helps
    for help_, short in zip(remark.helps, said, strict=True):
        after = job.follow(help_, remark).look(material)
        left = short.rsplit(": ", 1)[1]
        assert (int(after[rule].figures["layers"]) if rule in after else "none") == (
            left if left == "none" else int(left)
        )
        assert not {Rule.TOO_COLD, Rule.NOT_FIRM} - {rule} & set(after)


def test_what_would_spoil_the_other_side_is_not_said_to_help() -> None:
    """Some layers too quick and others too slow: a warmer box helps these and spoils those."""
    job = Job(np.where(np.arange(COUNT) < 50, 14.0, 60.0), 42.0)
    now, warmer = job.look("ASA"), replace(job, air_c=52.0).look("ASA")
    assert Rule.TOO_COLD not in warmer
    assert warmer[Rule.NOT_FIRM].figures["layers"] > now[Rule.NOT_FIRM].figures["layers"]
    assert not any(help_.startswith("A chamber") for help_ in now[Rule.TOO_COLD].helps)


@pytest.mark.parametrize(
    ("limit_c", "named"),
    [pytest.param(45.0, True, id="just borne"), pytest.param(44.0, False, id="too near")],
)
def test_a_warmer_box_stays_below_the_limit(limit_c: float, named: bool) -> None:
    remark = look(toolpath(180.0), replace(COLD, limit_c=limit_c))[Rule.TOO_COLD]
    assert ("A chamber of 40 °C: then none of them is." in remark.helps) is named


def test_stretches_that_are_apart_are_told_apart() -> None:
    heights_mm = look(stops(3), at(45.0))[Rule.TOO_COLD].heights_mm
    assert heights_mm == ((10.4, 10.4), (12.4, 12.4), (14.4, 14.4))


def test_no_warmer_box_is_named_than_it_bears() -> None:
    remark = look(toolpath(180.0), replace(COLD, limit_c=40.0))[Rule.TOO_COLD]
    assert not any(help_.startswith("A chamber of ") for help_ in remark.helps)


@pytest.mark.parametrize(
    ("begins_at", "hours", "begin"),
    [
        pytest.param(EVENING, 8.0, "Begin at 07:00 the next day", id="tomorrow morning"),
        pytest.param(MORNING, 15.5, None, id="too long for any day"),
        pytest.param(MORNING, 60.0, None, id="days on end"),
        pytest.param(MORNING.replace(hour=5), 6.0, "Begin at 07:00:", id="a little later"),
    ],
)
def test_when_to_begin_instead(begins_at: datetime, hours: float, begin: str | None) -> None:
    path = toolpath(whole={"duration_s": hours * 3600.0})
    first = look(path, replace(WARM, begins_at=begins_at))[Rule.NOBODY_AWAKE].helps[0]
    assert first.startswith(begin or "No day is long enough")


@pytest.mark.parametrize(
    ("hours", "nights", "asleep_h"),
    [
        pytest.param(3.0, ((1320, 420),), 0.0, id="done before bed"),
        pytest.param(8.0, ((1320, 420),), 5.0, id="until three"),
        pytest.param(24.0, ((1320, 420),), 9.0, id="a whole night"),
        pytest.param(24.0, ((1320, 420), (0, 540)), 7.0, id="one goes to bed later"),
        pytest.param(24.0, ((1320, 420), (540, 900)), 0.0, id="in turns"),
    ],
)
def test_hours_asleep(hours: float, nights: tuple[tuple[int, int], ...], asleep_h: float) -> None:
    found = asleep_for(MORNING.replace(hour=19, minute=0), timedelta(hours=hours), nights)
    assert found / timedelta(hours=1) == pytest.approx(asleep_h, abs=0.01)


def test_a_bushing_as_a_program_would_write_it() -> None:
    """One ring in a warm box is too quick, and another beside it is enough."""
    one = Build(BUSHING)
    two = replace(one, places=((80.0, 100.0), (120.0, 100.0)))
    found = [look(analyse(["".join(toolpath_lines(build)).encode()])) for build in (one, two)]
    assert "Another copy on the plate: then none of them is." in found[0][Rule.NOT_FIRM].helps
    assert Rule.NOT_FIRM not in found[1]
