"""What may be written down of a job, and what stands after a word more."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from stillair.errors import CommandRefused, Refusal
from stillair.jobs.desk import JobDesk
from stillair.jobs.log import MOST_FLAWS, MOST_PIECES, after, check_day, checked, offered, worst
from stillair.model import (
    Brim,
    Flaw,
    FlawKind,
    Hold,
    JobLog,
    JobOutcome,
    LogKept,
    LogTold,
    PieceOutcome,
    Spot,
    StartJob,
    TellLog,
)

CRACK = Flaw(FlawKind.CRACK, 30.2, Spot.BACK_LEFT, "opens under the thumb")
SOUND, FLAWED, FAILED = JobOutcome.SOUND, JobOutcome.FLAWED, JobOutcome.FAILED


def prepared(by: str = "bench captain", **said: Any) -> TellLog:
    return TellLog(t_s=5.0, by=by, job="bench-1", log=JobLog(**said), named=tuple(said))


def piece(number: int, by: str = "cox", **said: Any) -> TellLog:
    told = PieceOutcome(number, **said)
    return TellLog(t_s=6.0, by=by, job="bench-1", piece=told, piece_named=tuple(said))


def stands(*told: TellLog) -> LogKept:
    kept: LogKept | None = None
    for each in told:
        kept = after(kept, checked(each))
    assert kept is not None
    return kept


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        pytest.param(prepared(dried_h=200.5), "200 h, not 200.5", id="dried too long"),
        pytest.param(prepared(dried_h=-0.1), "from 0 to 200 h", id="dried backwards"),
        pytest.param(prepared(dried_c=19.0), "20 to 200 °C, not 19", id="not dried at all"),
        pytest.param(prepared(dried_c=201.0), "temperature of drying", id="molten"),
        pytest.param(prepared(humidity_percent=101.0), "humidity is from 0 to 100 %", id="wet"),
        pytest.param(prepared(fan_percent=100.1), "fan's share", id="fan too fast"),
        pytest.param(prepared(fan_percent=math.nan), "not nan", id="fan not a number"),
        pytest.param(prepared(nozzle_c=99.0), "from 100 to 550", id="cold nozzle"),
        pytest.param(prepared(nozzle_c=math.inf), "not inf", id="endless nozzle"),
        pytest.param(prepared(bed_c=251.0), "from 0 to 250", id="bed too hot"),
        pytest.param(prepared(held_since="2026-02-30"), "like 2026-11-03", id="no such day"),
        pytest.param(prepared(held_since="20261103"), "like 2026-11-03", id="day without dashes"),
        pytest.param(prepared(held_since="2026-W45-2"), "like 2026-11-03", id="day of a week"),
        pytest.param(prepared(held_since="1999-12-31"), "like 2026-11-03", id="before the trade"),
        pytest.param(prepared(batch="x" * 61), "longer than 60", id="long batch"),
        pytest.param(prepared(batch="a\nb"), "control character", id="batch of two lines"),
        pytest.param(prepared(toolpath="x" * 121), "longer than 120", id="long toolpath"),
        pytest.param(piece(0), "from 1 to 60, not 0", id="piece nought"),
        pytest.param(piece(MOST_PIECES + 1), "not 61", id="a piece too many"),
        pytest.param(
            piece(1, flaws=(CRACK,) * (MOST_FLAWS + 1)), "at most 12 flaws", id="flaws too many"
        ),
        pytest.param(
            piece(1, outcome=SOUND, flaws=(CRACK,)), "sound piece", id="sound and cracked"
        ),
        pytest.param(
            piece(1, flaws=(replace(CRACK, height_mm=2000.1),)), "0 to 2000 mm", id="flaw too high"
        ),
        pytest.param(
            piece(1, flaws=(replace(CRACK, height_mm=math.nan),)), "not nan", id="flaw nowhere"
        ),
        pytest.param(
            piece(1, flaws=(replace(CRACK, text="x" * 201),)), "longer than 200", id="long line"
        ),
        pytest.param(
            TellLog(t_s=1.0, by="cox", job="bench-1", gone=0), "from 1 to 60", id="none gone"
        ),
        pytest.param(prepared(), "say something", id="nothing said"),
        pytest.param(replace(prepared(), named=("colour",)), "no 'colour'", id="no such field"),
    ],
)
def test_what_cannot_be_is_refused(told: TellLog, reason: str) -> None:
    with pytest.raises(CommandRefused) as error:
        checked(told)
    assert error.value.refusal is Refusal.FORBIDDEN
    assert reason in error.value.reason


@pytest.mark.parametrize(
    "said",
    [
        pytest.param({"dried_h": 0.0, "dried_c": 20.0}, id="lowest of drying"),
        pytest.param({"dried_h": 200.0, "dried_c": 200.0}, id="highest of drying"),
        pytest.param({"nozzle_c": 550.0, "bed_c": 250.0}, id="hottest"),
        pytest.param({"hold": Hold.SLURRY, "held_since": "2000-01-01"}, id="old slurry"),
        pytest.param({"fan_percent": 0.0, "humidity_percent": 100.0}, id="still and wet"),
    ],
)
def test_what_can_be_is_taken(said: dict[str, Any]) -> None:
    assert stands(prepared(**said)).log == JobLog(**said)


@pytest.mark.parametrize(
    ("day", "refused"),
    [
        pytest.param("2026-11-30", False, id="today"),
        pytest.param("2026-12-01", False, id="already tomorrow further east"),
        pytest.param("2026-12-02", True, id="still to come everywhere"),
    ],
)
def test_nothing_was_renewed_on_a_day_to_come(day: str, refused: bool) -> None:
    def check() -> None:
        check_day(JobLog(held_since=day), date(2026, 11, 30))

    if refused:
        with pytest.raises(CommandRefused, match="still to come"):
            check()
    else:
        check()


def test_a_telephone_and_a_kitchen_do_not_erase_each_other() -> None:
    kept = stands(
        prepared(by="cox", batch="ASA 4", brim=Brim.BRIM),
        prepared(by="bench captain", dried_h=6.0, dried_c=80.0),
        prepared(by="cox", brim=Brim.CORNER_DISCS),
        piece(2, outcome=FAILED),
        prepared(by="bench captain", batch=None, hold=Hold.GLUE_STICK),
    )
    assert kept.log == JobLog(
        dried_h=6.0, dried_c=80.0, brim=Brim.CORNER_DISCS, hold=Hold.GLUE_STICK
    )
    assert (kept.by, kept.pieces_by) == ("bench captain", "cox")
    assert [each.number for each in kept.pieces] == [2]


@pytest.mark.parametrize(
    ("told", "pieces"),
    [
        pytest.param([piece(3), piece(1)], [PieceOutcome(1), PieceOutcome(3)], id="in order"),
        pytest.param(
            [piece(1, place=Spot.MIDDLE), piece(1, outcome=SOUND)],
            [PieceOutcome(1, Spot.MIDDLE, SOUND)],
            id="a word more on the same piece",
        ),
        pytest.param(
            [piece(1, flaws=(CRACK,))],
            [PieceOutcome(1, None, FLAWED, (CRACK,))],
            id="a flaw alone means flawed",
        ),
        pytest.param(
            [piece(1, outcome=FAILED), piece(1, flaws=(CRACK,))],
            [PieceOutcome(1, None, FAILED, (CRACK,))],
            id="a flaw leaves failed as it is",
        ),
        pytest.param(
            [piece(1, outcome=SOUND), piece(1, flaws=(CRACK,))],
            [PieceOutcome(1, None, FLAWED, (CRACK,))],
            id="a crack found days later",
        ),
        pytest.param(
            [piece(1, flaws=(CRACK,)), piece(1, outcome=SOUND)],
            [PieceOutcome(1, None, SOUND)],
            id="sound after all",
        ),
        pytest.param(
            [piece(1, flaws=(CRACK,)), piece(1, flaws=())],
            [PieceOutcome(1, None, FLAWED)],
            id="flaws taken back",
        ),
        pytest.param(
            [piece(1, outcome=FAILED), piece(1, outcome=None)],
            [PieceOutcome(1)],
            id="outcome taken back",
        ),
        pytest.param(
            [piece(1), piece(2), TellLog(t_s=1.0, by="cox", job="bench-1", gone=1)],
            [PieceOutcome(2)],
            id="one taken out",
        ),
    ],
)
def test_pieces_after_some_words(told: list[TellLog], pieces: list[PieceOutcome]) -> None:
    assert list(stands(*told).pieces) == pieces


@pytest.mark.parametrize(
    ("outcomes", "whole"),
    [
        pytest.param([], None, id="no piece"),
        pytest.param([None], None, id="nothing said"),
        pytest.param([SOUND, None], SOUND, id="sound as far as said"),
        pytest.param([SOUND, FLAWED], FLAWED, id="one flawed"),
        pytest.param([FLAWED, FAILED, SOUND], FAILED, id="one failed"),
    ],
)
def test_a_job_came_out_as_its_worst_piece(
    outcomes: list[JobOutcome | None], whole: JobOutcome | None
) -> None:
    assert worst(PieceOutcome(n, outcome=o) for n, o in enumerate(outcomes, 1)) is whole


def test_the_last_time_fills_in_only_what_is_open() -> None:
    last = JobLog(
        batch="ASA 4", dried_h=6.0, humidity_percent=61.0, brim=Brim.RAFT, toolpath="fin box"
    )
    assert offered(JobLog(brim=Brim.NONE), last) == JobLog(batch="ASA 4", dried_h=6.0)


def test_the_desk_takes_a_word_at_any_time_but_only_on_its_own_jobs() -> None:
    desk = JobDesk(chamber="bench")
    with pytest.raises(CommandRefused) as error:
        desk.command(prepared(batch="ASA 4"))
    assert error.value.refusal is Refusal.UNKNOWN
    desk.command(StartJob(t_s=1.0, by="cox", name="Fin box", material="ASA", machine="", notes=""))
    result = desk.command(prepared(batch="  ASA 4 "))
    assert result.logs == (
        LogTold("bench-1", 5.0, "bench captain", JobLog(batch="ASA 4"), ("batch",)),
    )
    assert result.jobs == ()
    assert desk.command(prepared(batch=" ")).logs[0].log.batch is None
