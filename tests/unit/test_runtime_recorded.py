"""What a replay says of a video that doesn't cover its readings."""

import pytest

from stillair.runtime.recorded import _Span


@pytest.mark.parametrize(
    ("video", "rows", "told"),
    [
        (_Span(), _Span(0.0, 600.0), ""),
        (_Span(0.0, 600.0), _Span(), ""),
        (_Span(3.0, 596.0), _Span(0.0, 600.0), ""),
        (_Span(0.0, 60.0), _Span(0.0, 600.0), "0:00:00 to 0:01:00 of the readings' 0:00:00 to"),
    ],
)
def test_what_a_video_leaves_out_is_told_where_both_have_a_span(
    video: _Span, rows: _Span, told: str
) -> None:
    said = video.leaves_out(rows)
    assert bool(said) is bool(told)
    assert told in said
