"""TLS handshakes, few at a time and not for long.

asyncio gives a stranger a minute to say hello and shows the connection to
nobody meanwhile, so a thousand that stay silent would take every file handle of
the process, and the journal couldn't open its own. Here a handshake has as long
as the head of a request, and of too many the oldest goes of who has most.
"""

from __future__ import annotations

import asyncio
import ssl
from asyncio import sslproto
from collections import Counter
from collections.abc import Callable
from typing import Any

from stillair.runtime.connections import HEAD_S, Connection, neighbourhood_of

HANDSHAKES = 100  # at once
# asyncio sets 256 KiB aside for what each connection reads, and here requests are small. With
# this one takes 41 kB instead of 282 (of 200 idle ones). A TLS record has 16 KiB at most.
READ_BYTES = 16 * 1024


class Greetings:
    """Meet each connection with TLS, and then hand it to the protocol that `make` gives.

    Give `Greetings` to uvicorn as the class of its connections: it is called like one.
    """

    def __init__(self, context: ssl.SSLContext, make: Callable[..., asyncio.Protocol]) -> None:
        self._context = context
        self._make = make
        sslproto.SSLProtocol.max_size = READ_BYTES
        # The oldest first, each with who it is.
        self._tasks: dict[asyncio.Task[None], tuple[str, asyncio.Transport]] = {}

    def __call__(self, **given: Any) -> asyncio.Protocol:
        return _Greeting(self, lambda: self._make(**given))

    def meet(self, transport: asyncio.Transport, make: Callable[[], asyncio.Protocol]) -> None:
        """Begin a handshake."""
        if len(self._tasks) >= HANDSHAKES:
            self._make_room()
        transport.pause_reading()
        task = asyncio.get_running_loop().create_task(self._greet(transport, make))
        self._tasks[task] = neighbourhood_of(Connection.client_of(transport)), transport
        task.add_done_callback(lambda done: self._tasks.pop(done, None))

    def close(self) -> None:
        """Hang up on whoever is still greeting."""
        for _, transport in list(self._tasks.values()):
            transport.abort()

    def _make_room(self) -> None:
        """Hang up on the oldest of whoever has most: one alone can't crowd out the others."""
        ((most, _),) = Counter(who for who, _ in self._tasks.values()).most_common(1)
        oldest = next(task for task, (who, _) in self._tasks.items() if who == most)
        # Out of the count at once: a hundred may come before its task hears of it.
        self._tasks.pop(oldest)[1].abort()

    async def _greet(
        self, transport: asyncio.Transport, make: Callable[[], asyncio.Protocol]
    ) -> None:
        held = _Held()
        try:
            secure = await asyncio.get_running_loop().start_tls(
                transport,
                held,
                self._context,
                server_side=True,
                ssl_handshake_timeout=HEAD_S,
                ssl_shutdown_timeout=HEAD_S,
            )
        except OSError:  # ssl.SSLError among them: whoever it was speaks no TLS, or has gone
            transport.abort()
            return
        if secure is None or transport.is_closing():
            return  # asyncio gives a transport even where the connection was lost meanwhile
        protocol = make()
        secure.set_protocol(protocol)
        protocol.connection_made(secure)
        if held.data:
            protocol.data_received(held.data)


class _Greeting(asyncio.Protocol):
    """Stands in the door until TLS is spoken."""

    def __init__(self, greetings: Greetings, make: Callable[[], asyncio.Protocol]) -> None:
        self._greetings = greetings
        self._make = make

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._greetings.meet(transport, self._make)


class _Held(asyncio.Protocol):
    """Keep what comes with the last word of a handshake, until there is somebody to take it."""

    data = b""

    def data_received(self, data: bytes) -> None:
        self.data += data
