"""What is written by sectors reads as any file does, wherever one begins and ends."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from stillair.sectors import SECTOR_BYTES, Sectors


class Open:
    """A file that is written by sectors."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        self.sectors = Sectors(path, self.file)

    def close(self) -> None:
        self.sectors.close()
        os.close(self.file)

    def read(self) -> bytes:
        return self.path.read_bytes()


@pytest.fixture
def opened(tmp_path: Path) -> Iterator[Open]:
    made = Open(tmp_path / "file")
    yield made
    made.close()


@pytest.mark.parametrize("size", [1, 511, 512, 513, 5000])
def test_what_is_written_one_behind_the_other_is_there(opened: Open, size: int) -> None:
    whole = b""
    for number in range(1, 8):
        opened.sectors.write(bytes([number]) * size, len(whole))
        whole += bytes([number]) * size
        assert opened.read()[: len(whole)] == whole
        assert not opened.read()[len(whole) :].strip(b"\0")


@pytest.mark.parametrize("at", [0, 100, 512, 700, 1024])
def test_what_stands_before_it_stays_and_what_follows_in_its_sector_goes(
    opened: Open, at: int
) -> None:
    before = bytes(range(1, 256)) * 5
    opened.sectors.write(before, 0)
    opened.sectors.write(b"new", at)
    assert opened.read()[: at + 3] == before[:at] + b"new"
    end = -(-(at + 3) // SECTOR_BYTES) * SECTOR_BYTES
    assert not opened.read()[at + 3 : end].strip(b"\0")
    assert opened.read()[end : len(before)] == before[end:]
    opened.sectors.write(b"newer", at + 3)
    assert opened.read()[: at + 8] == before[:at] + b"newnewer"


def test_another_process_goes_on_where_one_has_ended(opened: Open) -> None:
    opened.sectors.write(b"a" * 700, 0)
    other = Open(opened.path)
    other.sectors.write(b"b" * 700, 700)
    other.close()
    assert opened.read()[:1400] == b"a" * 700 + b"b" * 700


def test_where_a_file_system_takes_no_sectors_it_is_written_as_any(
    opened: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened.sectors.write(b"a" * 700, 0)

    def refuses(*_: object) -> int:
        raise OSError(errno.EINVAL, "not here")

    monkeypatch.setattr(os, "pwritev", refuses)
    opened.sectors.write(b"b" * 700, 700)
    opened.sectors.write(b"c", 1400)
    assert opened.read()[:1401] == b"a" * 700 + b"b" * 700 + b"c"


def test_a_disk_that_refuses_is_told_and_tried_again(
    opened: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened.sectors.write(b"a" * 700, 0)
    with monkeypatch.context() as patched:

        def full(*_: object) -> int:
            raise OSError(errno.ENOSPC, "no room")

        patched.setattr(os, "pwritev", full)
        patched.setattr(os, "pwrite", full)
        with pytest.raises(OSError, match="no room"):
            opened.sectors.write(b"b" * 700, 700)
    opened.sectors.write(b"b" * 700, 700)
    assert opened.read()[:1400] == b"a" * 700 + b"b" * 700
