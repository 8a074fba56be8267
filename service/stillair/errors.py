"""Every error Stillair raises on purpose.

    StillairError
    +-- SettingsError        the chamber file is wrong; lists every fault
    +-- InputError           a recorded file is wrong; names line and column
    |   +-- ToolpathError    a toolpath is wrong; names the line
    +-- SensorError          a sensor gave no usable reading
    +-- ContactError         a switch input can't be read
    +-- CameraError          a camera gave no usable picture
    +-- StoreError           history can't be kept or read
    |   +-- CopyError        only what pages read can't be read: all is kept
    +-- DeliveryError        a message did not go out on a route
    +-- AccessError          somebody may not do this
    +-- CertificateError     the certificate can't be made, read or renewed
    +-- CommandRefused       a command does not fit the present state
    +-- TimeOrderError       time handed to a detector went backwards

Drivers map every error of a lower library to one of these, so that a caller
needs no knowledge of that library. `retry` says whether asking again can help.
"""

from __future__ import annotations

from enum import StrEnum


class StillairError(Exception):
    """Base of all errors that Stillair raises on purpose."""


class SettingsError(StillairError):
    """The chamber file can't be used; `faults` holds one sentence per fault, all of them."""

    def __init__(self, source: str, faults: tuple[str, ...]) -> None:
        super().__init__(f"{source}: " + "; ".join(faults))
        self.source = source
        self.faults = faults


class InputError(StillairError):
    """A recorded file can't be read; the message is one line naming line and column."""


class ToolpathError(InputError):
    """A toolpath can't be understood: `line`, from 1, and what is wrong there."""

    def __init__(self, line: int, reason: str) -> None:
        super().__init__(f"line {line}: {reason}")
        self.line = line
        self.reason = reason


class ReadingFault(StrEnum):
    """Why an indication could not be turned into a temperature."""

    NOT_CONVERTED = "not_converted"  # power-on value or failed conversion, as the chip tells it
    BAD_CHECKSUM = "bad_checksum"
    OPEN_CIRCUIT = "open_circuit"
    SHORT_TO_GROUND = "short_to_ground"
    SHORT_TO_SUPPLY = "short_to_supply"
    OUT_OF_RANGE = "out_of_range"
    VANISHED = "vanished"  # was there, is no longer on the bus
    UNREADABLE = "unreadable"  # bus error, malformed answer
    SILENT = "silent"  # no answer in time


class SensorError(StillairError):
    """A sensor gave no usable reading; `retry` says if asking again can help."""

    def __init__(
        self,
        sensor: str,
        reason: str,
        *,
        fault: ReadingFault = ReadingFault.UNREADABLE,
        retry: bool = True,
    ) -> None:
        super().__init__(f"{sensor}: {reason}")
        self.sensor = sensor
        self.reason = reason
        self.fault = fault
        self.retry = retry


class ContactError(StillairError):
    """A switch input can't be read or set up."""

    def __init__(self, contact: str, reason: str, *, retry: bool) -> None:
        super().__init__(f"{contact}: {reason}")
        self.contact = contact
        self.reason = reason
        self.retry = retry


class CameraError(StillairError):
    """A camera gave no usable picture; `retry` says if opening it again can help.

    `remedy`: what would, where that is something else than for others of its kind.
    """

    def __init__(self, source: str, reason: str, *, retry: bool, remedy: str = "") -> None:
        super().__init__(f"{source}: {reason}")
        self.source = source
        self.reason = reason
        self.retry = retry
        self.remedy = remedy


class StoreError(StillairError):
    """History can't be kept or read just now."""


class CopyError(StoreError):
    """The copy of the store that pages read can't be read just now; the store itself can."""


class NoRoomError(StillairError):
    """There is no room for what somebody sends just now."""


class DeliveryError(StillairError):
    """A message did not go out; `retry` says if sending it again can help.

    `remedy`: what a person may put right, where that is known; `wait_s`: how long the
    other side asks not to be tried again, where it does.
    """

    def __init__(
        self,
        route: str,
        reason: str,
        *,
        retry: bool,
        remedy: str = "",
        wait_s: float | None = None,
    ) -> None:
        super().__init__(f"{route}: {reason}")
        self.route = route
        self.reason = reason
        self.retry = retry
        self.remedy = remedy
        self.wait_s = wait_s


class AccessError(StillairError):
    """This can't be done with people, sessions or tokens as they are."""


class UnfitError(AccessError):
    """A name, a password or what a token is narrowed to doesn't fit."""


class NotKnownError(AccessError):
    """Name, password or code is wrong; it doesn't say which."""


class CertificateError(StillairError):
    """The certificate can't be made, read or renewed; the message says what to do."""


class Refusal(StrEnum):
    """Why a command was not carried out."""

    UNKNOWN = "unknown"  # no such job or alarm
    CONFLICT = "conflict"  # does not fit the present state
    FORBIDDEN = "forbidden"  # never possible, e.g. shelving a fire


class CommandRefused(StillairError):
    """A command does not fit the present state; nothing was changed."""

    def __init__(self, refusal: Refusal, reason: str) -> None:
        super().__init__(reason)
        self.refusal = refusal
        self.reason = reason


class TimeOrderError(StillairError):
    """Time handed to a detector did not increase."""
