"""Web Push as a route: what "webpush:cox" brings to every telephone that the cox has joined.

    message -> small JSON -> sealed for each telephone -> POST to its push service
               201: taken    404, 410: this telephone has left, and is forgotten
               anything else: not taken, with a reason that names the service's host alone

All telephones of a person are written to at once. The message counts as sent as soon as one
of them has taken it and the others have had a moment; a service that doesn't answer holds
up neither the others nor the next message. "Taken" means by the push service: whether the
telephone shows it, only the person knows.

References
----------
RFC 8030, Generic Event Delivery Using HTTP Push: 5.2 (TTL), 5.3 (Urgency), 5.4 (Topic), 7.3.
"""

from __future__ import annotations

import base64
import hashlib
import json
import logging
import threading
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from stillair.alarms.testing import TEST, TEST_OVER
from stillair.alerts import sealing
from stillair.alerts.cutting import Lines
from stillair.alerts.posting import PostError, post
from stillair.alerts.routes import Message
from stillair.alerts.telephones import (
    FILE_NAME,
    Telephone,
    Telephones,
    is_outside,
    server_of,
)
from stillair.clock import Clock
from stillair.errors import CommandRefused, DeliveryError, Refusal, StoreError

log = logging.getLogger(__name__)

SCHEME = "webpush"
PLAIN_BYTES = 3000
TITLE_CHARACTERS, LINK_CHARACTERS, NAME_CHARACTERS = 200, 1000, 200
GONE = frozenset({404, 410})
REFUSED = frozenset({401, 403})
URGENT = frozenset({"critical", "high"})
# For how long a push service keeps it for a telephone that is out of reach. A night later
# one still wants to know of a danger; that the air was steady yesterday helps nobody.
TTL_S: Mapping[str, int] = {"critical": 86_400, "high": 86_400, "medium": 14_400, "low": 3_600}
OTHERS_S = 2.0  # what the others get once one has taken it
MOST_UNDER_WAY = 3  # to one telephone, whose push service hangs
MOST_TRIALS = 4
NONE_JOINED = "open the page Telephones on it, and join it there"


@dataclass(frozen=True, slots=True)
class PushSettings:
    """How to speak to push services.

    `contact` is where those who run one may turn to, a mailto: or https: address.
    `trust` is, of each own server ("host:port"), the file of certificates to check it against.
    """

    contact: str
    trust: Mapping[str, str | None] = field(default_factory=dict)
    timeout_s: float = 8.0


