"""What was learned of a chamber's heat comes back only to what it was learned from."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path
from typing import Any

import pytest

from stillair.config import ChamberSettings
from stillair.config.reading import chamber_from_text
from stillair.model import Afterwards, Kind, Place, Reading, Tick
from stillair.runtime.learned import afterwards_from_text, from_text, to_text
from stillair.runtime.marks import box_mark, sensor_marks
from stillair.runtime.plans import watch_plan
from stillair.thermal.balance import BalanceMemory
from stillair.thermal.core import ThermalWatch
from stillair.thermal.plan import SensorPlan, ThermalContext, ThermalPlan
from stillair.watch import Watch

FILE = """
[chamber]
name = "North bench"
enclosure = ["plywood", "foam"]

[[sensor]]
name = "top"
driver = "onewire"
address = "28-0000075c2f11"

[[sensor]]
name = "low"
driver = "onewire"
address = "28-0000075c30a4"
"""


AFTER = Afterwards(coldest_c=38.5, burnt=7)


def settings(text: str = FILE) -> ChamberSettings:
    return chamber_from_text(text, "bench.toml", Path())


def learned() -> BalanceMemory:
    """What some minutes with two sensors teach."""
    watch = ThermalWatch(
        ThermalPlan((SensorPlan("top", Place.CHAMBER), SensorPlan("low", Place.CHAMBER)))
    )
    for second in range(900):
        for name, above_k in (("top", 1.0), ("low", -1.0)):
            noise_k = 0.0625 * (second % 2)
            watch.take(Reading(name, float(second), 45.0 + above_k + noise_k))
        watch.tick(float(second), ThermalContext())
    return watch.memory()


def names_in(value: Any) -> set[str]:
    """The sensors that a memory knows, wherever in it they stand."""
    if isinstance(value, dict):
        return set(value).union(*map(names_in, value.values()))
    if dataclasses.is_dataclass(value):
        return set().union(
            *(names_in(getattr(value, f.name)) for f in dataclasses.fields(value)), set()
        )
    return set()


def test_it_comes_back_the_same() -> None:
    memory = learned()
    assert {"top", "low"} <= names_in(memory)
    assert from_text(to_text(memory, AFTER, settings()), settings()) == memory
    assert from_text(None, settings()) is None


def test_what_was_kept_before_the_losses_of_the_box_were_learned_is_read() -> None:
    kept = json.loads(to_text(learned(), AFTER, settings()))
    for name in ("cooling_per_min", "coolings", "heat_k_per_min"):
        del kept["balance"][name]
    assert from_text(json.dumps(kept), settings()) == learned()
    kept["balance"] |= {"cooling_per_min": 0.02, "coolings": 3.0, "heat_k_per_min": 0.6}
    found = from_text(json.dumps(kept), settings())
    assert found is not None
    assert (found.cooling_per_min, found.coolings, found.heat_k_per_min) == (0.02, 3.0, 0.6)


@pytest.mark.parametrize(
    ("old", "new", "left"),
    [
        pytest.param('name = "top"', 'name = "upper"', {"low"}, id="renamed"),
        pytest.param("2f11", "9999", {"low"}, id="replaced"),
        pytest.param("2f11", "30a4", {"low"}, id="moved to another's wire"),
        pytest.param('name = "top"\n', 'name = "top"\ncorrection_k = 2\n', {"low"}, id="corrected"),
        pytest.param('name = "top"\n', 'name = "top"\nplace = "bed"\n', {"low"}, id="moved"),
        pytest.param(
            'name = "North bench"', 'name = "North bench"\nlimit_c = 60', None, id="limit"
        ),
    ],
)
def test_a_sensor_that_is_another_inherits_nothing(
    old: str, new: str, left: set[str] | None
) -> None:
    text = FILE.replace(old, new)
    if old == "2f11" and new == "30a4":  # the two chips change their names
        text = FILE.replace("2f11", "swap").replace("30a4", "2f11").replace("swap", "30a4")
        left = set()
    found = from_text(to_text(learned(), AFTER, settings()), settings(text))
    assert found is not None
    assert names_in(found) & {"top", "low", "upper"} == ({"top", "low"} if left is None else left)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param(FILE.replace('"foam"', '"glass"'), id="another enclosure"),
        pytest.param(
            '[chamber]\nname = "North bench"\nenclosure = ["plywood", "foam"]\n'
            '[[sensor]]\nname = "top"\ndriver = "simulated"\n',
            id="simulated",
        ),
    ],
)
def test_another_box_learns_anew(text: str) -> None:
    assert from_text(to_text(learned(), AFTER, settings()), settings(text)) is None
    assert box_mark(settings(text)) != box_mark(settings())


def test_the_order_of_the_walls_says_nothing() -> None:
    text = FILE.replace('["plywood", "foam"]', '["foam", "plywood"]')
    assert box_mark(settings(text)) == box_mark(settings())
    assert sensor_marks(settings(text)) == sensor_marks(settings())


def broken(change: Any) -> str:
    kept = json.loads(to_text(learned(), AFTER, settings()))
    change(kept)
    return json.dumps(kept)


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("", id="nothing"),
        pytest.param("{", id="cut off"),
        pytest.param("[]", id="a list"),
        pytest.param("null", id="null"),
        pytest.param("[" * 100_000, id="deep"),
        pytest.param(" " * 300_000, id="huge"),
        pytest.param(broken(lambda k: k.pop("balance")), id="without the balance"),
        pytest.param(broken(lambda k: k.update(sensors=[])), id="marks of another shape"),
        pytest.param(broken(lambda k: k.update(balance="warm")), id="a word"),
        pytest.param(
            broken(lambda k: k["balance"].update({next(iter(k["balance"])): "x"})),
            id="a field of another type",
        ),
    ],
)
def test_what_is_broken_is_learned_anew(text: str) -> None:
    assert from_text(text, settings()) is None


def test_what_still_follows_comes_back_also_to_another_box() -> None:
    text = to_text(learned(), AFTER, settings())
    assert from_text(text, settings(FILE.replace("plywood", "acrylic"))) is None
    assert afterwards_from_text(text) == AFTER
    assert afterwards_from_text(None) == Afterwards()
    assert afterwards_from_text(broken(lambda k: k.pop("afterwards"))) == Afterwards()


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("{", id="cut off"),
        pytest.param("[]", id="a list"),
        pytest.param("[" * 100_000, id="deep"),
        pytest.param(" " * 300_000, id="huge"),
        pytest.param(broken(lambda k: k.update(afterwards="cold")), id="a word"),
        pytest.param(broken(lambda k: k["afterwards"].update(burnt="7")), id="a number's word"),
        pytest.param(broken(lambda k: k["afterwards"].update(coldest_c=1e999)), id="no figure"),
    ],
)
def test_of_what_is_broken_nothing_follows(text: str) -> None:
    assert afterwards_from_text(text) == Afterwards()


def test_no_figure_that_is_none_gets_in() -> None:
    text = to_text(learned(), AFTER, settings())
    start = text.index(":", text.index('"tau' if '"tau' in text else '"balance"'))
    number = next(i for i in range(start, len(text)) if text[i].isdigit())
    end = next(i for i in range(number, len(text)) if text[i] not in "0123456789.")
    for word in ("1e999", "NaN", "null"):
        assert from_text(text[:number] + word + text[end:], settings()) is None, word


def test_the_watch_gives_what_it_was_given() -> None:
    """A start and a stop with nothing between forget nothing."""
    memory = from_text(to_text(learned(), AFTER, settings()), settings())
    watch = Watch(watch_plan(settings()), balance=memory)
    watch.step(Tick(0.0))
    assert names_in(watch.balance()) >= {"top", "low"}
    assert Kind.FIRE not in {event.kind for event in watch.step(Tick(1.0)).events}
