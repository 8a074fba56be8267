"""The settings of one chamber, frozen: everything that a chamber file says.

Every field's description and limits stand here and in `inputs` and `reach`
once: the check at start, the words of a fault and the table in
deploy/settings.md are all made from them. Rules between tables are in `together`.
"""

from __future__ import annotations

import hashlib
import json
from enum import StrEnum
from functools import cached_property
from typing import Annotated, Any

from pydantic import Field, Strict, ValidationInfo, field_validator

from stillair.config.attendance import AttendanceTable
from stillair.config.before import BeforeTable
from stillair.config.company import HeartbeatTable, Neighbours
from stillair.config.hall import HallTable
from stillair.config.inputs import (
    AnyContact,
    AnyParticles,
    AnySensor,
    CameraTable,
    RecordingTable,
    SimulationTable,
)
from stillair.config.jobs import JobsTable
from stillair.config.materials import MATERIALS, USUAL_LIMIT_C, Material, can_burn, weakest
from stillair.config.reach import (
    AnySounder,
    MailTable,
    MqttTable,
    PageTable,
    PersonTable,
    PushTable,
    WebhookTable,
)
from stillair.config.stop import StopTable
from stillair.config.tables import Table
from stillair.config.testing import AlarmTestTable
from stillair.config.toolpaths import MachineTable, ToolpathsTable
from stillair.config.values import Name, Otherwise, Zone
from stillair.model import chamber_key


def _usual_limit_c(data: dict[str, Any]) -> float:
    return min(USUAL_LIMIT_C, weakest(data.get("enclosure", ()))[1])


class ChamberTable(Table):
    name: Name = Field(description="What people call the chamber.")
    enclosure: Annotated[tuple[Annotated[Material, Strict(False)], ...], Strict(False)] = Field(
        default=(Material.OTHER,),
        min_length=1,
        max_length=len(Material),
        description="What the box is made of, everything that counts; the worst decides.",
    )
    limit_c: Annotated[
        float,
        Field(ge=30, le=MATERIALS[Material.METAL].bears_c),
        Otherwise(f"{USUAL_LIMIT_C:g}, or what the box bears if that is less"),
    ] = Field(
        default_factory=_usual_limit_c,
        description="Air above this is an alarm. Refused above what the box bears.",
    )
    target_c: Annotated[float, Field(ge=20, le=139)] | None = Field(
        default=None,
        description="The air that the job wants; without it nothing is said to be too cool.",
    )
    timezone: Annotated[Zone | None, Otherwise("the machine's own")] = Field(
        default=None, description="Zone of the times in messages; the page uses the reader's."
    )
    width_mm: Annotated[float, Field(ge=50, le=10_000)] | None = Field(
        default=None, description="Inside width, for the drawing."
    )
    depth_mm: Annotated[float, Field(ge=50, le=10_000)] | None = Field(
        default=None, description="Inside depth, for the drawing."
    )
    height_mm: Annotated[float, Field(ge=50, le=10_000)] | None = Field(
        default=None, description="Inside height, for the drawing."
    )

    @field_validator("limit_c")
    @classmethod
    def _bearable(cls, limit_c: float, info: ValidationInfo) -> float:
        material, bears_c = weakest(info.data.get("enclosure", (Material.METAL,)))
        if limit_c > bears_c:
            because = MATERIALS[material].because
            raise ValueError(
                f"is more than {material} bears: {bears_c:g} or less is right ({because})"
            )
        return limit_c

    @field_validator("target_c")
    @classmethod
    def _below_limit(cls, target_c: float | None, info: ValidationInfo) -> float | None:
        limit_c = info.data.get("limit_c")
        if target_c is not None and limit_c is not None and target_c >= limit_c:
            raise ValueError(f"has to be below limit_c, which is {limit_c:g}")
        return target_c

    @property
    def combustible(self) -> bool:
        return can_burn(self.enclosure)


class HistoryTable(Table):
    keep_days: Annotated[int, Field(ge=1, le=36_500)] = Field(
        default=365, description="Readings older than this are given up; events of jobs are not."
    )
    keep_mb: Annotated[int, Field(ge=20, le=1_000_000)] = Field(
        default=1000, description="The oldest readings are given up when there is more than this."
    )


class ClipsTable(Table):
    events: bool = Field(
        default=True,
        description="Whether films are kept of events, from 30 s before to 60 s after.",
    )
    time_lapse: bool = Field(
        default=True, description="Whether a film of at most 30 s is made of each job."
    )
    keep_mb: Annotated[int, Field(ge=10, le=1_000_000)] = Field(
        default=200,
        description="The oldest films are given up when there is more than this; danger last.",
    )
    keep_days: Annotated[int, Field(ge=1, le=36_500)] = Field(
        default=365, description="Films older than this are given up, except those of danger."
    )


