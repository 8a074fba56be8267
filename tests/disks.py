"""A real disk of a test's own that fills up, hangs, turns read-only or loses its power.

An ext4 file system in a file, mounted through a loop device. The kernel itself plays the faults:

fill()        no room is left (ENOSPC), for root neither
freeze()      every write waits, and so does whoever asked for it, until thaw() (FIFREEZE)
turn_read_only()  what a worn card ends as (EROFS): mount's option "abort"
cut_power()   what was not synced is gone (EXT4_IOC_SHUTDOWN without flushing its log);
              power_on() mounts it again, with what a reboot would find

Root and a loop device are needed; where either is missing `LoopDisk.make` skips the test.
"""

from __future__ import annotations

import fcntl
import os
import struct
import subprocess
from contextlib import suppress
from pathlib import Path
from typing import Self

import pytest

from running import wait_until

FIFREEZE, FITHAW = 0xC0045877, 0xC0045878  # linux/fs.h
EXT4_SHUTDOWN, WITHOUT_LOG = 0x8004587D, 2  # fs/ext4/ext4.h: EXT4_IOC_SHUTDOWN, NOLOGFLUSH
MEGABYTES = 64
FREE_S = 60.0


class LoopDisk:
    """An ext4 disk mounted at `path`."""

    def __init__(self, image: Path, path: Path) -> None:
        self.path = path
        self._image = image
        self._filler = path / "filler"

    @classmethod
    def make(cls, folder: Path, *, megabytes: int = MEGABYTES) -> Self:
        """A new one, or no test where the kernel or our rights don't allow it."""
        if os.geteuid() != 0:
            pytest.skip("a disk of one's own: only root may mount one")
        image, path = folder / "disk.img", folder / "disk"
        path.mkdir()
        with image.open("wb") as file:
            file.truncate(megabytes * 2**20)
        _run("mkfs.ext4", "-q", "-F", "-m", "0", str(image))
        disk = cls(image, path)
        try:
            disk.power_on()
        except subprocess.CalledProcessError as error:
            pytest.skip(f"a disk of one's own: it can't be mounted here: {error.stderr.strip()}")
        return disk

    def power_on(self) -> None:
        """Mount it, with what has survived; its own log is replayed as after any power cut."""
        _run("mount", "-o", "loop", str(self._image), str(self.path))

    def fill(self) -> None:
        """Take all the room there is."""
        file = os.open(self._filler, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        try:
            for size in (2**20, 4096, 512, 1):
                with suppress(OSError):
                    while True:
                        os.write(file, bytes(size))
                with suppress(OSError):
                    os.fsync(file)
        finally:
            os.close(file)

    def make_room(self) -> None:
        """Give it back."""
        self._filler.unlink()

    def freeze(self) -> None:
        """Let every write wait."""
        self._ioctl(FIFREEZE, 0)

    def thaw(self) -> None:
        """Let them go on."""
        with suppress(OSError):  # it isn't frozen
            self._ioctl(FITHAW, 0)

    def turn_read_only(self) -> None:
        """What the kernel does when the card reports an error."""
        _run("mount", "-o", "remount,abort", str(self.path))

    def cut_power(self) -> None:
        """Every further input or output fails; what was not synced will be gone."""
        self._ioctl(EXT4_SHUTDOWN, struct.pack("I", WITHOUT_LOG))

    def unmount(self) -> None:
        """Take it out; nothing may use it any more.

        Another program's own view of the mounts, begun meanwhile, may hold it for a while.
        """
        _run("umount", str(self.path))
        wait_until(lambda: not _run("losetup", "-j", str(self._image)), within_s=FREE_S)

    def remove(self) -> None:
        """Leave nothing mounted, whatever has happened."""
        if self.path.is_mount():
            self.thaw()
            subprocess.run(["umount", "--lazy", str(self.path)], check=False)

    def _ioctl(self, request: int, argument: int | bytes) -> None:
        folder = os.open(self.path, os.O_RDONLY)
        try:
            fcntl.ioctl(folder, request, argument)
        finally:
            os.close(folder)


def _run(*words: str) -> str:
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
    return subprocess.run(
        words, check=True, capture_output=True, text=True, env={**os.environ, "PATH": path}
    ).stdout
