"""What may be posted, and the shape of what is answered."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, WithJsonSchema

from stillair.access.roles import Role, Scope
from stillair.alerts.telephones import ENDPOINT_CHARACTERS
from stillair.model import Heard, JobOutcome, Kind, Place
from stillair.runtime.answering import MOST_QUIET_MINUTES
from stillair.storage.history import Page

Text = Annotated[str, Field(max_length=2000)]
Name = Annotated[str, Field(max_length=200)]


class Posted(BaseModel):
    """A body: unknown keys and wrong types are refused."""

    model_config = ConfigDict(extra="forbid", strict=True)


class NewJob(Posted):
    """A job that begins now."""

    name: Annotated[str, Field(min_length=1, max_length=200)]
    material: Name = ""
    machine: Name = ""
    notes: Text = ""
    chamber: Name | None = None
    toolpath: Annotated[str, Field(min_length=1, max_length=64)] | None = None


At = Annotated[str, WithJsonSchema({"type": "string", "format": "date-time"})]


class CorrectedJob(Posted):
    """What a job really was; what is left out stays."""

    name: Annotated[str | None, Field(max_length=200)] = None
    material: Annotated[str | None, Field(max_length=200)] = None
    machine: Annotated[str | None, Field(max_length=200)] = None
    notes: Annotated[str | None, Field(max_length=2000)] = None
    started_at: At | None = None
    finished_at: At | None = None


class Progress(Posted):
    """How high the part is by now."""

    height_mm: Annotated[float, Field(ge=0, le=2000, allow_inf_nan=False)]


class Note(Posted):
    """A remark on the present moment."""

    text: Annotated[str, Field(min_length=1, max_length=2000)]


Celsius = Annotated[float, Field(ge=-20, le=300, allow_inf_nan=False)]


class SensorIf(Posted):
    """How one sensor would be taken, where that is different from now."""

    place: Annotated[Place | None, Field(strict=False)] = None
    limit_c: Celsius | None = None


class ToldOutcome(Posted):
    """How a job came out; null takes back what was told."""

    outcome: Annotated[JobOutcome | None, Field(strict=False)]


class OtherSettings(Posted):
    """Settings to try; what isn't named stays as it is, and null takes the target away.

    `material` is tried instead of the job's own: each has a band of its own.
    """

    material: Name | None = None
    limit_c: Celsius | None = None
    target_c: Celsius | None = None
    sensors: Annotated[dict[Name, SensorIf], Field(max_length=64)] = {}


class Shelving(Posted):
    """Quiet for a while, and why."""

    minutes: Annotated[float, Field(gt=0, le=480, allow_inf_nan=False)]
    reason: Name = ""


class Opening(Posted):
    """For how long the door is expected to be open, and why, if somebody wants to say so."""

    minutes: Annotated[float, Field(ge=1, le=30, allow_inf_nan=False)] = 3.0
    reason: Name = ""


class InService(Posted):
    """Which alarm: its kind, and of a sensor, route or store which one."""

    kind: Annotated[Kind, Field(strict=False)]
    subject: Name = ""


class OutOfService(InService):
    """Which alarm is switched off, and why."""

    reason: Annotated[str, Field(min_length=1, max_length=200)]


class MachineTried(Posted):
    """Whether the machine really stopped when that was tried."""

    worked: bool


class HandingOver(Posted):
    """Who is asked to be near from now on."""

    to: Name


class LettingRun(Posted):
    """Why nobody has to be near, and which job is meant; without one, that of the chamber."""

    reason: Name
    job: Name = ""


class NewAlarmTest(Posted):
    """An alarm test that begins now, of a chamber or of the first."""

    chamber: Name | None = None


class ConfirmedTest(Posted):
    """What somebody says of the messages of a test: of one route, or of all of a person's.

    "heard": it arrived and was heard; "silent": it arrived, and made no sound; "nothing".
    """

    person: Name
    heard: Annotated[Heard, Field(strict=False)]
    route: Annotated[str, Field(max_length=1000)] | None = None


class HeardOfTest(Posted):
    """What the person of a link says of the one message that it came with."""

    heard: Annotated[Heard, Field(strict=False)]


class AnsweredTest(BaseModel):
    """A message of an alarm test, as the one who got it may confirm it."""

    person: str
    until_at: str
    name: str
    at: str
    route: str
    heard: Heard | None
    open: bool
    text: str


class Pausing(Posted):
    """For how long the camera looks away."""

    minutes: Annotated[float, Field(gt=0, le=480, allow_inf_nan=False)]


class Quieting(Posted):
    """Quiet for a while, by the link of a message."""

    minutes: Annotated[float, Field(ge=1, le=MOST_QUIET_MINUTES, allow_inf_nan=False)]


class Judgement(Posted):
    """What somebody who looked says of an event: false, so nothing, or not; and a remark."""

    false: bool
    note: Text = ""


PersonName = Annotated[str, Field(max_length=100)]
Password = Annotated[str, Field(max_length=1000)]
AnyRole = Annotated[Role, Field(strict=False)]


class NewOwner(Posted):
    """The first owner, and the code that the console shows."""

    code: Annotated[str, Field(max_length=40)]
    name: PersonName
    password: Password


class NewPerson(Posted):
    """Somebody who may sign in from now on."""

    name: PersonName
    role: AnyRole
    password: Password


class OtherRole(Posted):
    """Who gets which role."""

    name: PersonName
    role: AnyRole


class OtherPassword(Posted):
    """One's own new password; the old one shows that it is one's own."""

    old: Password
    new: Password


class Named(Posted):
    """Who or what is meant."""

    name: PersonName


class NewToken(Posted):
    """A token for a program: all that the role may, or with `scopes` for these things only.

    With `chamber` it acts in that chamber only.
    """

    name: PersonName
    role: AnyRole
    scopes: Annotated[
        list[Annotated[Scope, Field(strict=False)]], Field(max_length=len(Scope))
    ] = []
    chamber: Name | None = None


class MadeToken(BaseModel):
    """A token, shown this once."""

    token: str


class SignIn(Posted):
    """Who signs in."""

    name: Annotated[str, Field(max_length=100)]
    password: Annotated[str, Field(max_length=1000)]


class NewTelephone(Posted):
    """A telephone as its browser describes it (Push API, `PushSubscription.toJSON`).

    Its address and keys are secret. `replaces` is the id under which it was known before.
    """

    person: Annotated[str, Field(min_length=1, max_length=40)]
    label: Annotated[str, Field(max_length=60)] = ""
    endpoint: Annotated[
        str, Field(max_length=ENDPOINT_CHARACTERS, pattern=r"^https://[!-~]+$", repr=False)
    ]
    p256dh: Annotated[
        str, Field(min_length=87, max_length=88, pattern=r"^[A-Za-z0-9_-]{87}=?$", repr=False)
    ]
    auth: Annotated[
        str, Field(min_length=22, max_length=24, pattern=r"^[A-Za-z0-9_-]{22}={0,2}$", repr=False)
    ]
    replaces: Annotated[str, Field(pattern=r"^[0-9a-f]{16}$")] | None = None


class JoinedTelephone(BaseModel):
    """A telephone that has joined; `failing` says why it didn't get the last message."""

    id: str
    person: str
    label: str
    added_at: str
    last_ok_at: str | None
    failing: str


