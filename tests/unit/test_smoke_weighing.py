"""What single measures say of smoke, and what sums it up."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stillair.fire import smoke
from stillair.fire.veil import MEASURES


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
    assert smoke.LEAST_STEP <= after - evidence <= smoke.MOST_STEP < smoke.TOLD_SUM / 2.0
