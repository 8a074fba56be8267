"""Values of an archive: heads of readings, and numbers and words that anybody may have written."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest

from stillair.runtime.archive_form import FORM, OLD_FORM, number, record
from stillair.runtime.archive_values import heading, sensor_of


@pytest.mark.parametrize(
    ("sensor", "head"),
    [
        pytest.param("top", "top", id="a name"),
        pytest.param("=1+1", "'=1+1", id="a formula"),
        pytest.param("'=1+1", "''=1+1", id="one that was kept from being one"),
        pytest.param("'n Brett", "''n Brett", id="a mark of its own"),
        pytest.param("-", "'-", id="a line"),
    ],
)
def test_no_head_of_readings_is_a_formula_and_each_is_read_back(sensor: str, head: str) -> None:
    assert heading(sensor) == head
    line = io.BytesIO(f"time_s,{head}\n".encode())
    assert sensor_of(line, "a file", FORM) == sensor
    line.seek(0)
    assert sensor_of(line, "a file", OLD_FORM) == head, "once they were written as they are"


@pytest.mark.parametrize(
    "value",
    [
        pytest.param(10**400, id="beyond floats"),
        pytest.param(float("nan"), id="none"),
        pytest.param(float("inf"), id="endless"),
        pytest.param(-1e16, id="far below"),
        pytest.param(True, id="a word"),
        pytest.param("1", id="a text"),
    ],
)
def test_what_is_no_number_is_refused(value: Any) -> None:
    with pytest.raises(ValueError, match="should be a number"):
        number(value)


@pytest.mark.parametrize("name", ["\ud800", "a\udfffb", "\udc00\ud800"])
def test_half_a_character_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="surrogates"):
        record(json.dumps({"name": name}).encode())


def test_a_whole_character_is_taken_however_it_is_written() -> None:
    assert record(json.dumps({"name": "\U0001f6a3"}).encode()) == {"name": "\U0001f6a3"}
