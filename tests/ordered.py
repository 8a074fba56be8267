"""Faults and fires by order, in the process of a service of a simulated chamber.

What goes before the service (`BEFORE`) lets whoever stands outside of it

- order what a scenario's step can do, by a line of JSON in the file ORDERS:
  {"do": "fire", "growth": "fast"}; every process carries out all that stands there
- let reads of the sensors or the camera hang, while the file HANG names the kind of twin
- hold its event loop up for HELD_S, with the lock of the interpreter (SIGUSR2) or
  without it (SIGUSR1)
- end the threads whose names begin as the file END says (SIGRTMIN), as nothing in the
  code would; the file ENDED tells when they have
"""

from __future__ import annotations

import ctypes
import json
import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

HELD_S = 10.0
BEFORE = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
import ordered
ordered.install()
"""


def order(folder: Path, do: str, **values: object) -> None:
    """Have a step carried out in the chamber's next second, and by each later process."""
    with (folder / "orders").open("a") as orders:
        orders.write(json.dumps({"do": do, **values}) + "\n")


def forget(folder: Path) -> None:
    """Let no later process carry out what has been ordered."""
    (folder / "orders").unlink(missing_ok=True)


def environment(folder: Path) -> dict[str, str]:
    """Where the service's process looks for orders."""
    return {"ORDERED_IN": str(folder)}


def install() -> None:
    """In the service's process: do as ordered."""
    from stillair.simulation import twins
    from stillair.simulation.scenario import action
    from stillair.simulation.world import SimulatedChamber

    folder = Path(os.environ["ORDERED_IN"])
    orders, hang, end = folder / "orders", folder / "hang", folder / "end"
    step = SimulatedChamber._step
    done: dict[int, int] = {}  # how much of the orders each world has carried out

    def ordered_step(self: SimulatedChamber) -> None:
        if orders.exists():
            lines = orders.read_text().splitlines(keepends=True)
            begin = done.get(id(self), 0)
            for line in lines[begin:]:
                if line.endswith("\n"):
                    begin += 1
                    self._script._plan(action(self._steps, **json.loads(line)), scripted=False)
            done[id(self)] = begin
        else:
            done.pop(id(self), None)
        step(self)

    def hanging(kind: type, name: str) -> None:
        read: Callable[..., Any] = getattr(kind, name)

        def instead(*given: Any) -> Any:
            while hang.exists() and hang.read_text() == kind.__name__:
                time.sleep(0.05)
            return read(*given)

        setattr(kind, name, instead)

    def hold_up(*_: object) -> None:
        time.sleep(HELD_S)

    def hold_all_up(*_: object) -> None:
        ctypes.PyDLL(None).usleep(int(HELD_S * 1e6))

    def end_threads(*_: object) -> None:
        name = end.read_text()
        ending = [thread for thread in threading.enumerate() if thread.name.startswith(name)]
        for thread in ending:
            # It comes when the thread is back from what it waits for.
            ctypes.pythonapi.PyThreadState_SetAsyncExc(
                ctypes.c_ulong(thread.ident or 0), ctypes.py_object(SystemExit)
            )
        threading.Thread(target=tell_end, args=(ending,), daemon=True).start()

    def tell_end(threads: list[threading.Thread]) -> None:
        for thread in threads:
            thread.join()
        if threads:
            (folder / "ended").touch()

    SimulatedChamber._step = ordered_step  # type: ignore[method-assign]
    hanging(twins.SimulatedSensor, "read")
    hanging(twins.SimulatedCamera, "grab")
    twins.SimulatedSensor.blocking = True  # a thread of its own, as for a bus
    signal.signal(signal.SIGUSR1, hold_up)
    signal.signal(signal.SIGUSR2, hold_all_up)
    signal.signal(signal.SIGRTMIN, end_threads)
