"""Names and cells of a job's file, and that nothing is held for who fetches it no more."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from starlette.types import Message

from stillair.api.routers import job_files
from stillair.errors import CommandRefused
from stillair.runtime.job_file import Asked
from stillair.runtime.job_file_sending import AT_ONCE, JobFiles
from stillair.runtime.job_words import disposition, file_names, plain_cell
from stillair.runtime.worker import WorkFailedError


@pytest.mark.parametrize(
    ("name", "plain", "spoken"),
    [
        pytest.param("Six spacers", "d-Six-spacers-j-1.zip", "d Six spacers j-1.zip", id="plain"),
        pytest.param(
            "Ösen für Ruder", "d-Osen-fur-Ruder-j-1.zip", "d Ösen für Ruder j-1.zip", id="accents"
        ),
        pytest.param("../../etc/x", "d-etc-x-j-1.zip", "d etc x j-1.zip", id="path"),
        pytest.param("櫂", "d-j-1.zip", "d 櫂 j-1.zip", id="no latin letter"),
        pytest.param("a\u202egpj.exe", "d-a-gpj-exe-j-1.zip", "d a gpj.exe j-1.zip", id="turned"),
        pytest.param("", "d-j-1.zip", "d j-1.zip", id="no name"),
        pytest.param('a"b\r\nc:d', "d-a-b-c-d-j-1.zip", "d a b c d j-1.zip", id="header and drive"),
        pytest.param("x" * 500, f"d-{'x' * 60}-j-1.zip", f"d {'x' * 60} j-1.zip", id="long"),
        pytest.param(
            "\U0001f6a3" * 60, "d-j-1.zip", f"d {chr(0x1F6A3) * 30} j-1.zip", id="long in bytes"
        ),
        pytest.param("CON", "d-CON-j-1.zip", "d CON j-1.zip", id="a device of old"),
    ],
)
def test_a_job_s_name_makes_that_of_its_file(name: str, plain: str, spoken: str) -> None:
    assert file_names("d", name, "j-1") == (plain, spoken)
    header = disposition("d", name, "j-1")
    assert header.isascii()
    assert header.isprintable()


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        pytest.param("top", "top", id="a name"),
        pytest.param("=top", "'=top", id="equals"),
        pytest.param("+top", "'+top", id="plus"),
        pytest.param("-top", "'-top", id="minus"),
        pytest.param("@top", "'@top", id="at"),
        pytest.param("\n=top", "'\n=top", id="a line's end"),
        pytest.param("\uff1dtop", "'\uff1dtop", id="a wide equals"),
    ],
)
def test_no_cell_begins_a_formula(text: str, cell: str) -> None:
    assert plain_cell(text) == cell


ENDLESS = """
import sys
while True:
    sys.stdout.buffer.write(bytes(65536))
"""


@pytest.fixture
def endless(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that never ends, in place of the one that makes the file."""
    really = asyncio.create_subprocess_exec

    async def instead(program: str, *_: str, **pipes: int) -> asyncio.subprocess.Process:
        return await really(program, "-c", ENDLESS, stdin=pipes["stdin"], stdout=pipes["stdout"])

    monkeypatch.setattr(asyncio, "create_subprocess_exec", instead)


async def no_message() -> Message:
    await asyncio.Event().wait()
    raise AssertionError


@pytest.mark.parametrize("gone", [pytest.param(False, id="hangs"), pytest.param(True, id="gone")])
@pytest.mark.usefixtures("endless")
async def test_who_takes_nothing_holds_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, gone: bool
) -> None:
    monkeypatch.setattr(job_files, "PATIENCE_S", 0.05)
    files = JobFiles(tmp_path)
    made = await files.begin(Asked("j", 0.0))
    process = made._process
    assert process is not None

    async def hangs(message: Message) -> None:
        if message["type"] == "http.response.body":
            if gone:
                raise ConnectionResetError
            await asyncio.Event().wait()

    scope = {"type": "http", "asgi": {"spec_version": "2.4"}}
    await job_files._Sent(made, {})(scope, no_message, hangs)
    assert process.returncode is not None
    assert files._under_way == 0


@pytest.mark.usefixtures("endless")
async def test_only_so_many_are_made_at_once(tmp_path: Path) -> None:
    files = JobFiles(tmp_path)
    made = [await files.begin(Asked("j", 0.0)) for _ in range(AT_ONCE)]
    with pytest.raises(CommandRefused, match="ask again"):
        await files.begin(Asked("j", 0.0))
    for each in made:
        await each.close()
        await each.close()
    await (await files.begin(Asked("j", 0.0))).close()


async def test_a_program_that_gives_nothing_is_told(tmp_path: Path) -> None:
    files = JobFiles(tmp_path)
    with pytest.raises(WorkFailedError, match="ended with 1"):
        await files.begin(Asked("j", 0.0))
    assert files._under_way == 0
