"""What was found of one thing, and what would help: for `inspect` and for the first-run page."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from stillair.access.certificates import (
    Certificates,
    Identity,
    vouches_for,
    why_due,
)
from stillair.access.names import usable_names
from stillair.alarms.testing import Readiness
from stillair.alerts.addresses import RouteKind
from stillair.alerts.topic import let_in_by
from stillair.config import ChamberSettings
from stillair.config.inputs import CameraKind
from stillair.errors import CertificateError
from stillair.runtime import memory
from stillair.sensing import board
from stillair.sensing.board import Board, Judged
from stillair.sensing.board_files import ROOT, camera_names

SENSOR_REMEDY = {
    "onewire": "see that the overlay w1-gpio is on, the pull-up is there and the wires are right",
    "max31855": "see that SPI is on (dtparam=spi=on in config.txt) and the thermocouple plugged in",
    "max31856": "see that SPI is on (dtparam=spi=on in config.txt) and the thermocouple plugged in",
    "mcp9600": "see that I2C is on (dtparam=i2c_arm=on in config.txt) and the address is right",
    "mqtt": "see that the broker is reached and something publishes on this topic",
    "recording": "see that the file has this column",
    "simulated": "look at the scenario: what its point does, and whether it has it",
}
PARTICLES_REMEDY = {
    "serial": "see that it has its 5 V, its TX wire is on the port, and no console uses that",
    "simulated": "see that the scenario is right",
}
CONTACT_REMEDY = {
    "gpio": "see that the pin's number is GPIO's own and the wiring is right",
    "mqtt": "see that the broker is reached and something publishes on this topic",
    "simulated": "see that the scenario has this switch",
}
CAMERA_REMEDY = {
    CameraKind.DEVICE: "plug it in, and name it as `ls /dev/v4l/by-id` does",
    CameraKind.FILE: "see that the path is right; it begins where the chamber file lies",
    CameraKind.STREAM: "see that it is on, this computer reaches it and its address is right",
    CameraKind.COMMAND: "run it by hand: it has to write motion JPEG on its standard output for"
    " as long as it runs",
    CameraKind.SIMULATED: "take another scenario, or wait until this one has it plugged in",
}
ROUTE_REMEDY = {
    RouteKind.MAIL: "see [mail]: host, port, security, username, password",
    RouteKind.TOPIC: "see [mqtt]: host, port, tls, username, password",
    RouteKind.WEBHOOK: "see that the address is right and that its server runs",
}
# Whether somebody who sleeps hears it; what really arrives only an alarm test shows.
ON_SILENT = {
    RouteKind.MAIL: "e-mail makes no sound on a telephone that is set to silent",
    RouteKind.PUSH: "makes no sound on a telephone that is set to silent, unless its owner"
    " lets this page through there",
    RouteKind.TOPIC: "what listens on this topic decides whether anybody hears it",
    RouteKind.WEBHOOK: "what takes it at this address decides whether anybody hears it",
    RouteKind.MESSENGER: "makes no sound on a telephone that is set to silent, unless its owner"
    " lets that app through there",
}
_ADVICE = re.compile(
    r"[;:,] (?=(?:switch|look|see|use|run|check|free|choose|fit|restart|name|unplug|stop"
    r"|its number may|sudo) )"
)


class State(StrEnum):
    """What trying has shown."""

    FIT = "fit"
    UNFIT = "UNFIT"
    NOT_TRIED = "not tried"  # only an alarm shows whether it works, or another thing comes first
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Found:
    """How one thing is, what it told, and what would help."""

    thing: str
    state: State
    told: str
    remedy: str = ""
    figures: Mapping[str, float | None] = field(default_factory=dict)

    def line(self) -> str:
        """One line for a person."""
        remedy = f" -> {self.remedy}" if self.remedy else ""
        return f"{self.state:9}  {self.thing}: {self.told}{remedy}"

    def record(self) -> dict[str, object]:
        """The same for a program."""
        return {
            "thing": self.thing,
            "state": self.state.value.lower(),
            "told": self.told,
            "remedy": self.remedy or None,
            **({"figures": dict(self.figures)} if self.figures else {}),
        }


def unfit(thing: str, reason: str, remedy: str) -> Found:
    """A driver's reason may end with better advice than the general remedy."""
    told, *advice = _ADVICE.split(reason, maxsplit=1)
    return Found(thing, State.UNFIT, told, advice[0] if advice else _let_in(told) or remedy)


def _let_in(reason: str) -> str:
    """What helps where a broker gives us nothing, however much is published there."""
    if "the broker" not in reason:
        return ""
    if "refuses the topic" in reason:
        return "let this user read the topic, in the broker's own settings"
    return let_in_by(reason)


