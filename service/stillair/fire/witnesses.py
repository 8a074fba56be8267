"""Who can show a fire beside the temperature sensors: switches, camera, particle sensors.

The last word of each, and what it is worth just now. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from stillair.fire.inputs import (
    CAMERA,
    CAMERA_SILENT_S,
    contact_subject,
    heard,
    is_fit,
)
from stillair.fire.particles import ParticleSigns
from stillair.model import (
    CameraCondition,
    CameraState,
    ContactKind,
    ContactState,
    EventChange,
    JsonValue,
    Kind,
    Movement,
    Sense,
    Sign,
)

SEEN_BY_MANY = frozenset(  # of which it is said who told nothing when they began
    {
        Kind.FIRE,
        Kind.DETECTOR_CONTACT,
        Kind.FLAME,
        Kind.SMOKE,
        Kind.RAPID_RISE,
        Kind.OVER_TEMPERATURE,
        Kind.HEAT_LOST,
        Kind.NO_MOTION,
        Kind.DOOR_OPEN,
        Kind.DRAFT,
    }
)
# Too few pictures may miss a fire, but what they show is there.
SHOWS = frozenset({CameraCondition.FIT, CameraCondition.SLOW})
# A flame lights up the picture, makes its light flicker, hides what is behind its smoke; and
# in a picture that is too small a large one is seen all the same.
SPOILT_BY_FLAME = frozenset(
    {CameraCondition.WASHED_OUT, CameraCondition.FLICKERING, CameraCondition.MOVED}
    | {CameraCondition.TOO_SMALL}
    | {CameraCondition.COVERED, CameraCondition.OUT_OF_FOCUS}
)
SPOILT_BY_SMOKE = frozenset({CameraCondition.COVERED, CameraCondition.OUT_OF_FOCUS})


NO_PICTURE = frozenset({CameraCondition.LOST, CameraCondition.PAUSED})


class Witnesses:
    """Keep what each has told last, of one chamber.

    Parameters
    ----------
    names : iterable of str
        Of all that may show something, temperature sensors too.
    camera : bool
        Whether there is one.
    """

    def __init__(self, names: Iterable[str] = (), *, camera: bool = False) -> None:
        self._names = (*names, CAMERA) if camera else tuple(names)
        self.contacts: dict[str, ContactState] = {}
        self.camera: CameraState | None = None
        self.movement: Movement | None = None
        self.particles = ParticleSigns()

    def camera_heard(self, t_s: float) -> CameraState | None:
        """The camera's condition; lost from now on, where it has not told it for too long."""
        self.camera = None if self.camera is None else heard(self.camera, t_s)
        return self.camera

    @property
    def sees_nothing(self) -> bool:
        """Whether no picture comes."""
        return self.camera is None or self.camera.condition in NO_PICTURE

    def counts(self, sign: Sign) -> bool:
        """Whether a sign is one: what an unfit view shows is none, and neither is its end.

        But for flame and smoke in a view that they may have made unfit themselves.
        """
        if sign.sense is not Sense.CAMERA or self.camera is None:
            return True
        condition = heard(self.camera, sign.t_s).condition
        spoilt = SPOILT_BY_FLAME if sign.name == "flame" else SPOILT_BY_SMOKE
        return condition in SHOWS or condition in spoilt

    def movement_seen(self, t_s: float) -> Movement | None:
        """The camera's word on the machine's movement, where its view is fit and it is new."""
        told = self.movement
        old = told is None or t_s - told.t_s > CAMERA_SILENT_S
        return None if old or not is_fit(self.camera, t_s) else told

    def active(self, kind: ContactKind) -> bool | None:
        """The word of all switches of a kind: active if any is, None if none can tell."""
        told = [state.active for state in self.contacts.values() if state.kind is kind]
        known = [active for active in told if active is not None]
        return any(known) if known else None

    def without_a_sign(self, t_s: float) -> dict[str, float]:
        """Those that could show a fire, and by their own word don't, at `t_s`."""
        names = [state.contact for state in self.contacts.values() if state.active is False]
        seen = [*names, CAMERA] if is_fit(self.camera, t_s) else names
        return {**dict.fromkeys(seen, t_s), **self.particles.heard_s()}

    def missing(self, heard_s: Mapping[str, float], t_s: float) -> list[JsonValue]:
        """Those that tell nothing at `t_s`; `heard_s` has the temperature sensors that do."""
        switches = (state.contact for state in self.contacts.values() if state.active is not None)
        eye = (CAMERA,) if is_fit(self.camera, t_s) else ()
        telling = {*heard_s, *switches, *eye, *self.particles.heard_s()}
        return [name for name in self._names if name not in telling]

    def tell(self, event: EventChange) -> bool:
        """Whether an event is the fault of one of these, and that one still tells it."""
        if event.kind is Kind.CAMERA_FAULT:
            return self.camera is not None and self.camera.condition is not CameraCondition.FIT
        if self.particles.tells(event):
            return True
        return event.kind is Kind.SENSOR_FAULT and any(
            event.subject == contact_subject(state.contact) and state.active is None
            for state in self.contacts.values()
        )
