"""A library that is imported when it is first used.

    if TYPE_CHECKING:
        import requests
    else:
        requests = Late("requests")

Half of the memory of this service is the code of its libraries, and who sends no message to
a web server needs none that speaks to one. But never so that danger waits: loading reads from
a disk that may hang, and takes memory that may have run out. So whatever tells, sounds or
switches off calls `load` as it is made, which is before watching begins.
"""

from __future__ import annotations

import importlib
from typing import Any


class Late:
    """Stands for a module. Any thread may use it; the import system lets one load it."""

    def __init__(self, name: str) -> None:
        self._name = name

    def __getattr__(self, attribute: str) -> Any:
        found = getattr(importlib.import_module(self._name), attribute)
        setattr(self, attribute, found)  # so that the next use costs what a module's does
        return found

    def __repr__(self) -> str:
        return f"Late({self._name!r})"


def load(*modules: Any) -> None:
    """Import what some `Late` stand for, now."""
    for module in modules:
        if isinstance(module, Late):
            importlib.import_module(module._name)
