"""Connections to web servers that can be cut while they are under way, for `posting`."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable
from typing import Any

from requests.adapters import HTTPAdapter
from urllib3 import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.connection import HTTPConnection, HTTPSConnection

from stillair.alerts.cutting import Line


class BarredError(Exception):
    """The name has led to where nothing may be sent."""


class Watched(HTTPAdapter):
    """Connections that `line` can cut, also while headers come; the machine's authorities count.

    A connection to an address that `may_reach` bars is given up before a byte is sent.
    """

    def __init__(
        self, line: Line, context: ssl.SSLContext | None, may_reach: Callable[[str], bool] | None
    ) -> None:
        self._line = line
        self._context = context
        self._may_reach = may_reach
        super().__init__()

    def init_poolmanager(self, *args: Any, **keywords: Any) -> None:
        super().init_poolmanager(*args, ssl_context=self._context, **keywords)
        line, may_reach = self._line, self._may_reach

        class Plain(HTTPConnection):
            def _new_conn(self) -> socket.socket:
                made = super()._new_conn()
                line.watch(made)
                return made

        class Secured(HTTPSConnection):
            def _new_conn(self) -> socket.socket:
                made = super()._new_conn()
                line.watch(made)
                # Of the connection itself: to look the name up beforehand could give another.
                if may_reach is not None and not may_reach(made.getpeername()[0]):
                    made.close()
                    raise BarredError
                return made

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class SecuredPool(HTTPSConnectionPool):
            ConnectionCls = Secured

        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecuredPool}
