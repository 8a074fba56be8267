"""A scripted chamber, read from TOML: what stands there, and what happens when.

    summary = "One quiet job"
    warm_start_s = 7200            # the physics runs this long before time 0
    repeat_s = 86400               # optional: the steps come again
    starts_at_h = 9.5              # hour of the day at time 0, for the room
    [enclosure]  [room]  [bed]  [heater]     # fields of Box, RoomPlan, BedPlan, HeaterPlan
    [[sensor]]   name = "top", place = "chamber", height = 0.9 ...   # fields of PointPlan
    [[contact]]  name = "door", kind = "door"
    [[step]]     at_s = 60, do = "open_door", for_s = 75

`ACTIONS` is the list of what a step can do, with its parameters. Steps take
effect at the next whole second; those before time 0 during the warm start.
Every fault in a file is reported at once.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final, TypeVar

from stillair.errors import SettingsError
from stillair.model import ContactKind, Place
from stillair.simulation.burning import GROWTH_KW_PER_S2
from stillair.simulation.fields import Flag, Number, OneOf, SomeOf, Spec, Text, Value, read
from stillair.simulation.materials import WALLS
from stillair.simulation.physics import BedPlan, Box, HeaterPlan, RoomPlan
from stillair.simulation.points import PointFault, PointKind, PointPlan

DAY_S: Final = 86400.0
FILE_LIMIT_BYTES: Final = 1 << 20
SENSOR_LIMIT: Final = 32
CONTACT_LIMIT: Final = 16
STEP_LIMIT: Final = 2000

_FOR: Final[Mapping[str, Spec]] = {"for_s": Number(1.0, 10 * DAY_S)}

ACTIONS: Final[Mapping[str, Mapping[str, Spec]]] = {
    "open_door": {"fraction": Number(0.02, 1.0, 1.0), **_FOR},
    "close_door": {},
    "draft": {
        "air_changes_per_h": Number(0.0, 500.0, needed=True),
        "upper_share": Number(0.0, 1.0, 0.5),  # of the cold air, into the upper layer
        **_FOR,
    },
    "fan": {"speed": Number(0.0, 1.0, needed=True), **_FOR},
    "part_fan": {"speed": Number(0.0, 1.0, needed=True), **_FOR},
    "heater_to": {"target_c": Number(-20.0, 120.0)},  # without a target: switched off
    "bed_to": {"target_c": Number(-20.0, 200.0)},
    "lose_heat": {"of": OneOf(("heater", "bed", "both"), "both"), **_FOR},
    "restore_heat": {},
    "sensor_fault": {
        "sensor": Text(needed=True),
        "fault": OneOf(tuple(PointFault), needed=True),
        "size_k": Number(-500.0, 500.0, 20.0),
        "drift_k_per_h": Number(-100.0, 100.0, 2.0),
        **_FOR,
    },
    "sensor_good": {"sensor": Text(needed=True)},
    "contact_on": {"contact": Text(needed=True), **_FOR},
    "contact_broken": {"contact": Text(needed=True), **_FOR},
    "lamp_off": {**_FOR},
    "lamp_on": {},
    "camera_lost": {**_FOR},
    "camera_frozen": {**_FOR},
    "camera_good": {},
    "hand": {"for_s": Number(1.0, 3600.0, 20.0)},
    "fire": {
        "growth": OneOf(tuple(GROWTH_KW_PER_S2), "medium"),
        "smoulder_s": Number(0.0, DAY_S, 0.0),
        "peak_kw": Number(0.01, 500.0, 20.0),
        "fuel_mj": Number(0.01, 1000.0, 10.0),
    },
    "fire_out": {},
    "job_start": {
        "name": Text(needed=True),
        "material": Text("ASA"),
        "machine": Text("the left bench"),
        "height_mm": Number(0.2, 1000.0, 40.0),
        "mass_g": Number(0.1, 20000.0, 120.0),
        "build_s": Number(60.0, 10 * DAY_S, 4 * 3600.0),
        "pieces": Number(1, 24, 6),
        "wide_mm": Number(0.0, 200.0, 0.0),  # of long, square ones; 0: round bushings
    },
    "job_pause": {**_FOR},
    "job_resume": {},
    "job_finish": {},
    "take_part": {},
}


@dataclass(frozen=True, slots=True)
class ContactPlan:
    """One simulated switch. A door's follows the door, a detector's the smoke; steps force any."""

    name: str
    kind: ContactKind = ContactKind.DOOR


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens: `do` is a key of `ACTIONS`, `values` its parameters, checked."""

    at_s: float
    do: str
    values: Mapping[str, Value] = field(default_factory=dict)

    def number(self, key: str) -> float | None:
        """A parameter that is a number, or None."""
        value = self.values.get(key)
        return value if isinstance(value, float) else None

    def text(self, key: str) -> str:
        """A parameter that is a text, or nothing."""
        value = self.values.get(key)
        return value if isinstance(value, str) else ""


