"""What deploy/install needs a language for: databases kept aside, and the question "are you well".

    installed.py backup DATA TO        copies every database of DATA, consistently, into TO
    installed.py restore FROM DATA     gives back those whose tables were changed since
    installed.py health PORT           prints "ok", "impaired" or nothing

Runs with the standard library alone: an installed version may be the thing that is broken.
"""

from __future__ import annotations

import json
import os
import sqlite3
import ssl
import sys
import urllib.request
from contextlib import closing
from pathlib import Path

BESIDE = ("-wal", "-shm", "-journal")


def backup(data: Path, to: Path) -> None:
    """Copy every database whole, and on the disk before its name is there."""
    to.mkdir(mode=0o700, parents=True, exist_ok=True)
    for source in sorted(data.glob("*.db")):
        half = to / f"{source.name}.half"
        half.unlink(missing_ok=True)
        with closing(sqlite3.connect(source)) as old, closing(sqlite3.connect(half)) as new:
            old.backup(new)
            (verdict,) = new.execute("PRAGMA quick_check(1)").fetchone()
        if verdict != "ok":
            raise SystemExit(f"{source} is damaged: {verdict}")
        with half.open("rb") as written:
            os.fsync(written.fileno())
        half.replace(to / source.name)


def revision(database: Path) -> object:
    """Which form its tables have; migrations note it in the file."""
    with closing(sqlite3.connect(database)) as opened:
        try:
            return opened.execute("SELECT version_num FROM alembic_version").fetchall()
        except sqlite3.OperationalError:
            return None  # no such table: as good a mark as any


def restore(kept: Path, data: Path) -> None:
    """Give back what the older version could not read; the newer file is set aside, not lost."""
    for source in sorted(kept.glob("*.db")):
        target = data / source.name
        if target.exists() and revision(target) == revision(source):
            continue
        owner = target if target.exists() else data
        status = owner.stat()
        for name in (source.name, *(source.name + ending for ending in BESIDE)):
            if (data / name).exists():
                (data / name).replace(kept / f"{name}.newer")
        half = data / f"{source.name}.half"
        half.write_bytes(source.read_bytes())
        os.chown(half, status.st_uid, status.st_gid)
        half.chmod(0o600)
        with half.open("rb") as written:
            os.fsync(written.fileno())
        half.replace(target)
        print(f"{target} is again as it was; what the newer version wrote is {kept}/*.newer")


def health(port: str) -> str:
    """What the service says of itself; nothing where it doesn't answer."""
    unproven = ssl.create_default_context()
    unproven.check_hostname = False  # asked on this very computer
    unproven.verify_mode = ssl.CERT_NONE
    for scheme in ("http", "https"):
        address = f"{scheme}://127.0.0.1:{port}/api/health"
        try:
            with urllib.request.urlopen(address, timeout=3, context=unproven) as answer:
                return str(json.loads(answer.read(1000))["status"])
        except (OSError, ValueError, KeyError):
            continue
    return ""


def main() -> None:
    """Do what the first word says."""
    match sys.argv[1:]:
        case ["backup", data, to]:
            backup(Path(data), Path(to))
        case ["restore", kept, data]:
            restore(Path(kept), Path(data))
        case ["health", port]:
            print(health(port))
        case _:
            raise SystemExit(__doc__)


if __name__ == "__main__":
    main()
