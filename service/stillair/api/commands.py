"""Commands that work when they are pasted into a shell on this computer.

A person who started the service by its path has no `stillair` on the search
path, and who named a folder of history has to name it again. A service that was
installed says in STILLAIR_COMMAND by which command it is reached, folder and all.
"""

from __future__ import annotations

import os
import shlex
import sys
from pathlib import Path

INSTALLED = "STILLAIR_COMMAND"


def program() -> str:
    """The program that runs now, as a shell takes it."""
    if installed := os.environ.get(INSTALLED):
        return installed
    beside = Path(sys.executable).with_name("stillair")
    return shlex.quote(str(beside)) if beside.is_file() else "stillair"


def at(folder: Path) -> str:
    """The option that names the folder of history; an installed service's command needs none."""
    if os.environ.get(INSTALLED):
        return ""
    return f"--data-dir {shlex.quote(str(folder.absolute()))}"


def command(*words: str, folder: Path | None = None) -> str:
    """A whole command line of this program, quoted for a shell."""
    line = f"{program()} {shlex.join(words)}"
    return f"{line} {at(folder)}".rstrip() if folder is not None else line
