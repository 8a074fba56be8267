"""What camera, switches and service say: a detector's sign, and by their own word what ails them.

Pure. `event` is the fault as it stands by now, or None.
"""

from __future__ import annotations

from stillair.model import (
    BLIND,
    CameraCondition,
    CameraState,
    Change,
    ContactKind,
    ContactState,
    Detail,
    EventChange,
    Finding,
    Kind,
    Priority,
    Sense,
    Sign,
    Trouble,
)

CAMERA = "camera"  # the source of its signs
CAMERA_SILENT_S = 30.0  # the camera tells its condition at least every 10 s


def heard(camera: CameraState, t_s: float) -> CameraState:
    """The camera's condition; lost, where it has not told it for too long."""
    if t_s - camera.t_s > CAMERA_SILENT_S and camera.condition is not CameraCondition.LOST:
        return CameraState(t_s, CameraCondition.LOST, camera.t_s, "nothing heard of it")
    return camera


def is_fit(camera: CameraState | None, t_s: float) -> bool:
    """Whether there is a camera and its view can be watched by."""
    return camera is not None and heard(camera, t_s).condition is CameraCondition.FIT


def camera_faults(
    camera: CameraState, event: EventChange | None, t_s: float
) -> tuple[Finding, ...]:
    """What there is to be told of the camera's view just now.

    A pause that a person wanted and a fault are never one event: the story would
    tell the one as the other.
    """
    fit = camera.condition is CameraCondition.FIT
    before = event.detail.get("condition") if event else None
    if before == camera.condition or (fit and event is None):
        return ()
    detail: Detail = {
        "cause": "clear",
        "condition": camera.condition.value,
        "reason": camera.reason,
    }
    if event is None:
        return (_view(Change.RAISED, t_s, camera.since_s, detail),)
    if fit:
        return (_view(Change.CLEARED, t_s, event.onset_s, event.detail, camera.since_s),)
    if CameraCondition.PAUSED in (before, camera.condition):
        return (
            _view(Change.CLEARED, t_s, event.onset_s, event.detail, t_s),
            _view(Change.RAISED, t_s, t_s, detail),
        )
    return (_view(Change.REVISED, t_s, event.onset_s, detail),)


def _view(
    change: Change, t_s: float, onset_s: float, detail: Detail, end_s: float | None = None
) -> Finding:
    return Finding(Kind.CAMERA_FAULT, change, t_s, onset_s, (), detail, end_s=end_s)


def detector_sign(state: ContactState) -> Sign:
    """What a listed detector's contact tells the verdict."""
    strength = 1.0 if state.active else 0.0
    sources = (state.contact,)
    return Sign(Sense.CONTACT, "detector", state.t_s, state.t_s, strength, sources)


def contact_subject(contact: str) -> str:
    """By what a switch's fault is told from a sensor's."""
    return f"contact {contact}"


def trouble(told: Trouble, event: EventChange | None) -> Finding:
    """What the service tells of itself."""
    return Finding(
        told.kind,
        Change.RAISED if told.active else Change.CLEARED,
        told.t_s,
        event.onset_s if event else told.t_s,
        (),
        {"cause": "clear", **told.detail},
        end_s=None if told.active else told.t_s,
        subject=told.subject,
    )


def unwatched(since_s: float, t_s: float) -> tuple[Finding, Finding]:
    """That nobody watched from `since_s` on, and that now somebody does."""
    detail: Detail = {"cause": "clear", "gap_s": round(t_s - since_s, 1)}
    return (
        Finding(Kind.WATCH_GAP, Change.RAISED, t_s, since_s, detail=detail),
        Finding(Kind.WATCH_GAP, Change.CLEARED, t_s, since_s, detail=detail, end_s=t_s),
    )


def is_blind(detail: Detail) -> bool:
    """Whether an event stands because those that showed it can't show its end."""
    return detail.get("blind") is True


def sighted(detail: Detail) -> Detail:
    """What there is to be told of an event whose end can be seen, or is told by a person."""
    return {k: v for k, v in detail.items() if k not in BLIND} if is_blind(detail) else detail


def contact_fault(state: ContactState, event: EventChange | None) -> Finding | None:
    """What there is to be told of a switch's readability."""
    change, end_s, priority = Change.RAISED, None, None
    onset_s = state.t_s
    detail: Detail = {"cause": "clear", "reason": state.reason, "contact": state.contact}
    if event is not None:
        if state.active is None:
            return None
        change, end_s, onset_s, detail = Change.CLEARED, state.t_s, event.onset_s, event.detail
    elif state.active is not None or not state.reason:
        return None
    elif state.kind is ContactKind.DETECTOR:
        priority = Priority.HIGH
    return Finding(
        Kind.SENSOR_FAULT,
        change,
        state.t_s,
        onset_s,
        (state.contact,),
        detail,
        end_s=end_s,
        subject=contact_subject(state.contact),
        priority=priority,
    )