class Joined(BaseModel):
    """All telephones, and the people whose telephones may join."""

    items: list[JoinedTelephone]
    people: list[str]


class SenderKey(BaseModel):
    """The public key by which telephones know this service, base64url."""

    key: str


class Tried(BaseModel):
    """Whether a trial was taken by the telephone's push service, and what it said."""

    taken: bool
    told: str


class Listing(BaseModel):
    """A page of a list, newest last; ask on with `after=next`."""

    items: list[dict[str, Any]]
    next: int | None


def listing(page: Page) -> Listing:
    """A page of the history as it is answered."""
    return Listing(items=[dict(entry.body) for entry in page.entries], next=page.next)


class Columns(BaseModel):
    """Readings in columns of one length; `time_s` is seconds since the epoch."""

    time_s: list[float]
    sensors: dict[str, list[float | None]]


class Differences(BaseModel):
    """What other settings would have told: each event "new", "gone", "changed" or "same"."""

    items: list[dict[str, Any]]


class Underway(BaseModel):
    """How far it is, from 0 to 1; null if it isn't being done."""

    share: float | None


class Created(BaseModel):
    """What a new thing is called; not `stored` yet: a power cut now could lose it."""

    id: str
    stored: bool = True


class Done(BaseModel):
    """The command was carried out; not `stored` yet: a power cut now could lose it."""

    done: bool = True
    stored: bool = True


