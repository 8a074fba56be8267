"""A message as JSON to a web address, signed, so that who takes it knows whose it is.

`Stillair-Signature` is the HMAC-SHA256 (RFC 2104, in hexadecimal) of the time in
`Stillair-Time` (seconds since the epoch), a full stop and the body. The time is signed
as well: who refuses old ones can't be told the same again by somebody who listened.
`Idempotency-Key` is the same each time a message is sent.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from datetime import datetime

from stillair.alerts.cutting import Lines
from stillair.alerts.posting import PostError, knock, post, ready
from stillair.alerts.routes import Message
from stillair.errors import DeliveryError

TIMEOUT_S = 15.0
CHECK_S = 8.0


class WebhookRoute:
    """Send messages to one web address.

    Parameters
    ----------
    address : str
        Where to; a secret.
    secret : str
        What signs.
    wall : callable
        Gives the wall clock's time, which is signed.
    trust : str, optional
        File of certificates to check the server's against, in place of the machine's own.
    """

    def __init__(
        self,
        address: str,
        secret: str,
        *,
        wall: Callable[[], datetime],
        trust: str | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> None:
        ready()  # now, so that no alarm waits for it
        self._address = address
        self._secret = secret.encode()
        self._wall = wall
        self._trust = trust
        self._timeout_s = timeout_s
        self._lines = Lines()

    def send(self, message: Message, due: Callable[[], bool] = lambda: True) -> None:
        """Hand one message over, if it is `due` once the server is there.

        Raises `DeliveryError`.
        """
        body = message.for_programs()
        at = f"{self._wall().timestamp():.0f}"
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "stillair",
            "Idempotency-Key": f'"{message.number}"',
            "Stillair-Time": at,
            "Stillair-Signature": signature(self._secret, at, body),
        }
        try:
            post(
                self._address,
                body,
                headers,
                timeout_s=self._timeout_s,
                trust=self._trust,
                lines=self._lines,
                due=due,
            )
        except PostError as error:
            raise DeliveryError(
                message.route, error.reason, retry=error.retry, wait_s=error.wait_s
            ) from None

    def check(self) -> str:
        """See whether its server is reached and can be trusted. Raises `DeliveryError`."""
        try:
            where = knock(self._address, timeout_s=CHECK_S, trust=self._trust, lines=self._lines)
        except PostError as error:
            raise DeliveryError("webhook", error.reason, retry=error.retry) from None
        return f"{where} is reached; only an alarm test shows whether it takes messages"

    def close(self) -> None:
        """End what is under way."""
        self._lines.close()


def signature(secret: bytes, at: str, body: bytes) -> str:
    """What signs a body sent at a time."""
    return hmac.new(secret, at.encode() + b"." + body, hashlib.sha256).hexdigest()
