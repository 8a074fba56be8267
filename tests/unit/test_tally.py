"""How many readings were lost in the last hour, and how fast pictures come."""

from __future__ import annotations

import pytest

from stillair.model import Reading
from stillair.runtime.tally import GRACE_S, Tally


@pytest.mark.parametrize(
    ("lost_at_s", "until_s", "share"),
    [
        pytest.param((), 0, None, id="nothing was read"),
        pytest.param((), 100, 0.0, id="none lost"),
        pytest.param(range(50), 100, 0.5, id="the first half lost"),
        pytest.param(range(60), 3660, 0.0, id="what is older than an hour counts no more"),
        pytest.param(range(3600), 3600, 1.0, id="all of an hour lost"),
    ],
)
def test_the_share_of_lost_readings(
    lost_at_s: range | tuple[int, ...], until_s: int, share: float | None
) -> None:
    tally = Tally(lambda: 0.0)
    for t_s in range(until_s):
        tally.reading(Reading("top", float(t_s), None if t_s in lost_at_s else 46.0))
    assert tally.lost("top", float(until_s - 1)) == share
    assert tally.lost("low", 0.0) is None
    lost = len(set(lost_at_s) & set(range(until_s)))
    assert tally.counts("top") == (until_s - lost, lost), "of the whole time"
    assert tally.counts("low") == (0, 0)


@pytest.mark.parametrize(
    ("times_s", "now_s", "rate"),
    [
        pytest.param([], 10.0, None, id="none"),
        pytest.param([1.0], 10.0, None, id="one tells no rate"),
        pytest.param([0.0, 0.5, 1.0], 1.0, 2.0, id="two a second"),
        pytest.param([0.0, 0.5, 1.0], 8.0 + GRACE_S, 0.25, id="nothing came since"),
    ],
)
def test_how_fast_pictures_come(times_s: list[float], now_s: float, rate: float | None) -> None:
    clock = [0.0]
    tally = Tally(lambda: clock[0])
    for clock[0] in times_s:
        tally.picture()
    clock[0] = now_s
    assert tally.pictures_per_s() == rate
