"""Ask a web server, or hand it something by POST, within a deadline, whatever it does.

Redirects aren't followed: what is sent may be secret, and whoever answers a POST by one
has been given a wrong address. Of an answer the first 16 KiB are read and the rest is left.
An address may hold a password, so no error names more of it than the host.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

import requests

from stillair.errors import StillairError

ANSWER_BYTES = 16 * 1024
# What a server may mend by itself: RFC 9110, 15.5.9 and 15.6; RFC 6585, 4 (too many requests).
PASSING = frozenset({408, 425, 429, 500, 502, 503, 504})
LONGEST_WAIT_S = 3600.0


class PostError(StillairError):
    """A server did not take it; `retry` says whether asking again can help.

    `status` is its answer, None where there was none; `wait_s` how long it asks to be left alone.
    """

    def __init__(
        self, reason: str, *, retry: bool, status: int | None = None, wait_s: float | None = None
    ) -> None:
        super().__init__(reason)
        self.reason = reason
        self.retry = retry
        self.status = status
        self.wait_s = wait_s


@dataclass(frozen=True, slots=True)
class Taken:
    """A server's answer of the 200s, with the beginning of its body."""

    status: int
    body: bytes


def post(
    url: str, body: bytes, headers: Mapping[str, str], *, timeout_s: float, trust: str | None = None
) -> Taken:
    """POST `body` to `url` and give the answer, all of it within `timeout_s`.

    `trust` is a file of certificates to check the server's against, in place of the machine's
    own. Raises `PostError`.
    """
    return _ask("POST", url, body, headers, timeout_s=timeout_s, trust=trust)


def get(url: str, *, timeout_s: float, trust: str | None = None) -> Taken:
    """GET `url` and give the answer, as `post` does. Raises `PostError`."""
    return _ask("GET", url, None, {}, timeout_s=timeout_s, trust=trust)


def _ask(
    method: str,
    url: str,
    body: bytes | None,
    headers: Mapping[str, str],
    *,
    timeout_s: float,
    trust: str | None,
) -> Taken:
    host = urlsplit(url).hostname or "the address"
    with requests.Session() as session:
        session.trust_env = False  # no proxy or password that happens to lie about
        overdue = threading.Event()
        held: list[requests.Response] = []

        def cut() -> None:
            # A server that sends a byte now and then passes every timeout of the library.
            overdue.set()
            for answer in held:
                with suppress(Exception):
                    answer.raw.close()

        timer = threading.Timer(timeout_s, cut)
        timer.daemon = True
        timer.start()
        try:
            answer = session.request(
                method,
                url,
                data=body,
                headers=dict(headers),
                timeout=timeout_s,
                allow_redirects=False,
                stream=True,
                verify=trust or True,
            )
            held.append(answer)
            begun = b"" if overdue.is_set() else answer.raw.read(ANSWER_BYTES, decode_content=False)
        except Exception as error:
            # requests, urllib3 below it, and what a response cut under the reader gives.
            raise PostError(_reason(host, error, overdue.is_set(), timeout_s), retry=True) from None
        finally:
            timer.cancel()
    if overdue.is_set():
        raise PostError(_reason(host, TimeoutError(), True, timeout_s), retry=True)
    status = answer.status_code
    if 200 <= status < 300:
        return Taken(status, begun)
    what = "sends us elsewhere" if 300 <= status < 400 else "refuses it"
    raise PostError(
        f"{host} {what}: it answered {status}",
        retry=status in PASSING,
        status=status,
        wait_s=_wait_s(answer.headers.get("Retry-After")),
    )


def _wait_s(told: str | None) -> float | None:
    """The seconds of a Retry-After header (RFC 9110, 10.2.3); a date is left out."""
    if told is None or not told.strip().isascii() or not told.strip().isdigit():
        return None
    return min(float(told), LONGEST_WAIT_S)


def _reason(host: str, error: Exception, overdue: bool, timeout_s: float) -> str:
    if overdue or isinstance(error, requests.Timeout | TimeoutError):
        return f"{host} gave no answer within {timeout_s:g} s"
    if isinstance(error, requests.exceptions.SSLError):
        return f"the certificate of {host} can't be trusted"
    if isinstance(error, requests.exceptions.InvalidURL | requests.exceptions.InvalidSchema):
        return f"{host} can't be asked: the address is not one"
    if isinstance(error, requests.ConnectionError):
        return f"{host} can't be reached"
    return f"{host} broke off: {type(error).__name__}"
