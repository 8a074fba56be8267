"""What single measures say of smoke, and what sums it up."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stillair.fire import smoke
from stillair.fire.veil import MEASURES

EVEN = {
    "hidden": 0.09,
    "sigmas": 14.0,
    "agreeing": 1.0,
    "informed": 0.104,
    "uneven": 0.01,
    "age_s": 30.0,
    "cover": 0.104,
    "lit": 1.0,
}


def measures(**changed: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """An even veil that hides 9 %, but for what is `changed`."""
    return np.array([[{**EVEN, **changed}.get(name, 0.0) for name in MEASURES]])


def test_an_even_veil_speaks_by_how_much_it_hides() -> None:
    # (0.09 - 0.05) / 0.02 = 2 steps, at 0.6 a nat above the bar
    assert smoke.even_veil(measures())[0] == pytest.approx(smoke.LEAST_LIKELIHOOD + 2.0 / 0.6)
    assert smoke.with_second(5.0, float(smoke.even_veil(measures())[0])) == pytest.approx(7.0)


@pytest.mark.parametrize(
    "changed",
    [
        pytest.param({"agreeing": 0.9}, id="not all of it hides"),
        pytest.param({"uneven": 0.05}, id="patches"),
        pytest.param({"sigmas": 5.0}, id="within what noise explains"),
        pytest.param({"informed": 0.05}, id="too few cells to go by"),
        pytest.param({"blurred": 0.05}, id="out of focus"),
        pytest.param({"changed": 0.1}, id="something else is there"),
        pytest.param({"moved": 0.1}, id="something moves there"),
        pytest.param({"brighter": 0.2}, id="another light"),
        pytest.param({"stain_outside": 0.2}, id="another light elsewhere"),
    ],
)
def test_what_is_not_an_even_veil_says_nothing_by_itself(changed: dict[str, float]) -> None:
    assert smoke.even_veil(measures(**changed))[0] == smoke.NOTHING


def test_the_net_is_silent_on_references_older_than_any_it_was_fitted_on() -> None:
    of = smoke.fitted_net()
    assert of(measures(age_s=smoke.FITTED_AGE_S))[0] > smoke.NOTHING
    assert of(measures(age_s=smoke.FITTED_AGE_S + 1.0))[0] == smoke.NOTHING


@given(
    arrays(np.float64, (3, len(MEASURES)), elements=st.floats(-1e6, 1e6, allow_nan=False, width=32))
)
def test_whatever_is_measured_the_terms_are_bounded(
    wild: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> None:
    for name in ("age_s", "cover"):  # which are never 0
        wild[:, MEASURES.index(name)] = np.clip(wild[:, MEASURES.index(name)], 0.01, 1e5)
    assert np.abs(smoke.terms(wild)).max() < 10.0


@given(st.floats(0.0, smoke.MOST_SUM), st.none() | st.floats(-1e9, 1e9))
def test_no_second_alone_tells_or_ends_smoke(evidence: float, likelihood: float | None) -> None:
    after = smoke.with_second(evidence, likelihood)
    assert 0.0 <= after <= smoke.MOST_SUM
    assert smoke.LEAST_STEP <= after - evidence <= smoke.MOST_STEP < smoke.TOLD_SUM / 3.0
