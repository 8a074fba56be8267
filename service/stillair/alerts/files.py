"""Small private files, read and written whole: after a power cut there is the old or the new.

Every error becomes a `StoreError` of one sentence.
"""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from stillair.database import hand_over, set_aside, store_errors, sync


def read(path: Path, most_bytes: int) -> bytes | None:
    """What the file holds, one byte more than `most_bytes` at most; None without a file."""
    with store_errors(f"{path.name} can't be read"):
        try:
            with path.open("rb") as file:
                return file.read(most_bytes + 1)
        except FileNotFoundError:
            return None


def write(path: Path, content: bytes) -> None:
    """Put `content` in the place of the file, readable for nobody else."""
    part = path.with_name(f"{path.name}.part")
    with store_errors(f"{path.name} can't be kept"):
        try:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            part.unlink(missing_ok=True)
            # Anew: what somebody else has put there would be theirs to read.
            descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            hand_over(path.parent, part)
            part.rename(path)
            sync(path.parent)
        except BaseException:
            with suppress(OSError):
                part.unlink()
            raise


def put_aside(path: Path, at: datetime) -> str:
    """Move a damaged file out of the way; returns the name it has now."""
    with store_errors(f"{path.name} is damaged and can't be set aside"):
        return set_aside(path, at).name
