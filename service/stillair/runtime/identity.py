"""The certificate that the service shows to browsers, kept fit while it runs.

Each minute it is seen whether it ends soon, whether the machine has got an
address that it isn't for, and whether another has been made by hand. A new one
goes into the TLS context that is in use, so connections that stand stay and the
next ones are met with it.

Whatever is wrong with the files, the service listens and watches: with the
certificate that it had, or else with one that nobody knows, which a browser says
aloud. It never falls back to speaking in clear.
"""

from __future__ import annotations

import asyncio
import logging
import os
import ssl
import threading
from collections.abc import Callable, Iterable
from datetime import datetime

from stillair.access import certificates
from stillair.access.certificates import Certificates, Identity
from stillair.access.names import ALWAYS, usable_names
from stillair.errors import CertificateError

log = logging.getLogger(__name__)

# TLS 1.2 is there for telephones that are ten years old, with forward secrecy alone.
CIPHERS = "ECDHE+AESGCM:ECDHE+CHACHA20"


class IdentityKeeper:
    """Hold a TLS context with the newest certificate; tell when it can't be kept so.

    Parameters
    ----------
    kept : Certificates
        The authority and the certificate of the data directory.
    names : callable
        The machine's present names and addresses.
    wall : callable
        The wall clock.
    on_trouble : callable
        Gets (True, reason) when it can't be renewed, and (False, "") when it can again.
    """

    def __init__(
        self,
        kept: Certificates,
        *,
        names: Callable[[], Iterable[str]],
        wall: Callable[[], datetime],
        on_trouble: Callable[[bool, str], None],
    ) -> None:
        self._kept = kept
        self._names = names
        self._wall = wall
        self._on_trouble = on_trouble
        self._lock = threading.Lock()  # the schedule's first minute may fall into the start
        self._reason = ""
        self._shown: bytes | None = None  # the certificate in use
        self._loop: asyncio.AbstractEventLoop | None = None
        self.context = tls_context()

    def start(self) -> None:
        """Have a certificate in the context, before anybody connects."""
        self.check()
        if self._shown is None:
            now_at = self._wall()
            names = usable_names((*ALWAYS, *self._names()))
            stopgap = certificates.make_authority("nobody knows", names, now_at)
            self._show(certificates.issue(stopgap, names, now_at))

    def serve_in(self, loop: asyncio.AbstractEventLoop) -> None:
        """From now on change the context in this loop alone: it makes the connections."""
        self._loop = loop

    def check(self) -> None:
        """Renew the certificate if it is due, and show the newest. Thread-safe."""
        with self._lock:
            self._check()

    def _check(self) -> None:
        reason = ""
        try:
            now_at = self._wall()
            identity, renewed = self._kept.renew(self._names(), now_at)
            if renewed is not None:
                log.info("a new certificate until %s: %s", f"{identity.ends_at:%Y-%m-%d}", renewed)
            self._show(identity)
            authority = self._kept.authority()
            if now_at > authority.ends_at - certificates.WARNED_BEFORE:
                reason = (
                    f"the authority ends on {authority.ends_at:%Y-%m-%d}: make a new one with "
                    "certificate make --new-authority, and let each telephone trust it"
                )
        except CertificateError as error:
            reason = str(error)
            self._show_old()
        except Exception:
            # Of the network or the library: what is shown goes on being shown.
            log.exception("the certificate was not looked after")
            reason = "it could not be looked after; see the log"
        if reason != self._reason:
            self._reason = reason
            if reason:
                log.error("the certificate is not renewed: %s", reason)
            self._on_trouble(bool(reason), reason)

    def _show_old(self) -> None:
        """At a start show what there is, though it can't be renewed."""
        if self._shown is None and (server := self._kept.server()) is not None:
            self._show(server)

    def _show(self, identity: Identity) -> None:
        if self._shown == identity.public_pem:
            return
        self._shown = identity.public_pem
        if self._loop is None:
            _load(self.context, identity.pem)
        else:
            self._loop.call_soon_threadsafe(_load, self.context, identity.pem)


def tls_context() -> ssl.SSLContext:
    """How the service speaks TLS; without a certificate yet."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_ciphers(CIPHERS)
    context.options |= ssl.OP_NO_RENEGOTIATION | ssl.OP_NO_COMPRESSION
    context.set_alpn_protocols(["http/1.1"])
    return context


def _load(context: ssl.SSLContext, pem: bytes) -> None:
    """Have new connections met with this.

    The ssl module takes files alone. This one is in memory: what was checked is
    what is used, and a full disk is no hindrance.
    """
    file = os.memfd_create("certificate", os.MFD_CLOEXEC)
    try:
        with os.fdopen(os.dup(file), "wb") as writing:
            writing.write(pem)
        context.load_cert_chain(f"/proc/self/fd/{file}")
    finally:
        os.close(file)
