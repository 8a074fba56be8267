"""Ask a web server, or hand it something by POST, within a deadline, whatever it does.

Redirects aren't followed: what is sent may be secret, and whoever answers a POST by one
has been given a wrong address. Of an answer the first 16 KiB are read and the rest is left;
whoever has said 200 has taken it, whatever comes after. An address may hold a password, so
no error names more of it than the host.
"""

from __future__ import annotations

import logging
import socket
import ssl
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from stillair.alerts.cutting import Line, Lines
from stillair.errors import StillairError
from stillair.late import Late, load

if TYPE_CHECKING:
    import requests
    from requests import utils

    from stillair.alerts import watched
else:
    # 6 MB that nobody needs who writes to no web server.
    requests, utils = Late("requests"), Late("requests.utils")
    watched = Late("stillair.alerts.watched")

# It logs headers that it can't read together with the whole address.
logging.getLogger("urllib3").setLevel(logging.CRITICAL)

ANSWER_BYTES = 16 * 1024
# What a server may mend by itself: RFC 9110, 15.5.9 and 15.6; RFC 6585, 4 (too many requests).
PASSING = frozenset({408, 425, 429, 500, 502, 503, 504})
LONGEST_WAIT_S = 3600.0
_PORTS = {"http": 80, "https": 443}


def ready() -> None:
    """Load what writes to web servers, before a message waits for it."""
    load(requests, utils, watched)


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
    url: str,
    body: bytes,
    headers: Mapping[str, str],
    *,
    timeout_s: float,
    trust: str | None = None,
    lines: Lines | None = None,
    may_reach: Callable[[str], bool] | None = None,
    due: Callable[[], bool] = lambda: True,
) -> Taken:
    """POST `body` to `url` and give the answer, all of it within `timeout_s`.

    Only a name server that doesn't answer may take longer. `trust` is a file of certificates
    to check the server's against, in place of the machine's own; whoever closes `lines` ends
    it at once. `may_reach` judges the IP address to which the name of an HTTPS server has led,
    before a byte is sent: for urls that strangers have a say in. `due` is asked then as well,
    for what may not be wanted any more. Raises `PostError`.
    """
    return _ask(
        "POST",
        url,
        body,
        headers,
        timeout_s=timeout_s,
        trust=trust,
        lines=lines,
        may_reach=may_reach,
        due=due,
    )


def get(
    url: str, *, timeout_s: float, trust: str | None = None, lines: Lines | None = None
) -> Taken:
    """GET `url` and give the answer, as `post` does. Raises `PostError`."""
    return _ask("GET", url, None, {}, timeout_s=timeout_s, trust=trust, lines=lines)


def _ask(
    method: str,
    url: str,
    body: bytes | None,
    headers: Mapping[str, str],
    *,
    timeout_s: float,
    trust: str | None,
    lines: Lines | None,
    may_reach: Callable[[str], bool] | None = None,
    due: Callable[[], bool] = lambda: True,
) -> Taken:
    host = _host(url)
    begun = b""
    with (lines or Lines()).line(timeout_s, due) as line, requests.Session() as session:
        session.trust_env = False  # no proxy or password that happens to lie about
        if url.lower().startswith("https:"):
            session.mount("https://", watched.Watched(line, _context(trust), may_reach))
        elif may_reach is None:  # or whatever the library refuses
            session.mount("http://", watched.Watched(line, None, None))
        else:
            session.adapters.pop("http://")
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
        except Exception as error:
            # requests, urllib3 below it, and what a connection cut under the reader gives.
            raise _error(host, error, line, timeout_s) from None
        with answer:
            status = answer.status_code
            if line.is_cut():  # what was cut in its headers passes for whole
                raise _error(host, TimeoutError(), line, timeout_s)
            try:
                begun = answer.raw.read(ANSWER_BYTES, decode_content=False)
            except Exception as error:
                if method == "GET":
                    raise _error(host, error, line, timeout_s) from None
            if line.is_cut() and method == "GET":
                raise _error(host, TimeoutError(), line, timeout_s)
    if 200 <= status < 300:
        return Taken(status, begun)
    what = "sends us elsewhere" if 300 <= status < 400 else "refuses it"
    raise PostError(
        f"{host} {what}: it answered {status}",
        retry=status in PASSING,
        status=status,
        wait_s=_wait_s(answer.headers.get("Retry-After")),
    )


def knock(
    url: str, *, timeout_s: float, trust: str | None = None, lines: Lines | None = None
) -> str:
    """See whether the server of `url` is reached and can be trusted; it is asked for nothing.

    Gives its host and port. Raises `PostError`.
    """
    parts = urlsplit(url)
    host, port = _host(url), parts.port or _PORTS[parts.scheme]
    with (lines or Lines()).line(timeout_s) as line:
        try:
            with socket.create_connection((parts.hostname or "", port), timeout_s) as wire:
                line.watch(wire)
                if parts.scheme == "https":
                    context = _context(trust)
                    if trust is None:
                        context.load_verify_locations(utils.DEFAULT_CA_BUNDLE_PATH)
                    context.wrap_socket(wire, server_hostname=parts.hostname).close()
        except (OSError, ValueError) as error:
            raise _error(host, error, line, timeout_s) from None
    return f"{host}:{port}"


def _context(trust: str | None) -> ssl.SSLContext:
    return ssl.create_default_context(cafile=trust)


def _host(url: str) -> str:
    try:
        return urlsplit(url).hostname or "the address"
    except ValueError:
        return "the address"


def _wait_s(told: str | None) -> float | None:
    """The seconds of a Retry-After header (RFC 9110, 10.2.3); a date is left out."""
    if told is None or not told.strip().isascii() or not told.strip().isdigit():
        return None
    return min(float(told), LONGEST_WAIT_S)


def _error(host: str, error: Exception, line: Line, timeout_s: float) -> PostError:
    failed = partial(PostError, retry=True)
    text = str(error)  # it holds the address, and is looked at alone
    if line.is_cut() and not line.overdue:
        return failed(f"{host} was not asked: the service stops")
    if line.overdue or isinstance(error, requests.Timeout | TimeoutError):
        return failed(f"{host} gave no answer within {timeout_s:g} s")
    if isinstance(error, watched.BarredError):
        return failed(f"{host} leads into a private network, where this may not be sent")
    if "CERTIFICATE_VERIFY_FAILED" in text:
        return failed(f"the certificate of {host} can't be trusted")
    if isinstance(error, requests.exceptions.SSLError | ssl.SSLError):
        return failed(f"{host} doesn't speak TLS as it should")
    if isinstance(error, ValueError):  # as of requests, for an address that is none
        return PostError(f"{host} can't be asked: the address is not one", retry=False)
    if isinstance(error, socket.gaierror) or "NameResolution" in text:
        return failed(f"the name {host} can't be resolved")
    if isinstance(error, requests.ConnectionError) and "Connection aborted" in text:
        return failed(f"{host} hung up")
    if isinstance(error, requests.ConnectionError | OSError):
        return failed(f"{host} can't be reached")
    return failed(f"{host} broke off: {type(error).__name__}")