class PushRoute:
    """Send to the telephones of a person.

    Parameters
    ----------
    telephones : Telephones
    key : SenderKey
        By which they know this service.
    settings : PushSettings
    clock : Clock
        The machine's; signatures are good from its wall clock on.
    """

    def __init__(
        self,
        telephones: Telephones,
        key: sealing.SenderKey,
        settings: PushSettings,
        clock: Clock,
    ) -> None:
        self.telephones = telephones
        self._key = key
        self._settings = settings
        self._clock = clock
        self._changed = threading.Condition()  # a try has ended, or the route was closed
        self._under_way: dict[str, int] = {}
        self._failing: dict[str, str] = {}  # why a telephone's last message wasn't taken
        self._trials = threading.Semaphore(MOST_TRIALS)
        self._lines = Lines()
        self._closed = False

    def send(self, message: Message) -> None:
        """Write to each telephone of the person. Raises `DeliveryError` if none took it."""
        person = message.route.partition(":")[2]
        try:
            reached = self.telephones.of(person)
        except StoreError as error:
            raise DeliveryError(message.route, str(error), retry=True) from None
        if not reached:
            reason = f"no telephone of {person} has joined"
            # One who joins soon wants to know of an alarm still. A test asks how it is now.
            retry = message.stage != TEST
            raise DeliveryError(message.route, reason, retry=retry, remedy=NONE_JOINED)
        tries = [_Try(each) for each in reached]
        for each in tries:
            threading.Thread(
                target=self._write, args=(each, message), name="push", daemon=True
            ).start()
        self._wait(tries)
        if not any(each.taken for each in tries):
            reasons = sorted({each.reason or "no answer in time" for each in tries})
            more = f"; and {len(reasons) - 3} more" if len(reasons) > 3 else ""
            remedy = next((each.remedy for each in tries if each.remedy), "")
            reason = "; ".join(reasons[:3]) + more
            raise DeliveryError(message.route, reason, retry=True, remedy=remedy)

    def close(self) -> None:
        """Wait for nobody any more, and end what is under way; safe to call twice."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
        self._lines.close()

    def trial(self, telephone_id: str) -> tuple[bool, str]:
        """Send a trial to one telephone: whether it was taken, and one clause that says so.

        Raises `CommandRefused` if there is no such telephone, or too many are being tried.
        """
        of = self.telephones.get(telephone_id)
        if not self._trials.acquire(blocking=False):
            raise CommandRefused(Refusal.CONFLICT, "Others are just being tried: ask again.")
        try:
            tried = _Try(of)
            self._write(tried, self._trial(of.person))
        finally:
            self._trials.release()
        if tried.taken:
            return True, f"{of.host} has taken it"
        return False, tried.reason + (f"; {tried.remedy}" if tried.remedy else "")

    @property
    def repaired(self) -> tuple[str, ...]:
        """One sentence for each of its files that was damaged and had to be set aside."""
        found = (
            (FILE_NAME, self.telephones.repaired),
            (sealing.KEY_FILE, self._key.repaired),
        )
        return tuple(f"{name}: {what}" for name, what in found if what)

    def failing(self, telephone_id: str) -> str:
        """Why the last message to a telephone wasn't taken; nothing if it was."""
        return self._failing.get(telephone_id, "")

    def public_key(self) -> str:
        """What a telephone is given when it joins. Raises `StoreError`."""
        return self._key.public()

    def _trial(self, person: str) -> Message:
        at = self._clock.wall()
        return Message(
            key=f"trial-{at.timestamp():.3f}",
            route=f"{SCHEME}:{person}",
            title="Trial: messages of Stillair reach this telephone",
            text="This is a trial: nothing has happened. Try it once more with the telephone "
            "locked and in silent mode.",
            created_at=at,
            priority="high",
            kind="trial",
            stage="trial",
            person=person,
        )

    def _wait(self, tries: Collection[_Try]) -> None:
        """Until all have ended, or one was taken and the others have had their moment."""
        end_s = self._clock.now_s() + self._settings.timeout_s + OTHERS_S
        with self._changed:
            while not self._closed and not all(each.over for each in tries):
                if any(each.taken for each in tries):
                    end_s = min(end_s, self._clock.now_s() + OTHERS_S)
                left_s = end_s - self._clock.now_s()
                if left_s <= 0:
                    return
                self._changed.wait(left_s)

    # --- one telephone ----------------------------------------------------------

    def _write(self, tried: _Try, message: Message) -> None:
        """Try one telephone; never raises. What is known of it is kept once that is told."""
        of, gone = tried.of, False
        with self._changed:
            busy = self._under_way.get(of.id, 0)
            self._under_way[of.id] = busy + 1
        try:
            if busy >= MOST_UNDER_WAY:
                tried.fail(f"{of.host} still hasn't answered to earlier messages")
            else:
                self._post(of, message)
                tried.taken = True
        except PostError as error:
            gone = error.status in GONE
            tried.fail(*_told(of, error))
        except (StoreError, ValueError) as error:
            tried.fail(str(error))
        except Exception as error:
            log.exception("push to telephone %s", of.id)
            tried.fail(f"this route is broken: {type(error).__name__}")
        finally:
            with self._changed:
                tried.over = True
                left = self._under_way.pop(of.id) - 1
                if left:
                    self._under_way[of.id] = left
                if tried.taken:
                    self._failing.pop(of.id, None)
                elif not gone:
                    self._failing[of.id] = tried.reason
                self._changed.notify_all()
        self._note(tried, gone)

    def _note(self, tried: _Try, gone: bool) -> None:
        """Keep what was found of a telephone; a disk may hang here, and nobody waits."""
        of = tried.of
        if tried.taken:
            self.telephones.took(of.id)
            return
        log.warning("telephone %s of %s: %s", of.id, of.person, tried.reason)
        if gone:
            try:
                self.telephones.remove(of.id)
                self._failing.pop(of.id, None)
            except StoreError as error:
                log.warning("telephone %s can't be forgotten: %s", of.id, error)

    def _post(self, of: Telephone, message: Message) -> None:
        settings, server = self._settings, server_of(of.endpoint)
        own = server in settings.trust
        body = sealing.seal(
            payload(message),
            receiver=sealing.from_text(of.p256dh),
            auth=sealing.from_text(of.auth),
        )
        headers = {
            "Authorization": self._key.authorization(
                of.endpoint, settings.contact, self._clock.wall()
            ),
            "Content-Encoding": "aes128gcm",
            "Content-Type": "application/octet-stream",
            "TTL": str(TTL_S.get(message.priority, TTL_S["low"])),
            "Urgency": "high" if message.priority in URGENT else "normal",
        }
        if message.alarm is not None:
            headers["Topic"] = topic(message.alarm)
        elif message.stage in (TEST, TEST_OVER):
            # A telephone that comes back must not hear first that nothing is wrong.
            headers["Topic"] = topic(f"{TEST} {message.chamber}")
        post(
            of.endpoint,
            body,
            headers,
            timeout_s=settings.timeout_s,
            trust=settings.trust.get(server),
            lines=self._lines,
            # A name may lead anywhere, and elsewhere than when the telephone joined.
            may_reach=None if own else is_outside,
        )