@dataclass(frozen=True, slots=True)
class Scenario:
    """A chamber and its script; frozen, and checked by whoever read it."""

    name: str
    summary: str = ""
    enclosure: Box = field(default_factory=Box)
    room: RoomPlan = field(default_factory=RoomPlan)
    bed: BedPlan = field(default_factory=BedPlan)
    heater: HeaterPlan | None = None
    sensors: tuple[PointPlan, ...] = (PointPlan("top"),)
    contacts: tuple[ContactPlan, ...] = ()
    steps: tuple[Step, ...] = ()
    warm_start_s: float = 0.0
    repeat_s: float | None = None
    starts_at_h: float = 9.0


def action(at_s: float, do: str, **values: Value) -> Step:
    """A step with the defaults of its kind filled in; for scenarios made in code.

    Raises `SettingsError` for what a file would be refused for.
    """
    faults: list[str] = []
    step = _step("step", {"at_s": at_s, "do": do, **values}, faults)
    if faults or step is None:
        raise SettingsError("step", tuple(faults))
    return step


def list_scenarios() -> tuple[str, ...]:
    """Names of the built-in scenarios."""
    return tuple(
        sorted(
            item.name.removesuffix(".toml")
            for item in _shelf().iterdir()
            if item.name.endswith(".toml")
        )
    )


def load(name_or_path: str | Path) -> Scenario:
    """A built-in scenario by name, or one from a file. Raises `SettingsError` with all faults."""
    text = str(name_or_path)
    if isinstance(name_or_path, str) and text in list_scenarios():
        return parse((_shelf() / f"{text}.toml").read_bytes(), source=text)
    path = Path(name_or_path)
    if path.suffix != ".toml":
        known = ", ".join(list_scenarios())
        raise SettingsError(text, (f"no such scenario; known: {known}; or give a .toml file",))
    try:
        if not path.is_file():
            raise SettingsError(text, ("no such file",))
        with path.open("rb") as file:
            content = file.read(FILE_LIMIT_BYTES + 1)
    except OSError as error:
        raise SettingsError(text, (f"can't be read: {error.strerror or error}",)) from error
    return parse(content, source=text, name=path.stem)


def parse(content: bytes, *, source: str, name: str = "") -> Scenario:
    """The scenario in the bytes of a TOML file. Raises `SettingsError` with all faults."""
    if len(content) > FILE_LIMIT_BYTES:
        raise SettingsError(source, (f"larger than {FILE_LIMIT_BYTES} bytes",))
    try:
        document = tomllib.loads(content.decode())
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(source, (f"no valid TOML: {error}",)) from error
    except RecursionError as error:
        raise SettingsError(source, ("no valid TOML: nested too deeply",)) from error
    faults: list[str] = []
    scenario = _scenario(document, name or source, faults)
    if faults:
        raise SettingsError(source, tuple(faults))
    return scenario


