"""A real `stillair hall`, with its file, in a process of its own."""

from __future__ import annotations

from pathlib import Path

from running import RunningService

SECRET = "oars, riggers and spacers"
HALL = """
name = "boat shed"
topic = "shed"

[mqtt]
port = {port}

[store]
address = "{store}"
{pages}

[answers]
secret = "{secret}"
"""
# Where nothing listens: a hall whose database is away.
NOWHERE = "postgresql://stillair@127.0.0.1:9/shed"


def hall(
    folder: Path,
    broker_port: int,
    more: str = "",
    *words: str,
    store: str = NOWHERE,
    pages: str = "",
) -> RunningService:
    """A hall at a broker; begins with the block that it is used in."""
    folder.mkdir(parents=True, exist_ok=True)
    file = folder / "hall.toml"
    read = f'pages_address = "{pages}"' if pages else ""
    text = HALL.format(port=broker_port, store=store, pages=read, secret=SECRET)
    file.write_text(text + more)
    return RunningService(folder / "data", *words, command=("hall", str(file)))
