"""Figures that were measured by an earlier rule, or over times that were corrected since."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stillair.jobs.figures import CHANGED, RULE, holding
from stillair.model import JobDiagnosis, Timeline
from stillair.runtime.diagnosing import is_outdated, renewed
from stillair.storage.items import diagnosis_item

OVER = "2031-03-01T08:00:00Z 2031-03-01T14:00:00Z"
OTHER = "2031-03-01T08:00:00Z 2031-03-01T15:00:00Z"
OLD = {"air_c": 47.2, "hottest_c": 50.7, "longest_drop_s": 870.0, "cooling_k_per_min": 1.2}
NOW = {"air_c": 47.21, "hottest_c": 50.7, "longest_drop_s": 2400.0, "cooling_k_per_min": 9.9}
KEPT = JobDiagnosis("bench-1", 5.0, "as it was said", 2.1, measured=OLD, rule=1, over=OVER)
FOUND = replace(KEPT, text="of today", loss_per_h=9.0, measured=NOW, rule=RULE)


@pytest.mark.parametrize(
    ("kept_over", "measured", "left"),
    [
        pytest.param(OVER, NOW, {**OLD, "longest_drop_s": 2400.0}, id="what the rule changed"),
        pytest.param("", NOW, {**OLD, "longest_drop_s": 2400.0}, id="by a version without times"),
        pytest.param(OVER, None, holding(OLD, 1), id="a sensor was replaced: given up"),
        pytest.param(OVER, {}, holding(OLD, 1), id="no reading is left: given up"),
        pytest.param(
            OVER, {**NOW, "hottest_c": 49.0}, holding(OLD, 1), id="some readings are gone: given up"
        ),
        pytest.param(OTHER, NOW, NOW, id="other times: all of them"),
        pytest.param(OTHER, None, {}, id="other times, and a sensor was replaced: nothing"),
    ],
)
def test_what_becomes_of_a_jobs_figures(
    kept_over: str, measured: dict[str, float] | None, left: dict[str, float]
) -> None:
    found = None if measured is None else replace(FOUND, measured=measured)
    anew = renewed(replace(KEPT, over=kept_over), found, OVER)
    assert anew.measured == left
    assert (anew.rule, anew.over) == (RULE, OVER)
    assert (anew.text, anew.loss_per_h) == (KEPT.text, KEPT.loss_per_h), "as it was said"


@pytest.mark.parametrize(
    ("diagnosis", "brought", "outdated"),
    [
        pytest.param(KEPT, False, True, id="by an earlier rule"),
        pytest.param(FOUND, False, False, id="by the present one"),
        pytest.param(replace(FOUND, over=""), False, False, id="of a season that was brought in"),
        pytest.param(replace(FOUND, over=OTHER), False, True, id="its times were corrected"),
        pytest.param(replace(KEPT, measured={}), False, False, id="it has no figures"),
        pytest.param(KEPT, True, False, id="measured on another board"),
        pytest.param(None, False, False, id="not diagnosed yet"),
    ],
)
def test_which_jobs_are_measured_anew(
    diagnosis: JobDiagnosis | None, brought: bool, outdated: bool
) -> None:
    started_at, finished_at = OVER.split()
    told = diagnosis and diagnosis_item(diagnosis, "bench", Timeline("boot", 0.0))
    item: dict[str, Any] = {"brought": brought, "diagnosis": told}
    assert is_outdated({**item, "started_at": started_at, "finished_at": finished_at}) is outdated


def test_figures_hold_until_their_rule_changes() -> None:
    assert max(CHANGED.values()) == RULE
    for rule in range(1, RULE + 1):
        assert set(holding(OLD, rule)) == {n for n in OLD if CHANGED.get(n, 1) <= rule}
