"""What a machine tells of its jobs, in words or in JSON."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillair.sensing.job_words import JobWord, Said, job_word


@pytest.mark.parametrize(
    ("payload", "word"),
    [
        pytest.param(
            b"start oarlock bushings", JobWord(Said.START, "oarlock bushings"), id="start"
        ),
        pytest.param(b" FINISH\n", JobWord(Said.FINISH), id="in capitals, with blanks"),
        pytest.param(b"height 12.4", JobWord(Said.HEIGHT, height_mm=12.4), id="height"),
        pytest.param(b"height 12.4 mm", JobWord(Said.HEIGHT, height_mm=12.4), id="with its unit"),
        pytest.param(b'{"height": 0.2}', JobWord(Said.HEIGHT, height_mm=0.2), id="height in JSON"),
        pytest.param(b'{"pause": null}', JobWord(Said.PAUSE), id="pause in JSON"),
        pytest.param(b'{"start": "fin box"}', JobWord(Said.START, "fin box"), id="name alone"),
        pytest.param(
            b'{"start": {"name": "fin box", "material": "ASA"}}',
            JobWord(Said.START, "fin box", "ASA"),
            id="start in JSON",
        ),
    ],
)
def test_what_is_told(payload: bytes, word: JobWord) -> None:
    assert job_word(payload) == word


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        pytest.param(b"", "says nothing of a job", id="nothing"),
        pytest.param(b"explode", "start, height, pause, resume, finish do", id="another word"),
        pytest.param(b"start", "has a name", id="a start without a name"),
        pytest.param(b"height tall", "is no number", id="a height that is none"),
        pytest.param(b"height nan", "is no number", id="not a number"),
        pytest.param(b"pause now", "nothing else is said", id="more than a pause"),
        pytest.param(b"\xff\xfe", "UTF-8", id="no text"),
        pytest.param(b"{" * 3000, "can't be read", id="deep JSON"),
        pytest.param(b'{"height": 1, "pause": 1}', "has one key", id="two at once"),
        pytest.param(b'{"height": true}', "can't be read", id="a height that is true"),
        pytest.param(b'{"start": {"name": 5}}', "is text", id="a name that is a number"),
        pytest.param(b'{"start": {"title": "x"}}', "nothing that a start", id="an unknown part"),
        pytest.param(b"start " + b"x" * 5000, "at most 4096", id="too long"),
    ],
)
def test_what_can_not_be_read_is_said(payload: bytes, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        job_word(payload)


@given(st.binary(max_size=200))
def test_anything_is_a_word_or_refused(payload: bytes) -> None:
    try:
        assert job_word(payload).said in Said
    except ValueError as error:
        assert str(error)
