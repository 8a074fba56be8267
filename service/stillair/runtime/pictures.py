"""Pictures of what happens, kept by a thread of its own that nothing waits for.

    camera's thread -> Pictures.frame  -> the ring, in memory
    watch's thread  -> Pictures.happened -> what is due, with the pictures it has so far
    this thread     -> files and rows; gives up old ones

A disk that is full or slow loses pictures and nothing else, and that is told.
The marked picture of each of the newest alarms stays in memory too, so that a message
takes it along while no disk answers.
"""

from __future__ import annotations

import logging
import math
from collections import OrderedDict, deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TypeVar

from stillair.clock import Clock
from stillair.errors import StoreError
from stillair.fire.vision import Sight
from stillair.media.files import PictureFiles, new_id
from stillair.media.judging import Saw, saw_in, saw_of, together
from stillair.media.marking import NEAR, Marked, joined, marked, sharpness
from stillair.media.moments import (
    EVIDENCE,
    FEW_EVERY_S,
    KEEP_BYTES,
    MOST_STILLS,
    SHARPEST_OF_S,
    Heights,
    Held,
    given_up,
    is_danger,
    moments,
)
from stillair.media.ring import FrameRing, Shot
from stillair.model import Change, EventChange, Kind, Outcome, Timeline
from stillair.runtime.keeper import Keeper
from stillair.sensing.protocols import Frame
from stillair.storage import pictures as rows
from stillair.storage.journal import Journal
from stillair.storage.pictures import KeptPicture, file_name

log = logging.getLogger(__name__)

T = TypeVar("T")

WAITING = 12  # events and stills that may wait, at most 1.6 MB each; more have no pictures
POLL_S = 0.25  # how often it is looked whether a later picture has come
TRY_AGAIN_S = 30.0  # while pictures can't be kept
PATIENCE_S = 60.0  # of the machine's time, for a picture after an event: then the camera is lost
FRESH_S = 5.0  # a picture further from an event's moment shows another one
STILL_WITHIN_S = 30.0  # an older picture shows another height
SEEN_IN_S = 0.5  # a sign so close to a picture was seen in it
SIGN_WITHIN_S = 60.0  # signs this long before an event belong to it
REMEMBERED = 8  # marked pictures held for messages, each at most 250 kB
REMEMBERED_NAMES = 256  # and of how many alarms it is known that they have none
MAIL_WAITS_S = 2.0
STUCK_S = 0.5  # one step of the thread takes some 50 ms
CAPTIONS = {
    "simulated": "Simulated: nothing here is real.",
    "recorded": "Recorded: this is not now.",
}
MAILED = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE})


@dataclass(slots=True)
class _Case:
    """One event on its way to its pictures."""

    key: str
    origin: str
    change: EventChange
    timeline: Timeline
    shots: list[tuple[str, float, Shot]]  # part, seconds from the moment, picture
    saw: list[Saw]
    saw_before: dict[float, list[Saw]]  # by the time of each picture from before
    later_s: list[float]  # offsets of the pictures still to come
    give_up_s: float  # of the machine's time
    begun: bool = False


@dataclass(slots=True)
class _Still:
    key: str
    origin: str
    job: str
    height_mm: float
    t_s: float
    timeline: Timeline
    shots: list[Shot]


@dataclass(slots=True)
class _Eye:
    """One chamber's camera."""

    origin: str
    ring: FrameRing
    heights: Heights = field(default_factory=Heights)
    few_s: float = -math.inf  # when pictures of a small matter were last kept