def tested(thing: str, known: Readiness) -> Found:
    """Whether an alarm would reach people, as the last alarm test has shown."""
    told = f"{known.text[:1].lower()}{known.text[1:]}".removeprefix(f"{thing.rsplit(', ')[-1]} ")
    if known.ready:
        return Found(thing, State.FIT, told)
    if known.running:
        return Found(thing, State.NOT_TRIED, told)
    remedy = "begin one on the page Alarm test, or with stillair alarm-test while the service runs"
    if known.awaits:
        remedy = "say on the page Alarm test what arrived"
    return Found(thing, State.NONE, told, remedy)


def computer(of: Board, chambers: Sequence[ChamberSettings]) -> Iterator[Found]:
    """Supply, heat, clock, disk and memory of the board that watches these chambers."""
    for thing, judged in (
        ("supply", board.supply(of)),
        ("board's heat", board.heat(of)),
        ("clock", board.clock(of)),
        ("disk", board.disk(of)),
        ("memory", memory.judged(of.memory, chambers)),
    ):
        yield _judged(thing, judged)


def _judged(thing: str, judged: Judged) -> Found:
    states = {True: State.FIT, False: State.UNFIT, None: State.NONE}
    return Found(thing, states[judged.is_fit], judged.told, judged.remedy)


def one_wire_addresses(chambers: Iterable[ChamberSettings]) -> list[str]:
    """The chips that chamber files name."""
    return [
        sensor.address
        for chamber in chambers
        for sensor in chamber.sensors
        if sensor.driver == "onewire"
    ]


def unnamed_sensors(of: Board, named: Iterable[str]) -> Iterator[Found]:
    """Chips that answer on the 1-Wire line and stand in no chamber file."""
    known = frozenset(named)
    chips = [chip for chip in board.one_wire_chips(of.one_wire or ()) if chip not in known]
    if chips:
        yield Found(
            "other 1-Wire sensors",
            State.NONE,
            f"{', '.join(chips[:8])} answer{'' if len(chips) > 1 else 's'}, in no chamber file",
            "warm one in your hand to learn which it is, and name it by its address",
        )


def unnamed_camera(of: Board) -> str:
    """What to do about a camera that is plugged in where none is set."""
    return f"to watch by what is plugged in: camera.source = {of.cameras[0]}" if of.cameras else ""


def camera_remedy(kind: CameraKind, of: Board | None) -> str:
    """What to do about a camera that can't be reached; a device may have another number now."""
    if kind is CameraKind.DEVICE and of is not None and of.cameras:
        names = " or ".join(of.cameras[:3])
        return f"its number may have changed: name it {names} in camera.source"
    return CAMERA_REMEDY[kind]


def lasting_name(source: str, root: Path = ROOT) -> str:
    """What to write instead of a device's number, which goes to another camera one day."""
    if not re.fullmatch(r"/dev/video\d+", source):
        return ""
    device = (root / source.lstrip("/")).resolve()
    names = [name for name in camera_names(root / "dev/v4l") if Path(name).resolve() == device]
    return f"its number may change: name it {names[0]}" if names else ""


def certificate(kept: Certificates, own: Iterable[str], now_at: datetime) -> Found:
    """Do telephones get a certificate that they can trust, for the names this machine has?

    `own` are its names and addresses. A running service renews by itself what can be.
    """
    thing = "certificate"
    if not kept.wanted:
        return Found(thing, State.NONE, "it is spoken in clear, without HTTPS")
    anew = "stillair certificate make --new-authority, then let each telephone trust it"
    try:
        authority = kept.authority()
    except CertificateError as error:
        if isinstance(error.__cause__, PermissionError):
            return Found(thing, State.NOT_TRIED, str(error), "run this as the service's own user")
        return Found(thing, State.UNFIT, str(error), anew)
    if now_at < authority.begins_at:
        told = f"its authority was made on {authority.begins_at:%Y-%m-%d}, after today's date here"
        return Found(thing, State.UNFIT, told, "set the clock")
    if now_at >= authority.ends_at:
        told = f"its authority ended on {authority.ends_at:%Y-%m-%d}"
        return Found(thing, State.UNFIT, told, anew)
    server = kept.server()
    reason = why_due(authority, server, _vouched(authority, own), now_at)
    if server is None or reason is not None:
        return Found(thing, State.UNFIT, reason or "there is none", _renewal(server, now_at))
    told = f"until {server.ends_at:%Y-%m-%d}, for {', '.join(server.names[:4])}"
    return Found(
        thing, State.FIT, f"{told}; a telephone that doesn't trust it opens the page /trust"
    )


def _vouched(authority: Identity, own: Iterable[str]) -> list[str]:
    # Public addresses come and go, and such an authority can't vouch for them.
    return [name for name in usable_names(own) if vouches_for(authority.certificate, name)]


def _renewal(server: Identity | None, now_at: datetime) -> str:
    if server is not None and now_at < server.begins_at:
        return "set the clock, or make it anew: stillair certificate make"
    return "stillair certificate make; while the service runs it does so by itself"
