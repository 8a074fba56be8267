"""Commands on what was recorded: watch it again, list, export, try other settings."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from stillair.cli.options import ChamberFile, DataDir, data_dir, fail, faults, seconds, whole
from stillair.errors import InputError, SettingsError, StillairError


class Person:
    """Whoever sits at the terminal: told on standard error how far it is and what was found."""

    def __init__(self) -> None:
        from stillair.runtime.summary import Summary

        self._summary = Summary()
        self._shown = False

    def far(self, doing: str, share: float) -> None:
        """Say how far it is, on a line that goes again."""
        sys.stderr.write(f"\r\x1b[K{doing} the recording: {share:.0%}")
        sys.stderr.flush()
        self._shown = True

    def take(self, line: str) -> None:
        """Clear the way for a line of the answer, and remember it."""
        self._clear()
        self._summary.take(line)

    def close(self) -> None:
        """Sum it up."""
        self._clear()
        typer.echo(self._summary.text(), err=True)

    def _clear(self) -> None:
        if self._shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()
            self._shown = False


def replay(
    readings: Annotated[
        Path,
        typer.Argument(metavar="READINGS", help="Readings as CSV, or - if there is only a video."),
    ],
    video: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Video of the same time.")
    ] = None,
    video_start_s: Annotated[
        float,
        typer.Option(
            parser=seconds,
            metavar="S",
            help="When the video's first frame was taken, in seconds of the recording.",
        ),
    ] = 0.0,
    chamber: ChamberFile = None,
) -> None:
    """Watch a recording again and print its events as JSON Lines.

    Standard error says what had to be assumed, and at a terminal a summary in words.
    """
    from stillair.runtime.recorded import replay_files

    none = str(readings) == "-"
    if none and video is None:
        fail("nothing to replay: give a file of readings, or --video", 2)
    person = Person() if sys.stderr.isatty() else None
    notes: list[str] = []
    try:
        for line in replay_files(
            None if none else readings,
            chamber=chamber,
            video=video,
            video_start_s=video_start_s,
            progress=person.far if person else None,
            note=notes.append,
        ):
            if person:
                person.take(line)
            sys.stdout.write(line + "\n")
        sys.stdout.flush()
        notes.append("" if none else _assumed(readings, chamber))
        if person:
            person.close()
        for note in filter(None, notes):
            typer.echo(note, err=True)
    except SettingsError as error:
        fail(faults(error), 2)
    except InputError as error:
        fail(" ".join(str(error).splitlines()), 2)
    except BrokenPipeError:
        # Whoever read has seen enough; the interpreter must not complain at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _assumed(readings: Path, chamber: Path | None) -> str:
    """What had to be assumed of the columns; of a pipe, which is read already, the rule alone."""
    from stillair.config import columns
    from stillair.runtime.plans import OUTSIDE
    from stillair.thermal.table import open_table

    names: tuple[str, ...] = ()
    if readings.is_file():
        with open_table(readings) as table:
            names = table.sensors
    return columns.beside(names, chamber) if chamber else columns.by_name(names, OUTSIDE)


def jobs(
    data: DataDir = None,
    last: Annotated[
        int,
        typer.Option(
            "--last",
            parser=whole(1, 1000),
            metavar="N",
            help="How many; the newest stands last.",
        ),
    ] = 20,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """List the kept jobs and how each came out."""
    from stillair.runtime.listing import job_lines, kept_jobs

    try:
        found = kept_jobs(data_dir(data), last)
    except StillairError as error:
        fail(str(error))
    for job in found:
        if as_json:
            typer.echo(json.dumps(job, ensure_ascii=False))
        else:
            typer.echo("\n".join(job_lines(job)))
    if not found and not as_json:
        typer.echo("No job is kept.", err=True)


def export(
    job: Annotated[
        str, typer.Argument(metavar="JOB", help="The job's id, as `stillair jobs` names it.")
    ],
    to: Annotated[
        Path, typer.Option("--to", metavar="FILE", help="CSV file to write; all of it where .zip.")
    ],
    replace: Annotated[
        bool, typer.Option("--replace", help="Write it also where FILE is there already.")
    ] = False,
    data: DataDir = None,
) -> None:
    """Write a job's readings to a CSV file, as `replay` takes it, or all of a job to a .zip."""
    from stillair.api.commands import command
    from stillair.runtime.exporting import export_job
    from stillair.runtime.job_file import export_job_file

    if not replace and to.is_file() and to.stat().st_size:
        fail(f"{to} is there already: name another file, or add --replace to write over it")
    whole_job = to.suffix.lower() == ".zip"
    try:
        written = (export_job_file if whole_job else export_job)(data_dir(data), job, to)
    except StillairError as error:
        fail(str(error))
    except OSError as error:
        fail(f"{to} can't be written: {error.strerror}")
    if whole_job:
        typer.echo(f"{written} files written to {to}; its README.txt says what each is.", err=True)
        return
    typer.echo(
        f"{written} rows written to {to}. A table knows no places: "
        f"replay it with the chamber's file, {command('replay', str(to))} --chamber FILE",
        err=True,
    )


def what_if(
    job: Annotated[
        str, typer.Argument(metavar="JOB", help="The job's id, as `stillair jobs` names it.")
    ],
    chamber: Annotated[
        Path,
        typer.Option(
            "--chamber", metavar="FILE", help="The chamber's own file with other settings in it."
        ),
    ],
    before: Annotated[
        Path | None,
        typer.Option(
            "--before",
            metavar="FILE",
            help="Chamber file to compare with; without it, what was told at the time.",
        ),
    ] = None,
    data: DataDir = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per line.")] = False,
) -> None:
    """Try other settings on a kept job, before you save them.

    The job's readings and pauses are watched again, and the events that differ told.
    Nothing is saved.
    """
    from stillair.config import load_chamber
    from stillair.runtime import whatif
    from stillair.runtime.plans import readings_plan

    try:
        plans = [
            readings_plan(load_chamber(file, replay=True)) if file else None
            for file in (chamber, before)
        ]
        assert plans[0] is not None
        found = whatif.what_if(data_dir(data), job, plans[1], plans[0])
    except SettingsError as error:
        fail(faults(error), 2)
    except StillairError as error:
        fail(str(error))
    if as_json:
        for difference in found:
            typer.echo(json.dumps(difference.item(), ensure_ascii=False))
    else:
        typer.echo(whatif.table(found))
        if before is None and any(difference.what != "same" for difference in found):
            typer.echo(
                "That is against what was told at the time. If Stillair has been renewed since, "
                "it may weigh the same readings otherwise: --before with the chamber's present "
                "file compares the settings alone.",
                err=True,
            )
