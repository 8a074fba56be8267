"""What a chamber file says of somebody near, and what it can't say."""

from __future__ import annotations

import pytest

from stillair.config.reading import chamber_from_text, default_chamber
from stillair.errors import SettingsError
from stillair.runtime.attending import name_of
from stillair.runtime.plans import readings_plan, replay_plan, watch_plan

REAL = '[[sensor]]\nname = "top"\ndriver = "onewire"\naddress = "28-0000075c2f11"\n'
SIMULATED = '[[sensor]]\nname = "top"\ndriver = "simulated"\n'
FAST = f"{SIMULATED}[simulation]\nspeed = 60\n"


def chamber(rest: str, enclosure: str = "plywood") -> str:
    return f'[chamber]\nname = "north bench"\nenclosure = ["{enclosure}"]\n{rest}'


@pytest.mark.parametrize(
    ("text", "asks"),
    [
        pytest.param(chamber(REAL), True, id="unless told otherwise"),
        pytest.param(chamber(f"{REAL}[attendance]\nask = false\n"), False, id="told otherwise"),
        pytest.param(chamber(SIMULATED), True, id="simulated at life's own pace"),
        pytest.param(chamber(FAST), False, id="nobody could keep up"),
        pytest.param(chamber(f"{FAST}[attendance]\n"), True, id="fast, and wanted"),
        pytest.param(chamber(REAL, "metal"), None, id="a box that can't burn"),
    ],
)
def test_who_is_asked(text: str, asks: bool | None) -> None:
    plan = watch_plan(chamber_from_text(text, "shed")).attendance
    assert (None if plan is None else plan.asks) == asks


def test_the_plan_has_seconds_and_people_in_their_order() -> None:
    people = "".join(
        f'[[person]]\nname = "{name}"\nroutes = ["mailto:{name}@example.org"]\n'
        for name in ("stroke", "bow")
    )
    table = "[attendance]\nevery_min = 20\nstage_min = 2.5\n"
    settings = chamber_from_text(
        chamber(f'{REAL}{people}[mail]\nhost = "127.0.0.1"\n{table}'), "shed"
    )
    plan = watch_plan(settings).attendance
    assert plan is not None
    assert (plan.every_s, plan.stage_s, plan.people) == (1200.0, 150.0, ("stroke", "bow"))


def test_a_recording_asks_nobody() -> None:
    settings = default_chamber()
    assert watch_plan(settings).attendance is not None
    assert readings_plan(settings).attendance is None
    assert replay_plan(("top",), settings).attendance is None
    assert replay_plan(("top",), None).attendance is None


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        pytest.param("every_min = 4", "attendance.every_min = 4", id="too often"),
        pytest.param("every_min = 241", "attendance.every_min = 241", id="too seldom"),
        pytest.param("stage_min = 0", "attendance.stage_min = 0", id="no time at all"),
        pytest.param('near = ["192.168.4.7/24"]', "without a host", id="a host in its network"),
        pytest.param('near = ["the shed"]', "has to be a network", id="no network"),
        pytest.param('near = ["0.0.0.0/0"]', "too wide to be near: /8", id="everywhere"),
        pytest.param('near = ["2000::/3"]', "too wide to be near: /32", id="everywhere by IPv6"),
        pytest.param('near = "10.0.0.0/24"', "a list", id="no list"),
        pytest.param("often = true", "attendance.often", id="unknown"),
    ],
)
def test_each_fault_names_the_key(table: str, fault: str) -> None:
    with pytest.raises(SettingsError) as refused:
        chamber_from_text(chamber(f"{REAL}[attendance]\n{table}\n"), "shed")
    assert fault in " ".join(refused.value.faults)


def people(*rows: str) -> str:
    tables = "".join(f'[[person]]\n{row}\nroutes = ["mailto:a@example.org"]\n' for row in rows)
    return chamber(f'{REAL}{tables}[mail]\nhost = "127.0.0.1"\n')


@pytest.mark.parametrize(
    ("account", "name"),
    [
        pytest.param("captain", "bench captain", id="tied by the setting"),
        pytest.param("Captain", "bench captain", id="however it is written"),
        pytest.param("Cox", "cox", id="the same name"),
        pytest.param("bench captain", "bench captain", id="their own name as well"),
        pytest.param("stroke", "stroke", id="nobody of the file"),
        pytest.param("this computer", "", id="whoever sits here"),
    ],
)
def test_whose_tap_it_is(account: str, name: str) -> None:
    settings = chamber_from_text(
        people('name = "bench captain"\naccount = "captain"', 'name = "cox"'), "shed"
    )
    assert name_of(settings, account) == name


@pytest.mark.parametrize(
    "rows",
    [
        pytest.param(
            ('name = "bow"\naccount = "crew"', 'name = "cox"\naccount = "Crew"'), id="one for two"
        ),
        pytest.param(('name = "bow"\naccount = "Cox"', 'name = "cox"'), id="another's name"),
    ],
)
def test_an_account_is_one_persons(rows: tuple[str, str]) -> None:
    with pytest.raises(SettingsError, match="an account is one person's"):
        chamber_from_text(people(*rows), "shed")


def test_ones_own_name_may_be_the_account() -> None:
    assert chamber_from_text(people('name = "cox"\naccount = "Cox"'), "shed").people