_METRE: Final = Number(0.05, 5.0)
_TOP: Final[Mapping[str, Spec]] = {
    "summary": Text(""),
    "warm_start_s": Number(0.0, 2 * DAY_S, 0.0),
    "repeat_s": Number(60.0, 30 * DAY_S),
    "starts_at_h": Number(0.0, 24.0, 9.0),
}
_ENCLOSURE: Final[Mapping[str, Spec]] = {
    "walls": SomeOf(tuple(WALLS)),
    "width_m": _METRE,
    "depth_m": _METRE,
    "height_m": _METRE,
    "leak_per_h": Number(0.0, 100.0),
    "door_width_m": _METRE,
    "door_height_m": _METRE,
    "mix_m3_per_s": Number(0.0, 0.5),
    "stir_m_per_s": Number(0.0, 5.0),
    "machine_kg": Number(0.1, 200.0),
    "machine_area_m2": Number(0.01, 10.0),
}
_ROOM: Final[Mapping[str, Spec]] = {
    "mean_c": Number(-30.0, 60.0),
    "swing_k": Number(0.0, 30.0),
    "warmest_at_h": Number(0.0, 24.0),
}
_BED: Final[Mapping[str, Spec]] = {
    "width_m": _METRE,
    "depth_m": _METRE,
    "mass_kg": Number(0.1, 50.0),
    "power_w": Number(0.0, 5000.0),
    "target_c": Number(-20.0, 200.0),
}
_HEATER: Final[Mapping[str, Spec]] = {
    "power_w": Number(1.0, 5000.0),
    "target_c": Number(-20.0, 120.0),
    "hysteresis_k": Number(0.0, 10.0),
    "cut_out": Flag(),
    "capacity_j_per_k": Number(20.0, 20000.0),
    "conductance_w_per_k": Number(0.1, 100.0),
    "upper_share": Number(0.0, 1.0),
    "thermostat_tau_s": Number(1.0, 600.0),
}
_SENSOR: Final[Mapping[str, Spec]] = {
    "name": Text(needed=True),
    "place": OneOf(tuple(Place), Place.CHAMBER),
    "height": Number(0.0, 1.0),
    "kind": OneOf(tuple(PointKind), PointKind.METAL_CAN),
    "tau_s": Number(0.5, 600.0),
    "resolution_k": Number(0.0, 5.0),
    "noise_k": Number(0.0, 20.0),
    "offset_k": Number(-20.0, 20.0),
    "bed_view": Number(0.0, 1.0),
}
_CONTACT: Final[Mapping[str, Spec]] = {
    "name": Text(needed=True),
    "kind": OneOf(tuple(ContactKind), ContactKind.DOOR),
}
_TABLES: Final = ("enclosure", "room", "bed", "heater", "sensor", "contact", "step")

Made = TypeVar("Made")


