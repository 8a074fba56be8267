"""A sounder that is a program: run for each tone, and never in anybody's way."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from stillair.alerts.outputs import LONGEST_TONE_S, CommandOutput
from stillair.alerts.sounder import SounderLoop
from stillair.clock import ManualClock, SystemClock
from stillair.errors import DeliveryError
from stillair.model import Sounding

GIVE_UP_S = 60.0


def until(condition: Callable[[], bool]) -> None:
    give_up_s = time.monotonic() + GIVE_UP_S
    while not condition():
        assert time.monotonic() < give_up_s, "it did not come"
        time.sleep(0.005)


def is_running(process: int) -> bool:
    try:
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return False
    return state != "Z"


def script(folder: Path, body: str) -> str:
    """A program for CommandOutput that does as the shell lines say."""
    path = folder / "tone"
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    return f"'{path}' 'one argument'"


def test_it_is_run_once_a_tone_and_told_which(tmp_path: Path) -> None:
    log = tmp_path / "log"
    loop = SounderLoop(
        CommandOutput(script(tmp_path, f'echo "$STILLAIR_SOUND $# $1" >> {log}')),
        SystemClock(),
        lambda *_: None,
    )
    loop.set(Sounding.FIRE)
    loop.start()
    until(lambda: log.exists() and log.read_text().count("\n") >= 2)
    loop.stop()
    lines = log.read_text().splitlines()
    assert set(lines) == {"fire 1 one argument"}


@pytest.mark.parametrize(
    ("body", "well", "reason"),
    [
        pytest.param('echo "$STILLAIR_SOUND $STILLAIR_TEST" >> {log}', True, "", id="sounds"),
        pytest.param("exit 3", False, "failed with exit status 3", id="fails"),
    ],
)
def test_a_test_is_three_tones_of_fire_and_tells_how_they_went(
    tmp_path: Path, body: str, well: bool, reason: str
) -> None:
    log = tmp_path / "log"
    told: list[tuple[bool, str]] = []
    loop = SounderLoop(
        CommandOutput(script(tmp_path, body.format(log=log))),
        SystemClock(),
        lambda *_: None,
        lambda *how: told.append(how),
    )
    loop.set(Sounding.TEST)
    loop.start()
    until(lambda: bool(told))
    loop.stop()
    ((fit, why),) = told
    assert (fit, why.endswith(reason)) == (well, True)
    if well:
        assert log.read_text().splitlines() == ["fire 1"] * 3


def test_no_shell_reads_the_command(tmp_path: Path) -> None:
    made = tmp_path / "made"
    output = CommandOutput(f"echo $(touch {made}); touch {made}")
    output.on(Sounding.FIRE)
    until(lambda: not output._busy())
    assert not made.exists()


def test_a_program_that_is_missing_or_fails_is_told(tmp_path: Path) -> None:
    with pytest.raises(DeliveryError, match="nowhere can't be run: No such file"):
        CommandOutput(str(tmp_path / "nowhere")).on(Sounding.FIRE)
    output = CommandOutput(script(tmp_path, "exit 3"))
    output.on(Sounding.FIRE)

    def failed() -> bool:
        try:
            output.off()
        except DeliveryError as error:
            assert "failed with exit status 3" in str(error)
            return True
        return False

    until(failed)
    output.on(Sounding.FIRE)  # and it is tried again
    until(failed)


def test_a_tone_that_is_still_sounding_is_not_begun_twice(tmp_path: Path) -> None:
    log = tmp_path / "log"
    output = CommandOutput(script(tmp_path, f"echo begun >> {log}; exec sleep 60"))
    for _ in range(5):
        output.on(Sounding.FIRE)
        output.off()
    until(lambda: log.exists() and log.read_text() != "")  # the file is there before its words
    assert log.read_text() == "begun\n"
    output.close()


def test_silence_ends_a_program_with_all_it_has_started(tmp_path: Path) -> None:
    log = tmp_path / "log"
    body = f"trap '' TERM\nsleep 60 & echo $! > {log}; wait"
    output = CommandOutput(script(tmp_path, body))
    output.on(Sounding.FIRE)
    until(lambda: log.exists() and log.read_text().strip() != "")
    child = int(log.read_text())
    assert is_running(child)
    output.silence()
    until(lambda: not is_running(child))
    output.silence()
    output.close()


def test_a_program_that_hangs_is_ended_and_the_next_tone_tried(tmp_path: Path) -> None:
    clock = ManualClock()
    log = tmp_path / "log"
    output = CommandOutput(
        script(tmp_path, f"echo $$ >> {log}; exec sleep 60"), clock=clock, environment=os.environ
    )
    output.on(Sounding.FIRE)
    until(lambda: log.exists() and log.read_text().strip() != "")
    clock.advance(LONGEST_TONE_S)
    with pytest.raises(DeliveryError, match="didn't end within 10 s"):
        output.off()
    first = int(log.read_text())
    until(lambda: not is_running(first))
    output.on(Sounding.FIRE)
    until(lambda: len(log.read_text().splitlines()) == 2)
    output.close()


def test_a_flood_of_output_is_thrown_away(tmp_path: Path) -> None:
    done = tmp_path / "done"
    flood = tmp_path / "flood.py"
    flood.write_text(
        "import pathlib, sys\n"
        "for _ in range(200):\n    sys.stdout.write('x' * 65536)\n"
        f"pathlib.Path({str(done)!r}).touch()\n"
    )
    output = CommandOutput(f"{sys.executable} {flood}")
    output.on(Sounding.ATTENTION)
    until(done.exists)
    output.close()
