"""A message to whatever the library apprise can write to: some 150 message services.

The library is imported where such an address is set, for it takes its time and memory. It
logs what it does, addresses too; here nobody hears it. Of a failure only the status that
the service answered is taken from there, for all else may hold a piece of the address.
"""

from __future__ import annotations

import logging
import re
import threading
import warnings
from collections.abc import Callable, Iterable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stillair.alerts.routes import Message
from stillair.errors import DeliveryError

if TYPE_CHECKING:
    from apprise import NotifyBase

log = logging.getLogger(__name__)

TIMEOUT_S = 18.0  # of one message; a service may be asked several times for it
CONNECT_S = 5.0
ANSWER_S = 10.0
PICTURE_BYTES = 500_000
AUTHORITIES = Path("/etc/ssl/certs/ca-certificates.crt")
LEAST_TEXT = 100  # characters that a link may not push out
_STATUS = re.compile(r"\berror[=: ]+(\d{3})\b", re.IGNORECASE)


class MessengerRoute:
    """Send messages to one address of a message service.

    `picture` gives the JPEG that goes with an alarm, or None, within a few seconds. It is
    sent where the service takes one, and only with the first try: a text gets through
    where a picture may not.
    """

    def __init__(
        self,
        address: str,
        *,
        picture: Callable[[str], bytes | None] = lambda _alarm: None,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        self._scheme = address.partition(":")[0].lower()
        self._picture = picture
        self._timeout_s = timeout_s
        self._service = _made(address)
        self._lock = threading.Condition()
        self._trying: threading.Thread | None = None
        self._closed = False

    def send(self, message: Message) -> None:
        """Hand one message over. Raises `DeliveryError`."""
        said: list[str] = []
        thread = threading.Thread(
            target=self._try, args=(message, said), name=f"messenger {self._scheme}", daemon=True
        )
        with self._lock:
            if self._closed:
                raise self._failed(message, "was not asked: the service stops")
            if self._trying is not None and self._trying.is_alive():
                raise self._failed(message, "has not answered the try before this one")
            self._trying = thread
            thread.start()
            self._lock.wait_for(lambda: said or self._closed, self._timeout_s)
        if not said:
            # Or the service stops, and nobody asks why.
            raise self._failed(message, f"gave no answer within {self._timeout_s:g} s")
        if said[0]:
            raise self._failed(message, said[0])

    def close(self) -> None:
        """Wait for no answer any more."""
        with self._lock:
            self._closed = True
            self._lock.notify_all()

    def _failed(self, message: Message, why: str) -> DeliveryError:
        return DeliveryError(message.route, f"{self._scheme}:// {why}", retry=True)

    def _try(self, message: Message, said: list[str]) -> None:
        try:
            why = self._handed(message)
        except Exception as error:
            # Its text may hold the address, its type does not.
            why = f"broke off: {type(error).__name__}"
        with self._lock:
            said.append(why)
            self._lock.notify_all()

    def _handed(self, message: Message) -> str:
        """Why the service has not taken it; "" if it has."""
        from apprise import Apprise, AppriseAttachment, NotifyFormat, NotifyType
        from apprise.attachment.memory import AttachMemory

        service = self._service
        if service is None:
            return "can't be written to with this version of its library"
        title, body = fitted(
            message,
            title_most=service.title_maxlen,
            body_most=service.body_maxlen,
            is_one=bool(service.overflow_amalgamate_title),
        )
        attach = None
        picture = self._picture_of(message) if service.attachment_support else None
        if picture is not None:
            attach = AppriseAttachment()
            make: Any = AttachMemory  # it has no types
            attach.add(make(picture, name="picture.jpg", mimetype="image/jpeg"))
        urgency = {"critical": NotifyType.FAILURE, "high": NotifyType.WARNING}
        over = message.stage == "over"
        box = Apprise(asset=service.asset)
        box.add(service)
        told = box.notify(
            body=body,
            title=title,
            notify_type=NotifyType.INFO if over else urgency.get(message.priority, NotifyType.INFO),
            body_format=NotifyFormat.TEXT,
            attach=attach,
        )
        # Not `if told`: an address with optional=yes calls a failure a success.
        tries = [attempt for result in told.results for attempt in result.attempts]
        if tries and all(bool(result.attempts and result.attempts[-1]) for result in told.results):
            return ""
        return _why(entry.message for attempt in tries for entry in attempt.logs)

    def _picture_of(self, message: Message) -> bytes | None:
        if message.alarm is None or message.tries > 0:
            return None
        try:
            picture = self._picture(message.alarm)
        except Exception:
            log.exception("message %s goes without its picture", message.key)
            return None
        return picture if picture is None or len(picture) <= PICTURE_BYTES else None


def fault_of(address: str) -> str:
    """Why no service can be written to at this address, without any of it; "" if one can."""
    scheme = address.partition(":")[0].lower()
    if scheme not in schemes():
        return f"is no route that Stillair can send on: no message service begins with {scheme}://"
    service = _made(address)
    if service is None:
        return (
            f"is no whole address of {scheme}://, or needs a library that isn't installed;"
            " the documentation of apprise says what has to stand in it"
        )
    if not service.verify_certificate:
        return (
            "has verify=no in it, so that anybody could take the messages; give this computer the"
            " authority that made the certificate instead"
        )
    return ""


def fitted(message: Message, *, title_most: int, body_most: int, is_one: bool) -> tuple[str, str]:
    """Title and body, cut to what a service takes; `is_one`: both count as the body.

    The link goes before the end of a long text does, but never the text for the link.
    """
    title = message.title[:title_most] if title_most > 0 else message.title
    most = body_most - (len(title) + 2 if is_one or title_most <= 0 else 0)
    link = f"\n\n{message.link}" if message.link is not None else ""
    text = message.text.strip()
    if len(text) + len(link) <= most:
        return title, text + link
    if most - len(link) < LEAST_TEXT:
        link = ""
    return title, f"{text[: max(0, most - len(link) - 1)].rstrip()}…{link}"[: max(1, most)]


@cache
def schemes() -> frozenset[str]:
    """What addresses of message services may begin with; loads the library, which keeps quiet."""
    # Below it, a header that can't be read is logged together with the whole address.
    logging.getLogger("urllib3").setLevel(logging.CRITICAL)
    told = logging.getLogger("apprise")
    told.setLevel(logging.WARNING)  # what results say is taken from there
    told.propagate = False
    told.addHandler(logging.NullHandler())
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # some of its many parts use what Python gives up
        from apprise.manager_plugins import NotificationManager

        manager: Any = NotificationManager  # it has no types
        return frozenset(map(str, manager().schemas()))


def _made(address: str) -> NotifyBase | None:
    """The library's own object for an address; None if it can make none."""
    schemes()
    import apprise.attachment.memory  # noqa: F401 - now, so that no alarm waits for it
    from apprise import Apprise, AppriseAsset
    from apprise.common import OverflowMode

    ours: dict[str, Any] = {
        "app_id": "Stillair",
        "app_desc": "Stillair",
        "app_url": "",
        "image_url_mask": "",  # pictures of its own, to be fetched from elsewhere
        "image_url_logo": "",
        "http_redirects": False,
        "async_mode": False,
    }
    # Without a limit of its own it works in our thread; those of its pools outlive a stop.
    asset = AppriseAsset(service_timeout=0, **ours)
    try:
        service = Apprise.instantiate(address, asset=asset)
    except Exception:
        return None
    if service is not None:
        service.socket_connect_timeout = min(service.socket_connect_timeout, CONNECT_S)
        service.socket_read_timeout = min(service.socket_read_timeout, ANSWER_S)
        service.overflow_mode = OverflowMode.TRUNCATE
        if service.verify_certificate and AUTHORITIES.exists():
            # The machine's own, by whom mail and broker are judged as well, not the library's.
            trusting: Any = service
            trusting.verify_certificate = str(AUTHORITIES)
    return service


def _why(logged: Iterable[str]) -> str:
    lines = list(logged)
    for line in lines:
        if found := _STATUS.search(line):
            return f"refuses it: it answered {found[1]}"
    if any("onnection" in line for line in lines):
        return "can't be reached, or gave no answer in time"
    return "has not taken it"