def _scenario(document: Mapping[str, object], name: str, faults: list[str]) -> Scenario:
    top = {key: value for key, value in document.items() if key not in _TABLES}
    values = read(name, top, _TOP, faults)

    def made(kind: Callable[..., Made], key: str, specs: Mapping[str, Spec]) -> Made:
        found = read(key, document.get(key, {}), specs, faults)
        return kind(**{k: v for k, v in found.items() if v is not None})

    sensors = tuple(
        _point(where, row, faults) for where, row in _rows(document, "sensor", SENSOR_LIMIT, faults)
    )
    contacts = tuple(
        _contact(where, row, faults)
        for where, row in _rows(document, "contact", CONTACT_LIMIT, faults)
    )
    if not sensors:
        faults.append("sensor: at least one [[sensor]] is needed")
    for kind, names in (
        ("sensor", [point.name for point in sensors]),
        ("contact", [contact.name for contact in contacts]),
    ):
        faults.extend(
            f"{kind}: {twice!r} stands there more than once"
            for twice in sorted({n for n in names if n and names.count(n) > 1})
        )
    steps = []
    for where, row in _rows(document, "step", STEP_LIMIT, faults):
        step = _step(where, row, faults)
        if step is None:
            continue
        for key, known in (
            ("sensor", [point.name for point in sensors]),
            ("contact", [contact.name for contact in contacts]),
        ):
            named = step.text(key)
            if named and named not in known:
                faults.append(f"{where}.{key}: no {key} is named {named!r}; known: {known}")
        steps.append(step)
    box = made(Box, "enclosure", _ENCLOSURE)
    if box.door_width_m > max(box.width_m, box.depth_m) or box.door_height_m > max(
        box.height_m, box.depth_m
    ):
        faults.append("enclosure: the door is larger than the box")
    warm_s, repeat_s, hour = values["warm_start_s"], values["repeat_s"], values["starts_at_h"]
    for step in steps:
        if isinstance(warm_s, float) and step.at_s < -warm_s:
            faults.append(f"step: {step.do} at {step.at_s:g} s lies before the warm start")
        if isinstance(repeat_s, float) and not 0.0 <= step.at_s < repeat_s and step.at_s >= 0.0:
            faults.append(f"step: {step.do} at {step.at_s:g} s lies after repeat_s")
    return Scenario(
        name=name,
        summary=str(values["summary"] or ""),
        enclosure=box,
        room=made(RoomPlan, "room", _ROOM),
        bed=made(BedPlan, "bed", _BED),
        heater=made(HeaterPlan, "heater", _HEATER) if "heater" in document else None,
        sensors=sensors,
        contacts=contacts,
        steps=tuple(steps),
        warm_start_s=warm_s if isinstance(warm_s, float) else 0.0,
        repeat_s=repeat_s if isinstance(repeat_s, float) else None,
        starts_at_h=hour if isinstance(hour, float) else 9.0,
    )


def _rows(
    document: Mapping[str, object], key: str, limit: int, faults: list[str]
) -> list[tuple[str, object]]:
    rows = document.get(key, [])
    if not isinstance(rows, list):
        faults.append(f"{key}: must be tables written [[{key}]]")
        return []
    if len(rows) > limit:
        faults.append(f"{key}: at most {limit}, not {len(rows)}")
    return [(f"{key} {n}", row) for n, row in enumerate(rows[:limit], start=1)]


def _point(where: str, row: object, faults: list[str]) -> PointPlan:
    found = read(where, row, _SENSOR, faults)
    given = {k: v for k, v in found.items() if v is not None}
    given.setdefault("name", "")
    given["place"] = Place(str(found["place"] or Place.CHAMBER))
    given["kind"] = PointKind(str(found["kind"] or PointKind.METAL_CAN))
    make: Callable[..., PointPlan] = PointPlan
    return make(**given)


def _contact(where: str, row: object, faults: list[str]) -> ContactPlan:
    found = read(where, row, _CONTACT, faults)
    return ContactPlan(
        str(found["name"] or ""), ContactKind(str(found["kind"] or ContactKind.DOOR))
    )


def _step(where: str, row: object, faults: list[str]) -> Step | None:
    if not isinstance(row, Mapping):
        faults.append(f"{where}: must be a table")
        return None
    do = row.get("do")
    if not isinstance(do, str) or do not in ACTIONS:
        faults.append(f"{where}.do: must be one of {', '.join(ACTIONS)}")
        return None
    specs = {
        "at_s": Number(-2 * DAY_S, 30 * DAY_S, needed=True),
        "do": Text(needed=True),
        **ACTIONS[do],
    }
    values = read(f"{where} ({do})", row, specs, faults)
    at_s = values.pop("at_s")
    values.pop("do")
    if not isinstance(at_s, float):
        return None
    return Step(at_s, do, values)


def _shelf() -> Traversable:
    return resources.files("stillair.simulation") / "scenarios"
