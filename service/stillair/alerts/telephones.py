"""The telephones that people have joined, and the one file in which they are kept.

What a telephone gives when it joins, an address at its push service and two keys, is all
that anybody needs to write to it: it is kept for the service alone and shown to nobody.
The address is chosen by whoever joins, and this service will post to it: so it has to be
HTTPS, and no way into the network in which the service stands.
"""

from __future__ import annotations

import hashlib
import ipaddress
import json
import logging
import threading
from collections.abc import Callable, Collection, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

from stillair.alerts import files, sealing
from stillair.errors import CommandRefused, Refusal, StoreError

log = logging.getLogger(__name__)

FILE_NAME = "telephones.json"
FILE_BYTES = 2**20
MOST_OF_A_PERSON, MOST = 20, 200
ENDPOINT_CHARACTERS, LABEL_CHARACTERS = 1500, 60
OK_EVERY = timedelta(hours=1)  # a card wears out by being written to
_NAT64 = ipaddress.ip_network("64:ff9b::/96")
_INSIDE = ("localhost", "local", "internal", "lan", "home", "arpa", "onion")  # last labels


@dataclass(frozen=True, slots=True)
class Telephone:
    """One telephone of one person; `id` tells nothing of its secret address."""

    id: str
    person: str
    label: str
    endpoint: str = field(repr=False)
    p256dh: str = field(repr=False)
    auth: str = field(repr=False)
    added_at: datetime
    last_ok_at: datetime | None = None

    @property
    def host(self) -> str:
        """Its push service, which may be named."""
        return urlsplit(self.endpoint).hostname or "its push service"


def telephone(
    person: str,
    label: str,
    endpoint: str,
    p256dh: str,
    auth: str,
    *,
    at: datetime,
    own_servers: Collection[str] = (),
) -> Telephone:
    """A telephone that joins. Raises `CommandRefused` for what can't be written to.

    `own_servers` may stand in a private network, each as "host:port".
    """
    try:
        _check_endpoint(endpoint, own_servers)
        key, secret = sealing.from_text(p256dh), sealing.from_text(auth)
        sealing.public_key(key)
        if len(secret) != sealing.AUTH_BYTES:
            raise ValueError(f"the secret has to have {sealing.AUTH_BYTES} bytes")
    except ValueError as error:
        raise CommandRefused(
            Refusal.CONFLICT, f"This telephone can't be written to: {error}."
        ) from None
    said = " ".join("".join(c if c.isprintable() else " " for c in label).split())
    return Telephone(
        id=telephone_id(endpoint),
        person=person,
        label=said[:LABEL_CHARACTERS] or f"{person}'s telephone"[:LABEL_CHARACTERS],
        endpoint=endpoint,
        p256dh=sealing.to_text(key),
        auth=sealing.to_text(secret),
        added_at=at,
    )


def telephone_id(endpoint: str) -> str:
    """By what a telephone is known, to itself as well: 16 hex figures of the address's SHA-256."""
    return hashlib.sha256(endpoint.encode("utf-8", "replace")).hexdigest()[:16]


def server_of(endpoint: str) -> str:
    """The "host:port" of an address. Raises `ValueError` if it has none."""
    parts = urlsplit(endpoint)
    if not parts.hostname:
        raise ValueError("its address names no push service")
    return f"{parts.hostname}:{parts.port or 443}"


def _check_endpoint(endpoint: str, own_servers: Collection[str]) -> None:
    if len(endpoint) > ENDPOINT_CHARACTERS:
        raise ValueError(f"its address has more than {ENDPOINT_CHARACTERS} characters")
    if not endpoint.isascii() or not endpoint.isprintable() or " " in endpoint or "\\" in endpoint:
        raise ValueError("its address has characters that no address has")
    try:
        parts = urlsplit(endpoint)
        server = server_of(endpoint)
    except ValueError:
        raise ValueError("its address is none") from None
    if parts.scheme != "https":
        raise ValueError("its address has to begin with https://")
    if "@" in parts.netloc or "#" in endpoint:
        raise ValueError("its address may hold neither a password nor a #")
    if server in own_servers:
        return
    host = parts.hostname or ""
    if parts.port not in (None, 443):
        raise ValueError("its push service has to answer at port 443, but one that [push] names")
    try:
        outside = is_outside(host)
    except ValueError:
        labels = host.rstrip(".").split(".")
        outside = len(labels) > 1 and labels[-1] not in _INSIDE and not labels[-1].isdigit()
    if not outside:
        raise ValueError(
            "its push service stands in a private network; name it under [push] in the "
            "chamber file if it is your own"
        )


def is_outside(address: str) -> bool:
    """Whether an IP address is none of this machine, its network or another private one.

    Raises `ValueError` for what is no address.
    """
    ip = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(ip, ipaddress.IPv6Address):
        inner = ip.ipv4_mapped or ip.sixtofour or (ip.teredo or (None,))[0]
        if inner is None and ip in _NAT64:
            inner = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        if inner is not None:
            ip = inner
    return ip.is_global and not ip.is_multicast and not ip.is_reserved