class Pictures(Keeper):
    """Keep pictures of events and of jobs.

    Parameters
    ----------
    files : PictureFiles
    journal : has the rows; only this object's thread writes them
    clock : the machine's
    on_trouble : told (True, reason) when pictures can't be kept, (False, "") when they can again
    keep_bytes : of each chamber; older pictures are given up
    """

    def __init__(
        self,
        files: PictureFiles,
        journal: Journal,
        *,
        clock: Clock,
        on_trouble: Callable[[bool, str], None],
        keep_bytes: int = KEEP_BYTES,
    ) -> None:
        super().__init__("pictures")
        self._files = files
        self._journal = journal
        self._clock = clock
        self._on_trouble = on_trouble
        self._keep_bytes = keep_bytes
        self._eyes: dict[str, _Eye] = {}
        # The lock guards all of the following.
        self._waiting: deque[_Case | _Still] = deque()
        self._asked: set[tuple[str, int]] = set()  # marked pictures that a message wants
        self._coming: set[tuple[str, int]] = set()  # events whose marked picture is being made
        self._keeping: set[tuple[str, int]] = set()  # events whose pictures are still to come
        self._marked: OrderedDict[tuple[str, int], bytes | None] = OrderedDict()
        self._lost = 0
        self._failing: str | None = None
        self._pending: list[_Case] = []  # of this thread alone, as what follows
        self._held_bytes: dict[str, int] = {}
        self._tried_s = 0.0
        self._begun_s = math.inf  # when the step under way began

    def watch(self, key: str, origin: str, ring: FrameRing) -> Callable[[Frame, Sight], None]:
        """Take in a chamber's camera, before `start`; returns what fills its ring with frames."""
        self._eyes[key] = _Eye(origin, ring)
        return partial(self._frame, key)

    def forget(self, key: str) -> None:
        """Let go of a camera's last seconds; never blocks."""
        self._eyes[key].ring.forget()

    @property
    def lost(self) -> int:
        """How many events and stills had no picture because too many waited."""
        return self._lost

    def erase(self, key: str, ids: Iterable[str]) -> None:
        """Remove the files of pictures whose rows go with them. Raises `StoreError`."""
        with self._changed:
            self._marked.clear()
            self._held_bytes.pop(key, None)  # counted anew with the next picture
        for picture_id in ids:
            self._files.remove(file_name(picture_id))

    def read(self, name: str) -> bytes | None:
        """The file of a picture, None where it is gone. Raises `StoreError`."""
        return self._files.read(name)

    # --- what happens; called by the threads of cameras and watches ----------------

    def _frame(self, key: str, frame: Frame, sight: Sight) -> None:
        self._eyes[key].ring.take(
            frame.t_s, jpeg=frame.jpeg, pixels=frame.pixels, signs=sight.signs
        )

    def happened(self, key: str, outcome: Outcome, timeline: Timeline) -> None:
        """Take what a watch has concluded; never blocks, never raises."""
        eye = self._eyes.get(key)
        if eye is None:
            return
        try:
            for change in outcome.events:
                if change.change is Change.RAISED and change.kind not in MAILED:
                    self._remember((key, change.event), None)  # its message waits for none
                if change.change is Change.RAISED and change.kind in EVIDENCE:
                    self._begin(key, eye, change, timeline)
            for job in outcome.jobs:
                if job.height_mm is None:
                    continue
                if eye.heights.due(job.id, job.height_mm, outcome.t_s):
                    shots = eye.ring.shots(outcome.t_s - SHARPEST_OF_S)
                    shots = shots or eye.ring.shots(outcome.t_s - STILL_WITHIN_S)[-1:]
                    still = _Still(
                        key, eye.origin, job.id, job.height_mm, outcome.t_s, timeline, shots
                    )
                    if shots:
                        eye.heights.took(max(len(shot.jpeg) for shot in shots))
                        self._put(still)
        except Exception:
            log.exception("%s: no picture of what happened", key)

    def _begin(self, key: str, eye: _Eye, change: EventChange, timeline: Timeline) -> None:
        wanted = moments(change.kind)
        if wanted is None:
            return
        at_s = change.at_s
        if not is_danger(change.kind):
            if 0.0 <= at_s - eye.few_s < FEW_EVERY_S:
                return
            eye.few_s = at_s
        now = eye.ring.nearest(at_s)
        chosen: dict[float, tuple[str, float, Shot]] = {}
        if now is not None:
            # Of a camera that gives none any more the last one is from before, and says so.
            fresh = abs(at_s - now.t_s) <= FRESH_S
            chosen[now.t_s] = ("moment", 0.0, now) if fresh else ("before", now.t_s - at_s, now)
            for offset_s in wanted.before_s:
                shot = eye.ring.nearest(at_s + offset_s)
                if shot is not None and shot.t_s < now.t_s and shot.t_s not in chosen:
                    chosen[shot.t_s] = ("before", shot.t_s - at_s, shot)
        signs = EVIDENCE[change.kind]
        seen = eye.ring.signs(signs, at_s - SIGN_WITHIN_S, at_s)
        then = {
            t_s: eye.ring.signs(signs, t_s - SEEN_IN_S, t_s + SEEN_IN_S)
            for t_s, (part, _, _) in chosen.items()
            if part == "before"
        }
        self._put(
            _Case(
                key=key,
                origin=eye.origin,
                change=change,
                timeline=timeline,
                shots=list(chosen.values()),
                saw=together([*saw_in(change.detail), *map(saw_of, seen)]),
                saw_before={t_s: together(map(saw_of, each)) for t_s, each in then.items()},
                later_s=list(wanted.after_s),
                give_up_s=self._clock.now_s() + PATIENCE_S,
            )
        )

    def _put(self, work: _Case | _Still) -> None:
        with self._changed:
            if len(self._waiting) >= WAITING:
                self._lost += 1
                return
            self._waiting.append(work)
            if isinstance(work, _Case):
                self._coming.add((work.key, work.change.event))
                self._keeping.add((work.key, work.change.event))
            self._changed.notify_all()

    def is_coming(self, key: str, event: int) -> bool:
        """Whether pictures of an event are still being kept."""
        with self._changed:
            return (key, event) in self._keeping

    # --- what a message takes along ----------------------------------------------

    def of_alarm(self, alarm: str, within_s: float = MAIL_WAITS_S) -> bytes | None:
        """The marked picture of a fire, flame or smoke; of one before a restart from the disk."""
        key, _, number = alarm.rpartition("-")
        if not (number.isascii() and number.isdigit() and len(number) < 10):
            return None
        name = key, int(number)
        if key not in self._eyes:
            return None
        with self._changed:
            if name not in self._marked and name not in self._coming:
                self._asked.add(name)
                self._changed.notify_all()
            if self._clock.now_s() - self._begun_s > STUCK_S:
                within_s = 0.0  # the disk hangs, and with it who marks pictures
            self._changed.wait_for(lambda: name in self._marked or self._stopping, within_s)
            return self._marked.get(name)

    def _remember(self, name: tuple[str, int], jpeg: bytes | None) -> None:
        with self._changed:
            self._coming.discard(name)
            self._asked.discard(name)
            self._marked[name] = jpeg
            self._marked.move_to_end(name)
            held = [each for each, picture in self._marked.items() if picture is not None]
            for each in (*held[:-REMEMBERED], *list(self._marked)[:-REMEMBERED_NAMES]):
                self._marked.pop(each, None)
            self._changed.notify_all()

    # --- the thread ----------------------------------------------------------------

    def _run(self) -> None:
        self._guarded(self._sweep)
        while True:
            with self._changed:
                idle_s = POLL_S if self._pending else TRY_AGAIN_S if self._failing else None
                self._changed.wait_for(
                    lambda: self._waiting or self._asked or self._stopping, idle_s
                )
                work = self._waiting.popleft() if self._waiting else None
                asked = list(self._asked)
                stopping = self._stopping
            if self._failing and self._clock.now_s() - self._tried_s >= TRY_AGAIN_S:
                self._guarded(self._try_again)
            for name in asked:
                self._remember(name, self._guarded(partial(self._look_up, *name)))
            if isinstance(work, _Case):
                self._pending.append(work)
            elif work is not None:
                self._guarded(partial(self._keep_still, work))
            for case in list(self._pending):
                self._guarded(partial(self._go_on, case))
                if not case.later_s or stopping or self._clock.now_s() > case.give_up_s:
                    self._pending.remove(case)
                    with self._changed:
                        self._keeping.discard((case.key, case.change.event))
            if stopping and work is None:
                return

    def _guarded(self, action: Callable[[], T]) -> T | None:
        """What `action` gives; a store that fails, or a defect, costs a picture and is told."""
        self._begun_s = self._clock.now_s()
        try:
            done = action()
        except StoreError as error:
            self._tell(str(error))
            return None
        except Exception as error:
            log.exception("a picture was not kept")
            self._tell(f"keeping pictures failed: {type(error).__name__}")
            return None
        finally:
            self._begun_s = math.inf
        return done

    def _tell(self, reason: str) -> None:
        """Tell what keeps pictures from being kept; "": nothing any more."""
        if bool(reason) is bool(self._failing):
            return
        self._failing = reason
        self._tried_s = self._clock.now_s()
        try:
            self._on_trouble(bool(reason), reason)
        except Exception:
            log.exception("the trouble with pictures was not taken")

    def _try_again(self) -> None:
        """Whether pictures could be kept again: the next event may be days off."""
        self._tried_s = self._clock.now_s()
        self._files.check()
        rows.stills(self._journal, "")
        self._tell("")

    def _go_on(self, case: _Case) -> None:
        """Keep what there is of an event by now."""
        name = case.key, case.change.event
        if not case.begun:
            case.begun = True
            moment = next((shot for part, _, shot in case.shots if part == "moment"), None)
            caption = CAPTIONS.get(case.origin, "")
            marks = _marks(case.saw)
            copy = None if moment is None else marked(moment.jpeg, marks, caption)
            # Messages first: they may go out while the disk hangs.
            self._remember(name, copy if case.change.kind in MAILED else None)
            if moment is not None and copy is not None and marks:
                self._keep_of(case, "marked", 0.0, replace(moment, jpeg=copy))
            for part, offset_s, shot in case.shots:
                self._keep_of(case, part, offset_s, shot)
            case.shots.clear()
        ring = self._eyes[case.key].ring
        while case.later_s:
            due_s = case.change.at_s + case.later_s[0]
            if ring.newest_s() < due_s:
                return
            offset_s = case.later_s.pop(0)
            later = ring.nearest(due_s)
            if later is not None and later.t_s > case.change.at_s:
                seen = ring.signs(EVIDENCE[case.change.kind], case.change.at_s, due_s)
                case.saw = together([*case.saw, *map(saw_of, seen)])
                self._keep_of(case, "after", offset_s, later)

    def _keep_of(self, case: _Case, part: str, offset_s: float, shot: Shot) -> None:
        change = case.change
        # What was found later was not found in a picture from before.
        saw = case.saw_before.get(shot.t_s, []) if part == "before" else case.saw
        self._keep(
            KeptPicture(
                id=new_id(),
                chamber=case.key,
                part=part,
                t_s=shot.t_s,
                timeline=case.timeline,
                size_bytes=len(shot.jpeg),
                kind=change.kind.value,
                event=change.event,
                job=change.job,
                height_mm=change.height_mm,
                detail={
                    "origin": case.origin,
                    "offset_s": round(offset_s, 1),
                    "saw": [each.item() for each in saw],
                },
            ),
            shot.jpeg,
        )

    def _keep_still(self, still: _Still) -> None:
        if rows.stills(self._journal, still.job) >= MOST_STILLS:
            return
        shot = max(still.shots, key=lambda each: sharpness(each.jpeg))
        self._keep(
            KeptPicture(
                id=new_id(),
                chamber=still.key,
                part=rows.STILL,
                t_s=shot.t_s,
                timeline=still.timeline,
                size_bytes=len(shot.jpeg),
                job=still.job,
                height_mm=still.height_mm,
                detail={"origin": still.origin},
            ),
            shot.jpeg,
        )

    def _keep(self, picture: KeptPicture, jpeg: bytes) -> None:
        """A file, then its row; neither where one of them fails. Raises `StoreError`."""
        name = file_name(picture.id)
        self._files.write(name, jpeg)
        try:
            rows.add(self._journal, picture)
        except StoreError:
            self._files.remove(name)
            raise
        self._tell("")
        held_bytes = self._held_bytes.get(picture.chamber)
        if held_bytes is None or held_bytes + len(jpeg) > self._keep_bytes:
            self._held_bytes[picture.chamber] = self._give_up(picture.chamber)
        else:
            self._held_bytes[picture.chamber] = held_bytes + len(jpeg)

    def _give_up(self, key: str) -> int:
        """Remove what is too much; returns how many bytes are kept."""
        held = [
            Held(
                picture.id,
                picture.number,
                picture.size_bytes,
                picture.event,
                picture.kind in _DANGERS,
            )
            for picture in rows.sizes(self._journal, key)
        ]
        old = given_up(held, self._keep_bytes)
        if old:
            rows.remove(self._journal, old)
            for picture_id in old:
                self._files.remove(file_name(picture_id))
        gone = set(old)
        return sum(each.size_bytes for each in held if each.id not in gone)

    def _sweep(self) -> None:
        """Clear away what a crash left between a file and its row."""
        known = {file_name(picture.id) for picture in rows.sizes(self._journal)}
        self._files.sweep(known)

    def _look_up(self, key: str, event: int) -> bytes | None:
        """The picture of an event before the last start, as it was then."""
        found = rows.of_moment(self._journal, key, event, [kind.value for kind in MAILED])
        jpeg = None if found is None else self._files.read(file_name(found[0]))
        if found is None or jpeg is None or found[1]:
            return jpeg
        return marked(jpeg, [], CAPTIONS.get(self._eyes[key].origin, ""))


_DANGERS = frozenset(kind.value for kind in EVIDENCE if is_danger(kind))


def _marks(seen: Iterable[Saw]) -> list[Marked]:
    return [Marked(region, saw.sign) for saw in seen for region in joined(saw.regions, near=NEAR)]
