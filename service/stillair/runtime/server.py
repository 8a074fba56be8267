"""The web server around a running service: starts, listens, stops in time."""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
from collections.abc import Awaitable, Callable
from functools import partial
from ipaddress import ip_address
from typing import Any

import uvicorn
from starlette.types import ASGIApp

from stillair.runtime.connections import ALL_CONNECTIONS, Connection
from stillair.runtime.greeting import Greetings
from stillair.runtime.identity import IdentityKeeper
from stillair.runtime.manager import ServiceManager
from stillair.runtime.past import Past

log = logging.getLogger(__name__)

# What runs for connections that have gone may outlast them; beyond this it is 503.
REQUESTS = ALL_CONNECTIONS + 100
AGAIN_S = 1.0  # before a task that ended is begun again
PROVEN_S = 60.0  # after which one that was begun again counts as running
CLOSE_S = 0.4  # what connections get to finish after they were told to
SEND_BYTES = 128 * 1024  # of what was sent and not yet taken; the kernel makes twice that of it
# IP_FREEBIND and IPV6_FREEBIND of Linux (ip(7), ipv6(7)), which Python has no names for.
FREE_BIND = {
    socket.AF_INET: (socket.IPPROTO_IP, 15),
    socket.AF_INET6: (socket.IPPROTO_IPV6, 78),
}
LOOPBACK = ("127.0.0.1", "::1")  # where a proxy may stand


class Server(uvicorn.Server):
    """uvicorn, which sends the live pages home before it waits for them."""

    def __init__(
        self, config: uvicorn.Config, *, ready: Callable[[], None], goodbye: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._ready = ready
        self._goodbye = goodbye

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        if self.started:
            self._ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._goodbye()
        cut = asyncio.get_running_loop().call_later(CLOSE_S, self._cut_off)
        try:
            await super().shutdown(sockets)
        finally:
            cut.cancel()

    def _cut_off(self) -> None:
        """Hang up on whoever takes nothing any more: a page on a computer that sleeps."""
        for connection in list(self.server_state.connections):
            connection.transport.abort()


def listen(host: str, port: int) -> socket.socket:
    """An open socket, before anything else is started. Raises `OSError`.

    An address that this computer will only have later is listened on already: watching
    begins before the network is there.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Named as TCP, asyncio sends at once (TCP_NODELAY) what is written to a connection; else the
    # second part of an answer waits for the other side's delayed acknowledgement, 40 ms.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Each connection inherits it. By itself the kernel keeps up to 4 MB for a page that takes
        # nothing, and 300 of those would be more than the board has.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BYTES)
        listener.setsockopt(*FREE_BIND[family], 1)
        listener.bind((host, port))
    except OSError:
        listener.close()
        raise
    return listener


def is_own(host: str) -> bool:
    """Whether this computer has this address just now; True of what is no address."""
    try:
        family = socket.AF_INET6 if ip_address(host).version == 6 else socket.AF_INET
    except ValueError:
        return True
    with socket.socket(family, socket.SOCK_STREAM) as tried:
        try:
            tried.bind((host, 0))
        except OSError as error:
            return error.errno != errno.EADDRNOTAVAIL
    return True


class ProxiedConnection(Connection):
    """A connection from the proxy on this computer, through which everybody comes."""

    proxied = True


async def serve(
    app: ASGIApp,
    service: Past,
    listener: socket.socket,
    *,
    ready: Callable[[], None],
    identity: IdentityKeeper | None = None,
    behind_proxy: bool = False,
    again: Callable[[], bool] = lambda: False,
) -> None:
    """Serve until SIGTERM or SIGINT; `again` tells whether the process then begins anew.

    With `identity` over TLS. Only with `behind_proxy` is a program on this
    computer believed when it says for whom it asks, and whether over HTTPS.
    """
    greetings: Greetings | None = None
    connection: Any = ProxiedConnection if behind_proxy else Connection
    if identity is not None:
        identity.serve_in(asyncio.get_running_loop())
        connection = greetings = Greetings(identity.context, connection)
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        log_level="error",  # what strangers garble is no line in a log on a card
        server_header=False,
        proxy_headers=behind_proxy,
        forwarded_allow_ips=list(LOOPBACK),
        timeout_graceful_shutdown=1,
        timeout_keep_alive=20,
        limit_concurrency=REQUESTS,
        h11_max_incomplete_event_size=32 * 1024,
        http=connection,
        ws="none",
        lifespan="off",
    )
    manager = ServiceManager()

    def started() -> None:
        manager.tell("READY=1")
        manager.hold_again()
        ready()

    def goodbye() -> None:
        service.feed.close()
        if greetings is not None:
            greetings.close()

    server = Server(config, ready=started, goodbye=goodbye)
    work: dict[str, Callable[[], Awaitable[None]]] = {
        **service.work(),
        "watchdog": partial(manager.feed_watchdog, service.on_time),
    }
    tasks = [
        asyncio.create_task(keep_up(name, task, service.troubles.task), name=name)
        for name, task in work.items()
    ]
    try:
        await server.serve(sockets=[listener])
    finally:
        manager.tell(manager.anew() if again() else "STOPPING=1")
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def keep_up(
    name: str, work: Callable[[], Awaitable[None]], on_trouble: Callable[[str, bool], None]
) -> None:
    """Do work that should go on until it is cancelled, and begin it again if it ends.

    `on_trouble` gets (name, True) when it has ended, however it did, and
    (name, False) once it has run for a minute again.
    """
    loop = asyncio.get_running_loop()
    while True:
        proven = loop.call_later(PROVEN_S, on_trouble, name, False)
        try:
            await work()
        except Exception:
            log.exception("the %s ended", name)
        else:
            log.error("the %s ended by itself", name)
        finally:
            proven.cancel()
        on_trouble(name, True)
        await asyncio.sleep(AGAIN_S)