class Telephones:
    """All telephones, in memory and in one file.

    Who sends asks the memory alone and never waits for a disk. `repaired` is one sentence
    if a damaged file was set aside, which isn't done without `mend`. Every method that changes
    something raises `StoreError` where that can't be kept; then it isn't done.
    """

    def __init__(
        self,
        path: Path,
        wall: Callable[[], datetime],
        *,
        own_servers: Collection[str] = (),
        mend: bool = True,
    ) -> None:
        self.repaired: str | None = None
        self.own_servers = frozenset(own_servers)
        self._path = path
        self._wall = wall
        self._mend = mend
        self._disk = threading.Lock()  # around every change, which is kept before it counts
        self._known: Mapping[str, Telephone] | None = None  # replaced whole; None: not read yet
        self._ok_at: dict[str, datetime] = {}  # when each last took a message, since the start
        self._ok_kept: dict[str, datetime] = {}  # and what of that the file knows
        try:
            self.all()
        except StoreError as error:
            log.error("%s", error)

    def all(self) -> tuple[Telephone, ...]:
        """Every telephone, the first to join first."""
        known = self._known
        if known is None:
            with self._disk:
                known = self._read()
        return tuple(map(self._with_ok, known.values()))

    def _with_ok(self, of: Telephone) -> Telephone:
        return replace(of, last_ok_at=self._ok_at.get(of.id, of.last_ok_at))

    def of(self, person: str) -> tuple[Telephone, ...]:
        """Those of one person."""
        return tuple(each for each in self.all() if each.person == person)

    def get(self, telephone_id: str) -> Telephone:
        """One of them. Raises `CommandRefused` (unknown)."""
        found = next((each for each in self.all() if each.id == telephone_id), None)
        if found is None:
            raise CommandRefused(Refusal.UNKNOWN, "There is no such telephone.")
        return found

    def add(self, new: Telephone, *, replaces: str | None = None) -> None:
        """Take a telephone in, perhaps in place of what it was known as before.

        Joining again is harmless. Raises `CommandRefused` (conflict) if there are too many.
        """
        with self._disk:
            known = {k: v for k, v in self._read().items() if k not in (new.id, replaces)}
            if sum(each.person == new.person for each in known.values()) >= MOST_OF_A_PERSON:
                raise CommandRefused(
                    Refusal.CONFLICT,
                    f"{new.person} has {MOST_OF_A_PERSON} telephones already: remove one first.",
                )
            if len(known) >= MOST:
                raise CommandRefused(
                    Refusal.CONFLICT, f"There are {MOST} telephones already: remove one first."
                )
            self._write({**known, new.id: new})

    def remove(self, telephone_id: str) -> None:
        """Write to it no more; harmless if it isn't there."""
        with self._disk:
            known = self._read()
            if telephone_id in known:
                self._write({k: v for k, v in known.items() if k != telephone_id})

    def took(self, telephone_id: str) -> None:
        """Its push service has just taken a message; kept once an hour, and never waited for."""
        at = self._ok_at[telephone_id] = self._wall()
        kept_at = self._ok_kept.get(telephone_id)
        if kept_at is not None and timedelta(0) <= at - kept_at < OK_EVERY:
            return
        if not self._disk.acquire(blocking=False):
            return  # the next message brings it to the file
        try:
            known = self._read()
            if telephone_id in known:
                self._write(known)
                self._ok_kept[telephone_id] = at
        except StoreError as error:
            log.warning("when a telephone took a message: %s", error)
        finally:
            self._disk.release()

    # --- the file ---------------------------------------------------------------

    def _read(self) -> Mapping[str, Telephone]:
        if self._known is not None:
            return self._known
        raw = files.read(self._path, FILE_BYTES)
        found, lost = ([], 0) if raw is None else _parsed(raw, self.own_servers)
        self._known = {each.id: each for each in found[:MOST]}
        if lost and self._mend:
            aside = files.put_aside(self._path, self._wall())
            self.repaired = (
                f"it was damaged and set aside as {aside}; {len(self._known)} telephones of it "
                "are known: see on the page Telephones whether yours is, and join again"
            )
            log.error("%s: %s", self._path.name, self.repaired)
            if self._known:
                self._write(self._known)
        return self._known

    def _write(self, known: Mapping[str, Telephone]) -> None:
        rows = [
            {
                **asdict(each),
                "added_at": each.added_at.isoformat(),
                "last_ok_at": each.last_ok_at.isoformat() if each.last_ok_at else None,
            }
            for each in map(self._with_ok, known.values())
        ]
        files.write(self._path, json.dumps({"form": 1, "telephones": rows}, indent=1).encode())
        self._known = known


def _parsed(raw: bytes, own_servers: Collection[str]) -> tuple[list[Telephone], int]:
    """The telephones of a file, and how many of its entries are none (1 for no file of ours)."""
    try:
        if len(raw) > FILE_BYTES:
            raise ValueError("too large")
        rows = json.loads(raw)["telephones"]
        if not isinstance(rows, list):
            raise TypeError("no list")
    except (ValueError, TypeError, KeyError, RecursionError):
        return [], 1
    found: list[Telephone] = []
    for row in rows:
        try:
            texts = [row[key] for key in ("person", "label", "endpoint", "p256dh", "auth")]
            if not all(isinstance(text, str) for text in texts):
                raise TypeError("no text")
            ok = row["last_ok_at"]
            # What a chamber file allowed once is not damage: sending looks at it again.
            named = {*own_servers, server_of(texts[2])}
            made = telephone(*texts, at=_instant(row["added_at"]), own_servers=named)
            found.append(replace(made, last_ok_at=None if ok is None else _instant(ok)))
        except (ValueError, TypeError, KeyError, CommandRefused):
            continue
    return found, len(rows) - len(found)


def _instant(text: object) -> datetime:
    if not isinstance(text, str):
        raise TypeError("no time")
    return datetime.fromisoformat(text).astimezone(UTC)