# What bears on nothing that is seen and decided.
OUTGOING = {
    "clips",
    "mail",
    "mqtt",
    "webhook",
    "push",
    "page",
    "people",
    "alarm_test",
    "heartbeat",
    "hall",
    "neighbours",
    "jobs",
    "before",
    "machine",
    "toolpaths",
}
# Whatever changes in one of these has to be tried anew by an alarm test.
REACH = {"people", "mail", "mqtt", "webhook", "push", "sounder", "stop"}


class Family(StrEnum):
    """Where the readings of a chamber come from; one chamber has one of these."""

    REAL = "real"
    RECORDED = "recorded"
    SIMULATED = "simulated"


class ChamberSettings(Table):
    """Everything that one chamber file says; `load_chamber` makes it."""

    chamber: ChamberTable
    sensors: Annotated[tuple[AnySensor, ...], Strict(False)] = Field(
        default=(), alias="sensor", max_length=64
    )
    particles: Annotated[tuple[AnyParticles, ...], Strict(False)] = Field(default=(), max_length=8)
    contacts: Annotated[tuple[AnyContact, ...], Strict(False)] = Field(
        default=(), alias="contact", max_length=32
    )
    camera: CameraTable | None = None
    recording: RecordingTable = RecordingTable()
    simulation: SimulationTable = SimulationTable()
    sounder: AnySounder | None = None
    stop: StopTable | None = None
    people: Annotated[tuple[PersonTable, ...], Strict(False)] = Field(
        default=(), alias="person", max_length=100
    )
    mail: MailTable | None = None
    mqtt: MqttTable | None = None
    attendance: AttendanceTable | None = None
    alarm_test: AlarmTestTable = AlarmTestTable()
    jobs: JobsTable = JobsTable()
    before: BeforeTable = BeforeTable()
    webhook: WebhookTable | None = None
    page: PageTable = PageTable()
    heartbeat: HeartbeatTable | None = None
    neighbours: Neighbours = Field(default=(), alias="neighbour", max_length=16)
    hall: HallTable | None = None
    push: PushTable = PushTable()
    machine: MachineTable = MachineTable()
    toolpaths: ToolpathsTable = ToolpathsTable()
    history: HistoryTable = HistoryTable()
    clips: ClipsTable = ClipsTable()

    @property
    def name(self) -> str:
        return self.chamber.name

    @property
    def key(self) -> str:
        """The chamber's name as it stands in ids, paths and addresses."""
        return chamber_key(self.chamber.name)

    @property
    def timezone(self) -> str | None:
        return self.chamber.timezone

    @property
    def combustible(self) -> bool:
        """True when any part of the enclosure burns."""
        return self.chamber.combustible

    @property
    def asks_for_presence(self) -> bool:
        """Whether somebody is asked to be near this box while it is hot.

        Where time is played fast nobody could keep up, so there only if it is wanted.
        """
        wanted = self.speed == 1.0 if self.attendance is None else self.attendance.ask
        return self.combustible and wanted

    @property
    def family(self) -> Family:
        """Where the readings come from."""
        drivers = {sensor.driver for sensor in self.sensors}
        if "simulated" in drivers:
            return Family.SIMULATED
        return Family.RECORDED if "recording" in drivers else Family.REAL

    @property
    def simulated(self) -> bool:
        """True when the readings are a simulated chamber's, which every page has to say."""
        return self.family is Family.SIMULATED

    @property
    def speed(self) -> float:
        """How many times as fast as life this chamber's time runs; 1 for real sensors."""
        match self.family:
            case Family.SIMULATED:
                return self.simulation.speed
            case Family.RECORDED:
                return self.recording.speed
            case Family.REAL:
                return 1.0

    @property
    def fingerprint(self) -> str:
        """Twelve characters that change with any setting that bears on what is seen and decided."""
        drawn: dict[str, Any] = {"sensors": {"__all__": {"drawn_at"}}}  # shown, and nothing more
        whole = dict.fromkeys(OUTGOING, True)
        return mark_of(self.model_dump(mode="json", exclude={**whole, **drawn}))

    @cached_property
    def reach_mark(self) -> str:
        """Twelve characters that change with any setting by which an alarm reaches somebody."""
        # Passwords are no part of it: they are left out of what a secret shows of itself.
        return mark_of(self.model_dump(mode="json", include=REACH))


def mark_of(plain: object) -> str:
    """Twelve characters that change with what is given."""
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()[:12]
