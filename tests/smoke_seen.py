"""A service in a process of its own whose simulated camera sees smoke that isn't there."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

from running import RunningService
from stillair.model import JsonValue, Sense, Sign

REGION: list[JsonValue] = [0.25, 0.5, 0.5, 0.75]
STRENGTH = 0.62
EVERY_S = 0.5


def running_with_smoke(folder: Path, *words: str) -> RunningService:
    """`stillair run` that is told of smoke twice a second once it has looked at a picture."""
    here = str(Path(__file__).parent)
    before = f"import sys; sys.path.insert(0, {here!r})\nimport smoke_seen; smoke_seen.install()"
    return RunningService(folder, *words, before=before)


def install() -> None:
    """In the service's process: have every service that is built see smoke."""
    from stillair.runtime import wiring

    build = wiring.build

    def with_smoke(*given: Any, **named: Any) -> Any:
        service = build(*given, **named)
        threading.Thread(target=_see_smoke, args=(service,), daemon=True).start()
        return service

    wiring.build = with_smoke


def _see_smoke(service: Any) -> None:
    from pictured import has_looked

    pause = threading.Event()
    while True:
        for chamber in service.chambers():
            if has_looked(service, chamber.key):
                chamber.supervisor.put(smoke(chamber.clock.now_s()))
        pause.wait(EVERY_S)


def smoke(t_s: float, strength: float = STRENGTH) -> Sign:
    """The camera's word for smoke in `REGION` since 4 s."""
    return Sign(
        Sense.CAMERA,
        "smoke",
        t_s,
        t_s - 4.0,
        strength,
        ("camera",),
        detail={"regions": [REGION], "share": 0.06},
    )
