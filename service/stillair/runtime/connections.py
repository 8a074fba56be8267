"""Connections that bring nothing make room for those that do.

uvicorn gives a connection all the time it likes for its first request, so a few
hundred silent ones would keep everybody out. Here the head of a request has to
come within 10 s, and where connections run short the one goes that has been
without a whole request for longest. How long a body may take is the guard's, unless
the answer didn't wait for it: then it has as long as a head. Who doesn't take what is
sent is hung up on as well.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from ipaddress import IPv6Address, ip_address

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

HEAD_S = 10.0  # for the head of a request, a few kB at most
# Who has taken less within that time, a telephone that sleeps, asks anew when it is awake.
STALLED_S, TAKEN_BYTES = 60.0, 16 * 1024
ALL_CONNECTIONS = 400  # the board keeps its memory, and stays below 1024 open files
# A page takes two or three.
PER_ADDRESS = 60


class Connection(H11Protocol):
    """uvicorn's connection, with a limit to its silence and to how many there are."""

    proxied = False  # whether everybody comes from one address, that of a proxy
    address = ""  # what it shares with others of the same stranger
    silent_since_s: float | None = None  # the loop's time since when no whole request is here
    _hurry: asyncio.TimerHandle | None = None
    _stalled: asyncio.TimerHandle | None = None
    _untaken = 0  # bytes, when that was looked at last

    def connection_made(  # type: ignore[override]  # as in uvicorn's own
        self, transport: asyncio.Transport
    ) -> None:
        self.address = neighbourhood_of(self.client_of(transport))
        self.silent_since_s = self.loop.time()
        others = [other for other in self.connections if isinstance(other, Connection)]
        super().connection_made(transport)
        fellows = [other for other in others if other.address == self.address]
        most = ALL_CONNECTIONS if self.proxied else PER_ADDRESS
        if not (_room(fellows, most) and _room(others, ALL_CONNECTIONS)):
            transport.abort()
            return
        transport.set_write_buffer_limits(1, 0)  # so that it is known of all whether it goes
        self._time()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._time()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._time()

    def send_400_response(self, msg: str) -> None:
        """Refuse what is no HTTP, also in the midst of a body; nobody answers it any more."""
        cycle: RequestResponseCycle | None = self.cycle
        if cycle is not None and not cycle.response_complete:
            cycle.disconnected = True
            cycle.message_event.set()
        try:
            super().send_400_response(msg)
        except h11.LocalProtocolError:
            self.transport.close()  # it has had some of an answer, or asked for none of it (HEAD)

    def pause_writing(self) -> None:
        super().pause_writing()
        self._await_taking()

    def resume_writing(self) -> None:
        super().resume_writing()
        self._flows()

    def connection_lost(self, exc: Exception | None) -> None:
        super().connection_lost(exc)
        self._rest()
        self._flows()

    @staticmethod
    def client_of(transport: asyncio.Transport) -> str:
        """The address at the other end, or "" for none."""
        peer = transport.get_extra_info("peername")
        return str(peer[0]) if isinstance(peer, tuple) and peer else ""

    def _time(self) -> None:
        """See whether a request is awaited, and how long it may take."""
        state = self.conn.their_state
        idle = state is h11.IDLE
        # The answer has gone, and what is left of the body trickles.
        answered = state is h11.SEND_BODY and self.conn.our_state is h11.DONE
        if state not in (h11.IDLE, h11.SEND_BODY):
            self.silent_since_s = None
        elif self.silent_since_s is None:
            self.silent_since_s = self.loop.time()
        if not (idle or answered):
            self._rest()
        # Between two requests uvicorn's own timer runs until the first byte of the next.
        elif self._hurry is None and (answered or self.timeout_keep_alive_task is None):
            self._hurry = self.loop.call_later(HEAD_S, self.transport.abort)

    def _rest(self) -> None:
        if self._hurry is not None:
            self._hurry.cancel()
            self._hurry = None

    def _await_taking(self) -> None:
        self._untaken = self.transport.get_write_buffer_size()
        self._stalled = self.loop.call_later(STALLED_S, self._see_taken)

    def _see_taken(self) -> None:
        """Go on while the other side takes something; while it doesn't, nothing more is written."""
        if self.transport.get_write_buffer_size() > self._untaken - TAKEN_BYTES:
            self.transport.abort()
        else:
            self._await_taking()

    def _flows(self) -> None:
        if self._stalled is not None:
            self._stalled.cancel()
            self._stalled = None


def _room(connections: Iterable[Connection], most: int) -> bool:
    """Make room for one more, by hanging up on the one silent for longest if need be."""
    here = [each for each in connections if not each.transport.is_closing()]
    if len(here) < most:
        return True
    silent = [(each.silent_since_s, each) for each in here if each.silent_since_s is not None]
    if not silent:
        return False
    _, longest = min(silent, key=lambda pair: pair[0])
    longest.transport.abort()
    return True


def neighbourhood_of(client: str) -> str:
    """What one stranger has of addresses: an IPv4 address, or the 2^64 of an IPv6 network."""
    try:
        found = ip_address(client.partition("%")[0])
    except ValueError:
        return client
    if isinstance(found, IPv6Address):
        found = found.ipv4_mapped or IPv6Address(int(found) >> 64 << 64)
    return str(found)
