"""Switches on pins, on gpiozero's mock pins."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from gpiozero.pins.mock import MockFactory

from stillair.errors import ContactError
from stillair.model import ContactKind
from stillair.sensing.contacts import ClosedMeans, GpioContact

PIN = 17


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.reset()


Start = Callable[[ClosedMeans], GpioContact]


@pytest.fixture
def start(factory: MockFactory) -> Iterator[Start]:
    """Start a contact that is closed after the test."""
    made: list[GpioContact] = []

    def begin(closed_means: ClosedMeans) -> GpioContact:
        contact = GpioContact(
            "door", ContactKind.DOOR, PIN, closed_means=closed_means, factory=factory
        )
        contact.start(lambda: None)
        made.append(contact)
        return contact

    yield begin
    for contact in made:
        contact.close()
        contact.close()


@pytest.mark.parametrize(
    ("closed_means", "closed", "active"),
    [
        pytest.param("safe", True, False, id="a shut door"),
        pytest.param("safe", False, True, id="an open door or a cut wire"),
        pytest.param("alarm", True, True, id="a pressed button"),
        pytest.param("alarm", False, False, id="a button left alone"),
    ],
)
def test_what_a_switch_means(
    factory: MockFactory, start: Start, closed_means: ClosedMeans, closed: bool, active: bool
) -> None:
    contact = start(closed_means)
    pin = factory.pin(PIN)
    if closed:
        pin.drive_low()
    contact.state()
    assert contact.state() is active


def test_the_pin_is_pulled_up_and_debounced(factory: MockFactory, start: Start) -> None:
    start("safe")
    pin = factory.pin(PIN)
    assert (pin.function, pin.pull, pin.bounce) == ("input", "up", 0.02)


@pytest.mark.parametrize(
    ("closed_means", "presses"),
    [
        pytest.param("alarm", ("drive_low", "drive_high"), id="button"),
        pytest.param("safe", ("drive_low", "drive_high", "drive_low"), id="door"),
    ],
)
def test_a_short_press_between_two_looks_counts_once(
    factory: MockFactory, start: Start, closed_means: ClosedMeans, presses: tuple[str, ...]
) -> None:
    contact = start(closed_means)
    for press in presses:
        getattr(factory.pin(PIN), press)()
    assert [contact.state(), contact.state()] == [True, False]


def test_each_change_is_told(factory: MockFactory) -> None:
    changes: list[None] = []
    contact = GpioContact("door", ContactKind.DOOR, PIN, factory=factory)
    contact.start(lambda: changes.append(None))
    factory.pin(PIN).drive_low()
    factory.pin(PIN).drive_high()
    contact.close()
    assert len(changes) == 2


def test_before_the_start_nothing_is_known(factory: MockFactory) -> None:
    assert GpioContact("door", ContactKind.DOOR, PIN, factory=factory).state() is None


def error_of(contact: GpioContact) -> ContactError:
    contact.start(lambda: None)
    with pytest.raises(ContactError):
        contact.state()
    with pytest.raises(ContactError) as caught:
        contact.state()
    contact.close()
    assert not caught.value.retry
    return caught.value


def test_a_pin_that_is_taken_is_told(factory: MockFactory, start: Start) -> None:
    start("safe")
    error = error_of(GpioContact("other", ContactKind.DETECTOR, PIN, factory=factory))
    assert error.reason == "GPIO 17 serves something else already"


def test_a_pin_that_the_board_has_not_is_told(factory: MockFactory) -> None:
    error = error_of(GpioContact("door", ContactKind.DOOR, 99, factory=factory))
    assert error.reason == "this board has no GPIO 99"


def test_a_machine_without_pins_is_told_with_its_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    error = error_of(GpioContact("door", ContactKind.DOOR, PIN))
    assert "no way to the pins" in error.reason
    assert "as a user in the group gpio" in error.reason


def test_the_search_for_pins_warns_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    # As set up in pyproject.toml, a warning would fail this test as an error.
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr("gpiozero.Device._default_pin_factory", no_factory)
    assert "no way to the pins" in error_of(GpioContact("door", ContactKind.DOOR, PIN)).reason


def no_factory() -> None:
    import warnings

    from gpiozero import BadPinFactory

    warnings.warn("falling back", stacklevel=1)
    raise BadPinFactory("Unable to load any default pin factory!")


def test_a_pin_that_fails_later_is_told(
    factory: MockFactory, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    contact = start("safe")

    def fail() -> bool:
        raise OSError("the driver\nwent away")

    monkeypatch.setattr(factory.pin(PIN), "_get_state", fail)
    with pytest.raises(ContactError, match="GPIO 17 can't be read: the driver went away"):
        contact.state()


def test_settings_that_make_no_sense_are_refused() -> None:
    with pytest.raises(ValueError, match="safe or alarm"):
        GpioContact("door", ContactKind.DOOR, PIN, closed_means="shut")  # type: ignore[arg-type]  # as from a file
    with pytest.raises(ValueError, match="no GPIO number"):
        GpioContact("door", ContactKind.DOOR, -1)
