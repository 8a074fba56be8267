"""Several files at once, each from a thread of its own: as at every first start."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from stillair.access.people import Access
from stillair.storage.archive import Archive
from stillair.storage.journal import Journal


def test_tables_of_several_files_are_made_at_the_same_time(tmp_path: Path) -> None:
    """A page asks for the owner while the archive's thread opens its file."""
    together = threading.Barrier(6)
    wrong: list[BaseException] = []

    def make(number: int, open_one: Callable[[Path], object]) -> None:
        folder = tmp_path / str(number)
        folder.mkdir()
        try:
            together.wait(30.0)
            open_one(folder)
        except Exception as error:
            wrong.append(error)

    def owned(folder: Path) -> None:
        with Access.open(folder) as access:
            access.owner_add("captain", "a long row to the weir")

    kinds: list[Callable[[Path], None]] = [
        owned,
        lambda folder: Archive.open(folder / "archive.db").close(),
        lambda folder: Journal.open(folder / "journal.db").close(),
    ]
    threads = [
        threading.Thread(target=make, args=(number, kinds[number % len(kinds)]))
        for number in range(6)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60.0)
    assert not wrong
