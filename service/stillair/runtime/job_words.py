"""Words and names of a job's file: its README, safe cells, and a name that every disk takes."""

from __future__ import annotations

import re
import unicodedata
from urllib.parse import quote

LONGEST_NAME = 60  # characters of a job's name in that of its file
LONGEST_BYTES = 120  # no disk takes a name of more than 255, with date and id
# So programs for tables begin a formula, some of them also with the wide forms.
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
MARK = "'"

README = """\
{name}
Job {job}. {origin}

The job began at {begun}; this file was made at {now}
by Stillair {version}. {running}Seconds count from the job's start, times of day are UTC,
temperatures are in degrees Celsius, heights in millimetres.

{files}

To watch the readings again, with these settings or changed ones:

    stillair replay readings.csv --chamber settings.toml

Events that only a camera, a switch, a detector or another sense told are not found
again so, and the watch knows nothing of the hour before the job: what it finds by
temperature it finds as it did, as a rule within 3 s.

Left out: who said what, whom messages go to, addresses, passwords and files. What
people wrote (name, notes, flaws) is as they wrote it.

Stillair is an aid and no listed fire alarm. It replaces no smoke detector.
"""


def plain_cell(text: str) -> str:
    """Text that a program for tables takes for text, and never for a formula."""
    return f"{MARK}{text}" if text.startswith(FORMULA) else text


def file_names(day: str, name: str, job: str) -> tuple[str, str]:
    """What a job's file is called: in plain letters, and as people wrote it.

    Neither holds a path, a control character, or what a disk refuses.
    """
    known = "".join(
        letter if letter.isprintable() and letter not in '/\\:*?"<>|' else " "
        for letter in unicodedata.normalize("NFC", name)
    )
    # Characters that turn the direction of writing are not printable, so none is left.
    short = " ".join(known.split())[:LONGEST_NAME].encode("utf-8", "replace")[:LONGEST_BYTES]
    spoken = short.decode("utf-8", "ignore").strip(" .")
    letters = unicodedata.normalize("NFKD", spoken).encode("ascii", "ignore").decode()
    plain = re.sub(r"[^A-Za-z0-9]+", "-", letters).strip("-")
    id_ = re.sub(r"[^A-Za-z0-9-]+", "-", job)
    return (
        "-".join(filter(None, (day, plain, id_))) + ".zip",
        " ".join(filter(None, (day, spoken, id_))) + ".zip",
    )


def disposition(day: str, name: str, job: str) -> str:
    """The header by which a browser keeps the file under its name (RFC 6266, RFC 8187)."""
    plain, spoken = file_names(day, name, job)
    encoded = quote(spoken.encode("utf-8", "replace"), safe="")
    return f"attachment; filename=\"{plain}\"; filename*=UTF-8''{encoded}"
