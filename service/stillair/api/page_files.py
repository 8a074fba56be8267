"""The page's own files as they are sent: packed once, and never an old one for a new one.

A browser keeps what lies under `/web/VERSION/` for good: the version is a digest of all files,
and the first page, which is never kept, names the newest. So opening the page again asks for
that one page alone, also after a year, and after an update for everything once. What has a
fixed address is asked for each time, and answered in a line if it is as it was.

What is text is sent packed to whoever takes it so; each packing is kept, within limits.
Pictures are packed already.
"""

from __future__ import annotations

import gzip
import hashlib
import re
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from starlette.datastructures import Headers
from starlette.responses import Response

from stillair.api.linking import PARTS, linked, one_script

FORMS = {
    ".css": "text/css",
    ".html": "text/html",
    ".js": "text/javascript",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".txt": "text/plain",
    ".webmanifest": "application/manifest+json",
}
WORKER = "worker.js"
LEVEL = 9  # once for all that ever ask
LARGEST_BYTES = 1 << 20  # of a file that is packed
MOST_BYTES = 8 << 20  # of all that is kept
LOOK_AGAIN_S = 1.0
KEPT = "private, max-age=31536000, immutable"
ASK_FIRST = "private, no-cache"
VERSIONED = re.compile(r"v-[0-9a-f]{16}")
NAMED = re.compile(r'(?<=["=])/web/(?=(?:[a-z_/-]+)\.(?:js|css)")')  # in index.html


@dataclass(frozen=True)
class Sent:
    """One file as it is sent."""

    text: bytes
    packed: bytes  # gzip
    mark: str

    @classmethod
    def of(cls, text: bytes) -> Sent:
        """What is sent of a text."""
        mark = hashlib.sha256(text).hexdigest()[:32]
        return cls(text, gzip.compress(text, LEVEL, mtime=0), mark)


class PageFiles:
    """What the folder of the page holds, as browsers get it.

    All methods may be called from any thread, and read the disk.

    Parameters
    ----------
    folder : of the page
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._looked_s = float("-inf")
        self._seen: tuple[tuple[Path, int, int], ...] = ()
        self._version = ""
        self._program: Mapping[str, str] = {}
        self._made: dict[str, Sent] = {}

    @property
    def version(self) -> str:
        """Another one as soon as any file is. Raises `LinkError`, `OSError`."""
        with self._lock:
            self._look()
            return self._version

    def _look(self) -> None:
        """See whether the files are what they were."""
        if time.monotonic() - self._looked_s < LOOK_AGAIN_S:
            return
        files = [path for path in sorted(self._folder.rglob("*")) if path.suffix in FORMS]
        stats = [path.stat() for path in files]
        seen = tuple(
            (path, stat.st_mtime_ns, stat.st_size) for path, stat in zip(files, stats, strict=True)
        )
        if seen != self._seen:
            digest = hashlib.sha256()
            for path in files:
                digest.update(f"{path.relative_to(self._folder)}\0".encode())
                digest.update(hashlib.sha256(path.read_bytes()).digest())
            modules = self._folder / "js"
            program = {**linked(modules), WORKER: one_script(modules, WORKER)}
            self._seen, self._program, self._made = seen, program, {}
            self._version = f"v-{digest.hexdigest()[:16]}"
        self._looked_s = time.monotonic()

    def _sent(self, name: str) -> Sent | None:
        """That file of the page; None where there is none, or none that is packed."""
        with self._lock:
            self._look()
            if (made := self._made.get(name)) is not None:
                return made
            path = self._folder / name
            if name in self._program:
                text = self._program[name].encode()
            elif path in {seen for seen, _, _ in self._seen}:
                if path.stat().st_size > LARGEST_BYTES:
                    return None
                text = path.read_bytes()
                if name == "index.html":
                    text = NAMED.sub(f"/web/{self._version}/", text.decode()).encode()
            else:
                return None
            made = Sent.of(text)
            if sum(len(each.text) + len(each.packed) for each in self._made.values()) < MOST_BYTES:
                self._made[name] = made
            return made

    def answer(self, name: str, headers: Headers, *, version: str | None = None) -> Response | None:
        """The answer to a GET or HEAD of it; None where it isn't here, or is no text.

        Of a part of a file nothing is known here either. With a `version` that isn't the
        newest there is nothing.
        """
        if "range" in headers and name not in PARTS and version is None:
            return None
        if version is not None and version != self.version:
            return None
        sent = self._sent(name)
        if sent is None:
            return None
        packed = takes_gzip(headers.get("accept-encoding", ""))
        tag = f'"{sent.mark}{"-gz" if packed else ""}"'
        told = {
            "ETag": tag,
            "Vary": "Accept-Encoding",
            "Cache-Control": KEPT if version else ASK_FIRST,
        }
        if name.endswith(".html"):
            del told["Cache-Control"]  # who isn't to see it any more doesn't
        if is_known(tag, headers.get("if-none-match", "")):
            return Response(status_code=304, headers=told)
        if packed:
            told["Content-Encoding"] = "gzip"
        form = FORMS[Path(name).suffix]
        return Response(sent.packed if packed else sent.text, headers=told, media_type=form)


def takes_gzip(accepted: str) -> bool:
    """Whether who accepts those codings (RFC 9110, 12.5.3) takes gzip, and rather than none."""
    shares: dict[str, float] = {}
    for each in accepted.lower().split(","):
        coding, _, rest = each.strip().partition(";")
        found = re.fullmatch(r"\s*q\s*=\s*(0(?:\.\d{0,3})?|1(?:\.0{0,3})?)\s*", rest)
        if rest and found is None:
            continue  # it can't be read: as if it weren't there
        shares[coding.strip()] = float(found[1]) if found else 1.0
    gzipped = shares.get("gzip", shares.get("x-gzip", shares.get("*", 0.0)))
    return gzipped > 0.0 and gzipped >= shares.get("identity", 0.0)


def is_known(tag: str, told: str) -> bool:
    """Whether a browser that has what it `told` has this; compared weakly (RFC 9110, 8.8.3.2)."""
    return told.strip() == "*" or tag in {
        each.strip().removeprefix("W/") for each in told.split(",")
    }
