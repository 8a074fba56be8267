"""Which files that settings name hold a secret, and which of them anybody may read."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path

from pydantic import BaseModel

SECRET = {"password_file", "secret_file", "answers_secret_file", "url_file"}


def open_to_all(settings: BaseModel) -> tuple[Path, ...]:
    """Those that every user of this computer may read, each once; one that is gone is none."""
    return tuple(path for path in dict.fromkeys(_named(settings)) if _is_open(path))


def _named(of: BaseModel) -> Iterator[Path]:
    for key, value in of:
        if key in SECRET and isinstance(value, Path):
            yield value
        elif isinstance(value, BaseModel):
            yield from _named(value)


def _is_open(path: Path) -> bool:
    try:
        return bool(path.stat().st_mode & stat.S_IROTH)
    except OSError:
        return False