@dataclass(slots=True, eq=False)
class _Try:
    """How it went with one telephone."""

    of: Telephone
    over: bool = False
    taken: bool = False
    reason: str = ""
    remedy: str = ""

    def fail(self, reason: str, remedy: str = "") -> None:
        self.reason, self.remedy = reason, remedy


def _told(of: Telephone, error: PostError) -> tuple[str, str]:
    """What an answer of a push service means, and what helps."""
    if error.status in GONE:
        return f"{of.host} says that this telephone has left", NONE_JOINED
    if error.status in REFUSED:
        return error.reason, (
            "see whether the board's clock is right, and name an address under [push] that is "
            "really yours; if that doesn't help, let the telephone join again"
        )
    return error.reason, ""


def topic(alarm: str) -> str:
    """By what a newer word on an alarm takes the place of an older one that still waits.

    32 characters of base64url, the most that RFC 8030, 5.4 allows; they tell nothing.
    """
    digest = hashlib.sha256(alarm.encode("utf-8", "replace")).digest()
    return base64.urlsafe_b64encode(digest[:24]).decode("ascii")


def payload(message: Message) -> bytes:
    """What the telephone is told: JSON of at most `PLAIN_BYTES`; a long text loses its end."""
    link = message.link if message.link and len(message.link) <= LINK_CHARACTERS else None
    told: dict[str, str | None] = {
        "title": _clean(message.title)[:TITLE_CHARACTERS],
        "text": "",
        "alarm": None if message.alarm is None else message.alarm[:NAME_CHARACTERS],
        "kind": message.kind[:NAME_CHARACTERS],
        "priority": message.priority[:NAME_CHARACTERS],
        "stage": message.stage[:NAME_CHARACTERS],
        "link": link,
        "key": message.key[:NAME_CHARACTERS],
        "at": message.created_at.isoformat(),
    }
    text = _clean(message.text).strip()
    low, high = 0, len(text)
    while low < high:  # the longest beginning that fits
        middle = (low + high + 1) // 2
        if len(_json({**told, "text": _cut(text, middle)})) <= PLAIN_BYTES:
            low = middle
        else:
            high = middle - 1
    return _json({**told, "text": _cut(text, low)})


def _cut(text: str, length: int) -> str:
    return text if length >= len(text) else f"{text[:length].rstrip()} …"


def _json(told: Mapping[str, str | None]) -> bytes:
    return json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode("utf-8", "replace")


def _clean(text: str) -> str:
    return "".join(c for c in text if c.isprintable() or c == "\n")
