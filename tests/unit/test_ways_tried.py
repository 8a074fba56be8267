"""A way to people that is refused shows by itself, and no server is asked again and again."""

from __future__ import annotations

import threading
from collections.abc import Callable

from stillair.errors import DeliveryError
from stillair.runtime.found import State
from stillair.runtime.reaching import Trial
from stillair.runtime.ways_tried import DAY_S, LONGEST_S, WaysTried


class Mail:
    """A mail server that lets in or refuses."""

    def __init__(self) -> None:
        self.tries = 0
        self.refuses = True
        self.meanwhile: Callable[[], object] = lambda: None

    def check(self) -> str:
        self.tries += 1
        self.meanwhile()
        if self.refuses:
            raise DeliveryError("shed", "it refused the password", retry=True, remedy="another one")
        return "it answers"

    def close(self) -> None:
        pass


class Shed:
    """A service whose ways are looked at once a minute."""

    def __init__(self, *mails: Mail, people: tuple[str, ...] = ("cox",)) -> None:
        self.told: list[tuple[str, bool, str]] = []
        self.now_s = 0.0
        self.ways = WaysTried(
            {f"bench {n}": [Trial("mail", people, of, "see [mail]")] for n, of in enumerate(mails)},
            lambda *told: self.told.append(told),
            lambda: self.now_s,
        )

    def pass_s(self, for_s: float) -> None:
        end_s = self.now_s + for_s
        while self.now_s < end_s:
            self.ways.look()
            self.now_s += 60.0


def test_a_refused_password_is_a_trouble_within_two_minutes_and_until_it_is_right() -> None:
    mail = Mail()
    shed = Shed(mail)
    shed.pass_s(60.0)
    assert shed.told == [], "it may only have been starting"
    (found,) = shed.ways.found("bench 0")
    assert (found.state, found.told) == (State.UNFIT, "it refused the password")
    shed.pass_s(60.0)
    assert shed.told == [("mail", True, "it refused the password (another one)")]
    mail.refuses = False
    shed.pass_s(LONGEST_S)
    assert shed.told[1:] == [("mail", False, "")]
    (found,) = shed.ways.found("bench 0")
    assert found.state is State.FIT


def test_what_was_put_right_over_a_restart_is_told_to_be_over_at_the_first_look() -> None:
    one, other = Mail(), Mail()
    one.refuses = False
    shed = Shed(one, other)
    shed.pass_s(60.0)
    assert shed.told == [], "one server of two still refuses"
    other.refuses = False
    shed.pass_s(120.0)
    assert shed.told == [("mail", False, "")], "once, and not each day"
    shed.pass_s(DAY_S)
    assert len(shed.told) == 1


def test_a_refused_password_is_not_tried_again_and_again() -> None:
    mail = Mail()
    shed = Shed(mail)
    shed.pass_s(DAY_S)
    assert 24 <= mail.tries <= 32
    assert len(shed.told) == 1


def test_what_was_let_in_is_tried_once_a_day_and_one_failure_is_no_trouble() -> None:
    mail = Mail()
    mail.refuses = False
    shed = Shed(mail)
    shed.pass_s(DAY_S)
    assert mail.tries == 1
    shed.told.clear()
    mail.refuses = True
    shed.pass_s(60.0)
    assert mail.tries == 2 and shed.told == []
    mail.refuses = False
    shed.pass_s(120.0)
    assert mail.tries == 3 and shed.told == []
    mail.refuses = True
    shed.pass_s(DAY_S + 180.0)
    assert [active for _, active, _ in shed.told] == [True]


def test_of_two_boxes_with_servers_of_their_own_one_that_fails_is_told_until_both_work() -> None:
    well, ill = Mail(), Mail()
    well.refuses = False
    shed = Shed(well, ill)
    shed.pass_s(180.0)
    assert [active for _, active, _ in shed.told] == [True]
    ill.refuses = False
    shed.pass_s(LONGEST_S)
    assert [active for _, active, _ in shed.told] == [True, False]


def test_by_what_tells_nobody_nobody_is_troubled() -> None:
    shed = Shed(Mail(), people=())
    shed.pass_s(600.0)
    assert shed.told == []


def test_one_server_of_many_boxes_is_tried_once_for_all_of_them() -> None:
    """Each with a wrong password of its own it would shut the board out."""
    mail = Mail()
    shed = Shed(mail, mail, mail)
    shed.pass_s(600.0)
    assert mail.tries == 4
    assert [next(shed.ways.found(f"bench {n}")).state for n in range(3)] == [State.UNFIT] * 3
    assert len(shed.told) == 1


def test_what_a_stop_cuts_short_says_nothing_of_its_server() -> None:
    mail = Mail()
    shed = Shed(mail)
    shed.pass_s(60.0)
    mail.meanwhile = shed.ways.stop
    shed.pass_s(60.0)
    assert mail.tries == 2 and shed.told == []


def test_a_server_that_is_reached_again_ends_no_trouble_of_messages_that_it_lost() -> None:
    told: list[tuple[str, bool, str]] = []
    now_s = 0.0
    address = "webhook:shed.example-0a1b2c3d"
    server = Mail()
    trial = Trial(address, ("cox",), server, "see that it runs")
    ways = WaysTried({"bench": [trial]}, lambda *each: told.append(each), lambda: now_s)
    ways.look()
    now_s = 60.0
    ways.look()
    server.refuses = False
    now_s = LONGEST_S
    ways.look()
    assert [active for _, active, _ in told] == [True, False]
    assert address not in [subject for subject, _, _ in told]
    assert [found.thing for found in ways.found("bench")] == [address]


def test_no_stop_waits_for_a_name_that_is_looked_up_in_vain() -> None:
    mail, found = Mail(), threading.Event()
    mail.meanwhile = found.wait
    shed = Shed(mail)
    for _ in range(3):
        shed.ways.begin()
    (trying,) = [each for each in threading.enumerate() if each.name == "ways to people"]
    assert trying.daemon, "the process ends all the same"
    shed.ways.stop()
    found.set()
    trying.join()
    assert mail.tries == 1
