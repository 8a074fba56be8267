"""What may be written down of a job, and what stands after a word more.

Everything is optional: half a log is worth more than none. A word is checked as
a whole before anything of it is taken. Limits are those of what any machine of
this trade can do; they catch a slip of the finger, not an unusual job.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import fields, replace
from datetime import date, timedelta

from stillair.errors import CommandRefused, Refusal
from stillair.jobs.lines import checked_line
from stillair.model import (
    Flaw,
    JobLog,
    JobOutcome,
    LogKept,
    LogTold,
    PieceOutcome,
    TellLog,
)

MOST_PIECES = 60
MOST_FLAWS = 12  # of one piece
BATCH_LENGTH = 60
TOOLPATH_LENGTH = 120
FLAW_LENGTH = 200
HIGHEST_MM = 2000.0
EARLIEST = date(2000, 1, 1)

# Lowest, highest and unit of each figure, and what it is.
LIMITS: dict[str, tuple[float, float, str, str]] = {
    "dried_h": (0.0, 200.0, "h", "the time of drying"),
    "dried_c": (20.0, 200.0, "°C", "the temperature of drying"),
    "humidity_percent": (0.0, 100.0, "%", "the room's humidity"),
    "fan_percent": (0.0, 100.0, "%", "the fan's share"),
    "nozzle_c": (100.0, 550.0, "°C", "the nozzle's temperature"),
    "bed_c": (0.0, 250.0, "°C", "the bed's temperature"),
}
FIELDS = tuple(field.name for field in fields(JobLog))
PIECE_FIELDS = ("place", "outcome", "flaws")
# Of the part and of the day, not of the material: never taken over from the last time.
OF_THE_DAY = frozenset({"humidity_percent", "toolpath"})

_WORST_FIRST = (JobOutcome.FAILED, JobOutcome.FLAWED, JobOutcome.SOUND)


def checked(told: TellLog) -> LogTold:
    """The word of a command if all of it can be so. Raises `CommandRefused`."""
    named = tuple(name for name in FIELDS if name in told.named)
    if unknown := set(told.named) - set(FIELDS):
        raise _refused(f"a job's log has no {min(unknown)!r}")
    if not named and told.piece is None and told.gone is None:
        raise _refused("a word on a job has to say something")
    if told.gone is not None:
        _check_number(told.gone)
    return LogTold(
        job=told.job,
        t_s=told.t_s,
        by=told.by,
        log=_checked_log(told.log),
        named=named,
        piece=None if told.piece is None else _checked_piece(told.piece),
        piece_named=tuple(name for name in PIECE_FIELDS if name in told.piece_named),
        gone=told.gone,
    )


def check_day(log: JobLog, today: date) -> None:
    """Refuse a day that is still to come where it is latest on Earth. Raises `CommandRefused`."""
    if log.held_since is not None and _day(log.held_since) > today + timedelta(days=1):
        raise _refused("what holds the part can't have been renewed on a day still to come")


def after(kept: LogKept | None, told: LogTold) -> LogKept:
    """What stands after `told`: what it doesn't name stays as it was.

    Whoever says of a piece what is wrong with it, and not how it came out, means
    that it is flawed; whoever says that it is sound means that nothing is wrong.
    """
    before = kept or LogKept(told.job, told.t_s, told.by)
    log = replace(before.log, **{name: getattr(told.log, name) for name in told.named})
    pieces = {piece.number: piece for piece in before.pieces}
    if told.gone is not None:
        pieces.pop(told.gone, None)
    if told.piece is not None:
        number = told.piece.number
        pieces[number] = _piece_after(pieces.get(number, PieceOutcome(number)), told)
    ordered = tuple(pieces[number] for number in sorted(pieces))
    by = before.pieces_by if told.piece is None else told.by
    return LogKept(told.job, told.t_s, told.by, log, ordered, by)


def _piece_after(piece: PieceOutcome, told: LogTold) -> PieceOutcome:
    assert told.piece is not None
    said = {name: getattr(told.piece, name) for name in told.piece_named}
    piece = replace(piece, **said)
    if "outcome" not in said and piece.flaws and piece.outcome in (None, JobOutcome.SOUND):
        return replace(piece, outcome=JobOutcome.FLAWED)
    if piece.outcome is JobOutcome.SOUND:
        return replace(piece, flaws=())
    return piece


def worst(pieces: Iterable[PieceOutcome]) -> JobOutcome | None:
    """How a job came out whose pieces came out so: as the worst of them; None: not known."""
    found = {piece.outcome for piece in pieces}
    return next((outcome for outcome in _WORST_FIRST if outcome in found), None)


def offered(log: JobLog, last: JobLog) -> JobLog:
    """What the last job of the same material may fill in where `log` says nothing yet."""
    return JobLog(
        **{
            name: getattr(last, name)
            for name in FIELDS
            if name not in OF_THE_DAY and getattr(log, name) is None
        }
    )


# --- checks ------------------------------------------------------------------


def _checked_log(log: JobLog) -> JobLog:
    for name, (lowest, highest, unit, what) in LIMITS.items():
        value = getattr(log, name)
        if value is not None and not lowest <= value <= highest:  # nor nan
            raise _refused(f"{what} is from {lowest:g} to {highest:g} {unit}, not {value:g}")
    if log.held_since is not None:
        _day(log.held_since)
    return replace(
        log,
        batch=_line(log.batch, "batch", BATCH_LENGTH),
        toolpath=_line(log.toolpath, "toolpath's name", TOOLPATH_LENGTH),
    )


def _checked_piece(piece: PieceOutcome) -> PieceOutcome:
    _check_number(piece.number)
    if len(piece.flaws) > MOST_FLAWS:
        raise _refused(f"a piece has at most {MOST_FLAWS} flaws here")
    if piece.outcome is JobOutcome.SOUND and piece.flaws:
        raise _refused("a sound piece has no flaws; call it flawed, or take them away")
    return replace(piece, flaws=tuple(_checked_flaw(flaw) for flaw in piece.flaws))


def _checked_flaw(flaw: Flaw) -> Flaw:
    height_mm = flaw.height_mm
    if height_mm is not None and not (math.isfinite(height_mm) and 0.0 <= height_mm <= HIGHEST_MM):
        raise _refused(f"a flaw's height is from 0 to {HIGHEST_MM:.0f} mm, not {height_mm:g}")
    return replace(flaw, text=checked_line(flaw.text, "line on a flaw", longest=FLAW_LENGTH))


def _check_number(number: int) -> None:
    if not 1 <= number <= MOST_PIECES:
        raise _refused(f"pieces are numbered from 1 to {MOST_PIECES}, not {number}")


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = EARLIEST
    if day < EARLIEST or day.isoformat() != text:  # other forms of the standard are read as well
        raise _refused(f"a day is written like 2026-11-03, not {text[:20]!r}")
    return day


def _line(text: str | None, what: str, longest: int) -> str | None:
    """One line, None where it is empty."""
    return None if text is None else checked_line(text, what, longest=longest) or None


def _refused(reason: str) -> CommandRefused:
    return CommandRefused(Refusal.FORBIDDEN, reason)
