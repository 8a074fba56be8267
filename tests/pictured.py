"""A service with one chamber whose camera is simulated, in this process."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from running import wait_until
from stillair.config import load_chambers
from stillair.runtime import wiring
from stillair.runtime.service import Service

KEY = "north"
CHAMBER = """
[chamber]
name = "north"
timezone = "Europe/Berlin"
[[sensor]]
name = "top"
driver = "simulated"
[camera]
source = "simulated"
[simulation]
scenario = "foam_box"
"""


def build(folder: Path, text: str = CHAMBER) -> Service:
    """A service that is not yet begun, its data beside its chamber file."""
    path = folder / "north.toml"
    path.write_text(text)
    return wiring.build(
        load_chambers((path,)), folder / "data", boot_id="boot", has_owner=lambda: True
    )


def has_looked(service: Service, key: str) -> bool:
    """Whether a picture has been looked at: only then can it be kept of what happens."""
    return bool(service.pictures._eyes[key].ring.shots())


@contextmanager
def watched(service: Service, within_s: float) -> Iterator[Service]:
    """The service at work, from its first picture on."""
    service.start()
    try:
        wait_until(lambda: has_looked(service, KEY), within_s=within_s)
        yield service
    finally:
        service.stop()