class Attended(Done):
    """By when the next sign of somebody near is asked for; null where nobody is asked."""

    due_at: str | None


class AnsweredAlarm(BaseModel):
    """An alarm as the link of its message shows it.

    `alarm` is an item of /api/alarms. `temperatures` are those of this second, in degrees
    Celsius, null of a sensor that gives none. `can_see` and `can_quiet` say what may be posted.
    """

    person: str
    until_at: str
    chamber: str
    name: str
    family: str
    at: str
    alarm: dict[str, Any]
    danger: bool
    can_see: bool
    can_quiet: bool
    temperatures: dict[str, float | None]
    quiet_minutes: float
    stored: bool
    picture: str | None
    readings: str


class Ignoring(BaseModel):
    """One setting that would have kept an event from being told, and its words."""

    setting: str
    value: Any
    text: str


class Judged(BaseModel):
    """A word on an event was taken; which settings would have ignored it, and at what cost."""

    done: bool = True
    stored: bool = True
    settings: list[Ignoring]
    warning: str


class Seen(BaseModel):
    """What one rule of the camera saw; regions are left, top, right, bottom in shares (0 to 1)."""

    sign: str
    strength: float
    regions: list[tuple[float, float, float, float]]
    share: float | None


class Evidence(BaseModel):
    """What there is of an event: what the camera saw, the pictures, what was said of it.

    `settings` and `warning` once it was judged false; `coming` while pictures are being kept.
    """

    chamber: str
    event: int
    kind: str
    saw: str
    signs: list[Seen]
    pictures: list[dict[str, Any]]
    coming: bool
    judged: dict[str, Any] | None
    settings: list[Ignoring]
    warning: str


class ThingFound(BaseModel):
    """One thing: "fit", "unfit", "not tried" or "none", and what would help."""

    thing: str
    state: str
    told: str
    remedy: str | None


class SounderTried(BaseModel):
    """Whether the sounder was driven for its one tone; only a person knows whether it was heard."""

    well: bool
    fault: str | None


class WatchLine(BaseModel):
    """How one part of the watch is: "wrong", "look" or "well"; since when, and what to do.

    `sounder`: the chamber whose sounder may be tried there.
    """

    part: str
    thing: str
    how: str
    told: str
    since_at: str | None
    todo: str | None
    sounder: str | None


class WatchLines(BaseModel):
    """How the watch itself is, what is wrong first."""

    items: list[WatchLine]


class ThingsFound(BaseModel):
    """All that was found, in the order of doing it."""

    items: list[ThingFound]


class Health(BaseModel):
    """Whether the watch itself is whole."""

    status: str


class Shell(BaseModel):
    """How this service's own program is called in a shell on its board: `PROGRAM ... OPTION`."""

    program: str
    option: str


class Who(BaseModel):
    """The person who asks. `page`: the dashboard's newest version, where it can be told."""

    name: str
    role: str
    page: str | None = None
