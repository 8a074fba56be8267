"""The web server around a running service: starts, listens, stops in time."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Callable

import uvicorn
from starlette.types import ASGIApp

from stillair.runtime.manager import ServiceManager
from stillair.runtime.service import Service

log = logging.getLogger(__name__)

CONNECTIONS = 400  # beyond that a stranger gets 503, and the board keeps its memory
CLOSE_S = 0.4  # what connections get to finish after they were told to


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
    """An open socket, before anything else is started. Raises `OSError`."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
    except OSError:
        listener.close()
        raise
    return listener


async def serve(
    app: ASGIApp, service: Service, listener: socket.socket, *, ready: Callable[[], None]
) -> None:
    """Serve until SIGTERM or SIGINT."""
    config = uvicorn.Config(
        app,
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=1,
        timeout_keep_alive=20,
        limit_concurrency=CONNECTIONS,
        h11_max_incomplete_event_size=32 * 1024,
        http="h11",
        ws="none",
        lifespan="off",
    )
    manager = ServiceManager()

    def started() -> None:
        manager.tell("READY=1")
        ready()

    server = Server(config, ready=started, goodbye=service.feed.close)
    tasks = [
        asyncio.create_task(service.run_courier(), name="courier"),
        asyncio.create_task(manager.feed_watchdog(service.on_time), name="watchdog"),
    ]
    try:
        await server.serve(sockets=[listener])
    finally:
        manager.tell("STOPPING=1")
        for task in tasks:
            task.cancel()
        for ended in await asyncio.gather(*tasks, return_exceptions=True):
            if isinstance(ended, Exception):
                log.error("a task of the service failed", exc_info=ended)
