"""Switches on pins, on gpiozero's mock pins."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from gpiozero.pins.mock import MockFactory

from stillair.clock import ManualClock
from stillair.errors import ContactError
from stillair.model import ContactKind
from stillair.sensing.contacts import CHANGEOVER_S, ClosedMeans, GpioContact

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
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)  # whatever was chosen before
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "none-such")
    error = error_of(GpioContact("door", ContactKind.DOOR, PIN))
    assert "no way to the pins" in error.reason
    assert "as a user in the group gpio" in error.reason


def test_the_search_for_pins_warns_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    # As set up in pyproject.toml, a warning would fail this test as an error.
    monkeypatch.delenv("GPIOZERO_PIN_FACTORY", raising=False)
    monkeypatch.setattr("gpiozero.Device.pin_factory", None)
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


# --- a line that is supervised by a second contact ----------------------------

OTHER, FAULT = 27, 22
OPEN, CLOSED = True, False  # as the pulled-up pin reads


class Line:
    """A detector's changeover relay and its fault relay on three pins, moved by hand."""

    def __init__(self, factory: MockFactory, *, other: bool, fault: bool) -> None:
        self.clock = ManualClock()
        self._factory = factory
        self.contact = GpioContact(
            "smoke",
            ContactKind.DETECTOR,
            PIN,
            other_pin=OTHER if other else None,
            fault_pin=FAULT if fault else None,
            factory=factory,
            now_s=self.clock.now_s,
        )
        self._closed = (PIN, FAULT) if fault else (PIN,)

    def start(self, changed: Callable[[], None] = lambda: None) -> None:
        """Listen, and be well: a mock pin forgets its level when it is pulled up."""
        self.contact.start(changed)
        for pin in self._closed:
            self.set(pin, CLOSED)

    def set(self, pin: int, level: bool) -> None:
        mock = self._factory.pin(pin)
        (mock.drive_high if level is OPEN else mock.drive_low)()

    def says(self) -> bool | str | None:
        """Its state once it has come to rest: also what stands behind a fault."""
        said: bool | str | None = None
        for _ in range(2):
            try:
                said = self.contact.state()
            except ContactError as error:
                assert error.retry
                said = error.reason.split(":")[0]
            self.clock.advance(CHANGEOVER_S)
        return said


BOTH_OPEN = "both sides of its contact are open"
BOTH_CLOSED = "both sides of its contact are closed"
OWN_FAULT = "its own fault contact is open"


@pytest.mark.parametrize(
    ("levels", "says"),
    [
        pytest.param({}, False, id="well"),
        pytest.param({PIN: OPEN, OTHER: CLOSED}, True, id="gone off"),
        pytest.param({PIN: OPEN}, BOTH_OPEN, id="the wire of the closed side is cut"),
        pytest.param({OTHER: CLOSED}, BOTH_CLOSED, id="two wires touch"),
        pytest.param({FAULT: OPEN}, OWN_FAULT, id="the detector has no supply"),
        pytest.param({PIN: OPEN, FAULT: OPEN}, BOTH_OPEN, id="the whole cable is cut"),
        pytest.param(
            {PIN: OPEN, OTHER: CLOSED, FAULT: OPEN}, True, id="gone off and at fault: an alarm"
        ),
    ],
)
def test_a_cut_wire_is_trouble_and_neither_peace_nor_alarm(
    factory: MockFactory, levels: dict[int, bool], says: bool | str
) -> None:
    line = Line(factory, other=True, fault=True)
    line.start()
    assert line.says() is False
    for pin, level in levels.items():
        line.set(pin, level)
    assert line.says() == says
    line.set(OTHER, OPEN)
    line.set(PIN, CLOSED)
    line.set(FAULT, CLOSED)
    assert line.says() is False, "a line that is mended is well again"
    line.contact.close()


def test_with_a_fault_contact_alone_a_cut_cable_is_still_an_alarm(factory: MockFactory) -> None:
    line = Line(factory, other=False, fault=True)
    line.start()
    line.set(FAULT, OPEN)
    assert line.says() == OWN_FAULT
    line.set(PIN, OPEN)
    assert line.says() is True
    line.contact.close()


def test_of_a_detector_on_a_broken_line_it_is_said_that_it_may_have_gone_off(
    factory: MockFactory,
) -> None:
    line = Line(factory, other=True, fault=False)
    line.contact.start(lambda: None)
    assert line.says() == BOTH_OPEN
    with pytest.raises(ContactError, match="go and look, for it may have gone off as well"):
        line.contact.state()
    line.contact.close()


def test_a_flicker_of_the_fault_contact_is_no_alarm(factory: MockFactory) -> None:
    line = Line(factory, other=False, fault=True)
    line.start()
    assert line.says() is False
    line.set(FAULT, OPEN)
    line.set(FAULT, CLOSED)
    assert line.contact.state() is False
    line.contact.close()


def test_on_its_way_a_relay_is_neither_a_fault_nor_an_alarm(factory: MockFactory) -> None:
    line = Line(factory, other=True, fault=False)
    line.start()
    assert line.says() is False
    line.set(PIN, OPEN)
    assert line.contact.state() is False
    line.clock.advance(CHANGEOVER_S / 2)
    assert line.contact.state() is False
    line.set(OTHER, CLOSED)
    assert line.contact.state() is True
    line.contact.close()


def test_a_line_that_is_broken_at_the_start_is_never_said_to_be_well(factory: MockFactory) -> None:
    line = Line(factory, other=True, fault=False)
    line.contact.start(lambda: None)
    assert line.contact.state() is None
    assert line.says() == BOTH_OPEN
    line.contact.close()


def test_a_short_alarm_of_a_changeover_contact_counts_once_and_a_flicker_of_one_wire_never(
    factory: MockFactory,
) -> None:
    line = Line(factory, other=True, fault=False)
    line.start()
    assert line.says() is False
    line.set(PIN, OPEN)
    line.set(PIN, CLOSED)
    assert line.contact.state() is False
    for level in (OPEN, CLOSED):
        line.set(PIN, level)
        line.set(OTHER, not level)
    assert [line.contact.state(), line.contact.state()] == [True, False]
    line.contact.close()


def test_each_of_its_edges_is_told(factory: MockFactory) -> None:
    changes: list[None] = []
    line = Line(factory, other=True, fault=True)
    line.start(lambda: changes.append(None))
    changes.clear()
    for pin, level in ((PIN, OPEN), (OTHER, CLOSED), (FAULT, OPEN)):
        line.set(pin, level)
    assert len(changes) == 3
    line.contact.close()


def test_when_one_pin_is_taken_the_others_are_given_back(
    factory: MockFactory, start: Start
) -> None:
    start("safe")  # holds PIN
    line = GpioContact("smoke", ContactKind.DETECTOR, 5, other_pin=PIN, factory=factory)
    assert error_of(line).reason == "GPIO 17 serves something else already"
    free = GpioContact("hatch", ContactKind.DOOR, 5, factory=factory)
    free.start(lambda: None)
    assert free.state() is True
    free.close()


def test_a_pin_can_serve_a_line_only_once() -> None:
    with pytest.raises(ValueError, match="have to differ"):
        GpioContact("smoke", ContactKind.DETECTOR, PIN, fault_pin=PIN)
