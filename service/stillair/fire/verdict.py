"""All signs of fire in, one verdict out: is there fire, flame, smoke, or has a detector gone?

Theory of operation. Heat, camera, contact and particles are senses that fail for
different reasons: sun and steam warm a sensor, a lamp flickers for a camera,
a wire breaks at a contact, a grinder makes dust. So the strengths of one sense's signs don't add
up, its best sign within the last 60 s speaks for it; and senses are taken as
independent. With strengths s (0 to 1, how surely this sign means fire) the
belief is

    1 - (1 - s_heat) (1 - s_camera) (1 - s_contact) (1 - s_particles)

and `fire` is raised when at least two senses speak and the belief reaches
0.75, two even chances, or 0.7 where the box itself burns; or when one sign is
lasting: heat at the static response, or a flame that stays, which is one given
without a break of more than 3 s for 10 s, or 5 s where the box burns. Smoke and
flame together are one sense's word and no fire by themselves. A listed detector's
contact is told at once, by itself. Smoke alone and flame alone are events of their
own. Each keeps as its `evidence` every sign that spoke, with its strength, its age
and its figures.

A sign is given anew for as long as it holds; it has ended when it was not
given for 10 s, a contact when it says 0. Nothing in here waits for anything,
and no event of another kind is asked about.

Fire, flame and smoke are over when of each sense that showed them one witness has
been heard for a minute without a sign: a cool sensor says nothing of a flame that a
lens full of soot can't show any more. A detector is over when its contact is heard to
be normal. Of
sensors that felt a fire's heat only the hottest can tell, and none while the
chamber's air, or one of them, is above its limit. Where none that can is heard any
more, burnt perhaps, or since a restart, they stand, and say so, until a sign comes
again or a person says that it is over. A camera that begins anew takes smoke for its
scene, so that it can't tell the end of smoke from before.

References
----------
Pearl, J. (1988). Probabilistic Reasoning in Intelligent Systems, 4.3.2
(the noisy OR of independent causes).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from stillair.fire.inputs import CAMERA, is_blind, sighted
from stillair.model import BLIND, Change, Detail, EventChange, Finding, JsonValue, Kind, Sense, Sign

TOGETHER_S = 60.0  # signs of different senses within this time speak for one fire
HELD_S = 10.0  # a sign not given for longer has ended
CERTAIN = {True: 0.7, False: 0.75}  # the belief that is fire, by combustible
SPEAKS = 0.3  # a weaker sign doesn't make its sense a witness
ALONE = 0.5  # from here a flame or smoke is told by itself
STAYS_S = {True: 5.0, False: 10.0}  # a flame that stays this long is fire, by combustible
BREAK_S = 3.0  # a flame not seen for longer has not stayed, though it may be the same one
QUIET_S = 60.0  # without a sign for this long, an event is over
DETECTOR = "detector"
SHOWN = frozenset({Kind.FIRE, Kind.FLAME, Kind.SMOKE})  # over only if they are seen to be
REMEMBERED = SHOWN | {Kind.DETECTOR_CONTACT}  # they stand on after a restart
ALONE_KINDS = {Kind.FLAME: ("flame",), Kind.SMOKE: ("smoke", "particles")}  # by which signs
RETELL_K = 5.0  # a fire that has got so much hotter is told anew
REGROWN = 2.0  # what has grown to so many times its size in the picture is told anew
MOST_EVIDENCE = 8  # signs that one event keeps, the strongest
NEAR_K = 5.0  # a sensor that was not so much cooler than the hottest tells the end as well
EXPLAINED_S = 300.0  # a fire known by its static heat is doubted unless the rise was a fire's too


@dataclass(slots=True)
class _Spell:
    """One sign for as long as it goes on being given."""

    first: Sign
    latest: Sign
    strongest: float  # of the last minute
    lasting: bool
    strongest_s: float = -math.inf
    # Since when it has been strong enough to be told alone, without a break, and until when
    stays_since_s: float = math.inf
    strong_s: float = -math.inf

    def take(self, sign: Sign) -> None:
        """Take the sign as it is given anew."""
        self.latest = sign
        if sign.strength >= self.strongest or sign.t_s - self.strongest_s > TOGETHER_S:
            self.strongest, self.strongest_s = sign.strength, sign.t_s
        if sign.strength >= ALONE:
            if sign.t_s - self.strong_s > BREAK_S:
                self.stays_since_s = sign.t_s
            self.strong_s = sign.t_s


@dataclass(slots=True)
class _Open:
    onset_s: float
    sensors: tuple[str, ...]
    detail: Detail
    last_s: float
    calm_s: dict[str, float] = field(default_factory=dict)  # since when each was heard, no sign
    felt_c: dict[str, float] = field(default_factory=dict)  # the hottest that each one showed
    senses: dict[str, Sense] = field(default_factory=dict)  # by which each of `sensors` showed it
    scene_lost: bool = False  # the camera, begun anew, took the smoke for its scene

    @property
    def blind(self) -> bool:
        return is_blind(self.detail)

    def can_tell(self, name: str) -> bool:
        """Whether it is for this one to show the end: a cooler sensor is not where it burns."""
        felt_c = self.felt_c.get(name)
        return felt_c is None or felt_c >= max(self.felt_c.values()) - NEAR_K

    def silent(self, calm: Iterable[str]) -> bool:
        """Whether of some sense that showed it none of `calm` can tell the end."""
        telling = {self._sense(name) for name in calm if self.can_tell(name)}
        return not telling or not telling.issuperset(map(self._sense, self.sensors))

    def _sense(self, name: str) -> Sense:
        return self.senses.get(name, Sense.CAMERA if name == CAMERA else Sense.HEAT)


class FireVerdict:
    """Tell fire from one sense's error, by rules that fit on a page.

    Parameters
    ----------
    combustible : bool
        The box itself burns: there is less time, so a flame need stay only 5 s, not 10 s,
        and a belief of 0.7 is enough.
    standing : iterable of EventChange
        What stood at the last stop: fire, flame, smoke and detectors still do.
    """

    def __init__(self, *, combustible: bool, standing: Iterable[EventChange] = ()) -> None:
        self._stays_s, self._certain = STAYS_S[combustible], CERTAIN[combustible]
        self._spells: dict[tuple[Sense, str, tuple[str, ...]], _Spell] = {}
        self._open = {
            (e.kind, e.subject): _Open(
                e.onset_s, e.sensors, e.detail, math.inf, scene_lost=_has_smoke(e)
            )
            for e in standing
            if e.kind in REMEMBERED
        }
        self._tripped: dict[str, bool | None] = {}  # each contact's word; None: it can't be read
        self._heard_s: Mapping[str, float] = {}

    @property
    def stands(self) -> bool:
        """Whether it matters who is heard."""
        return bool(self._open)

    def take(self, sign: Sign) -> None:
        """Take one sign; a contact's has strength 0 when the contact is normal again."""
        key = (sign.sense, sign.name, sign.sources)
        if sign.sense is Sense.CONTACT:
            self._tripped.update(dict.fromkeys(sign.sources, sign.strength > 0.0))
        if sign.strength <= 0.0:
            self._spells.pop(key, None)
            return
        spell = self._spells.get(key)
        if spell is None or (
            sign.sense is not Sense.CONTACT and sign.t_s - spell.latest.t_s > HELD_S
        ):
            spell = self._spells[key] = _Spell(sign, sign, sign.strength, sign.lasting)
        spell.take(sign)
        spell.lasting = spell.lasting or sign.lasting or self._stays(spell)

    def fall_silent(self, contact: str) -> None:
        """A detector's contact can't be read: until it can, what it said last stands."""
        self._tripped[contact] = None

    def tick(self, t_s: float, heard_s: Mapping[str, float]) -> tuple[Finding, ...]:
        """Conclude; to be called after every sign and every second.

        `heard_s` is when each sensor, contact and camera was last heard that can be
        trusted now; it may be empty while nothing `stands`.
        """
        if not self._spells and not self._open:
            return ()
        self._hear(t_s, heard_s)
        self._forget(t_s)
        findings: list[Finding] = []
        self._tell_detectors(t_s, findings)
        for kind, names in ALONE_KINDS.items():
            spells = [
                s
                for s in self._spells.values()
                if s.first.name in names and s.strongest >= ALONE and self._holds(s, t_s)
            ]
            detail: Detail = {"cause": "clear", "evidence": self._evidence(spells, t_s)}
            self._tell(t_s, kind, "", spells, detail, findings)
        self._tell_fire(t_s, findings)
        return tuple(findings)

    def said_over(self, kind: Kind, subject: str, t_s: float, why: str) -> Iterable[Finding]:
        """Take a person's word for the end of what nobody else can see the end of."""
        event = self._open.get((kind, subject))
        if event is not None and event.blind:
            if kind is Kind.DETECTOR_CONTACT:  # its last word is not its word any more
                self._spells.pop((Sense.CONTACT, DETECTOR, event.sensors), None)
            yield self._ended(kind, subject, t_s, {"ended": why})

    # --- one kind each -----------------------------------------------------

    def _tell_detectors(self, t_s: float, findings: list[Finding]) -> None:
        for spell in [s for s in self._spells.values() if _is_detector(s)]:
            if any(self._tripped[name] for name in spell.first.sources):
                subject = ", ".join(spell.first.sources)
                clear: Detail = {"cause": "clear"}
                self._tell(t_s, Kind.DETECTOR_CONTACT, subject, [spell], clear, findings)
        for kind, subject in [key for key in self._open if key[0] is Kind.DETECTOR_CONTACT]:
            event = self._open[kind, subject]
            if any(self._tripped.get(name) is False for name in event.sensors):
                findings.append(self._ended(kind, subject, t_s))
            elif t_s - event.last_s >= QUIET_S and not event.blind:
                findings.append(self._go_blind(kind, subject, t_s))

    def _tell_fire(self, t_s: float, findings: list[Finding]) -> None:
        witnesses: dict[Sense, float] = {}
        for spell in self._spells.values():
            if spell.strongest >= SPEAKS:
                sense = spell.first.sense
                witnesses[sense] = max(witnesses.get(sense, 0.0), spell.strongest)
        doubt = 1.0
        for strength in witnesses.values():
            doubt *= 1.0 - min(strength, 1.0)
        lasting = [s for s in self._spells.values() if s.lasting]
        together = len(witnesses) >= 2 and 1.0 - doubt >= self._certain
        speaking = (
            [s for s in self._spells.values() if s.strongest >= SPEAKS]
            if together or lasting
            else []
        )
        detail: dict[str, JsonValue] = {"cause": "clear"}
        if speaking:
            names = sorted({s.first.name for s in speaking})
            if not together and names == ["static_response"] and not self._rose_lately(t_s):
                detail = {"cause": "uncertain", "or": Kind.OVER_TEMPERATURE.value}
            detail["signs"] = list(names)
            detail["belief"] = round(1.0 - doubt, 2)
            detail["evidence"] = self._evidence(speaking, t_s)
            told_c = [
                figure
                for spell in speaking
                if spell.first.sense is Sense.HEAT
                and (figure := _temperature_c(spell.latest.detail)) is not None
            ]
            if told_c:
                detail["temperature_c"] = max(told_c)
        self._tell(t_s, Kind.FIRE, "", speaking, detail, findings)
        self._feel(t_s)

    def _evidence(self, spells: list[_Spell], t_s: float) -> list[JsonValue]:
        """What speaks for an event at `t_s`, the strongest first."""
        told: list[JsonValue] = []
        for spell in sorted(spells, key=lambda s: -s.strongest)[:MOST_EVIDENCE]:
            ended = {} if self._holds(spell, t_s) else {"ended_s": round(t_s - spell.latest.t_s, 1)}
            told.append(
                {
                    "sign": spell.first.name,
                    "sense": spell.first.sense.value,
                    "sources": list(spell.first.sources),
                    "strength": round(spell.strongest, 2),
                    "age_s": round(max(0.0, t_s - spell.first.onset_s), 1),
                    **ended,
                    **spell.latest.detail,
                }
            )
        return told

    def _rose_lately(self, t_s: float) -> bool:
        return any(
            s.first.name == "rapid_rise" and t_s - s.latest.t_s <= EXPLAINED_S
            for s in self._spells.values()
        )

    # --- what stands, begins, ends -----------------------------------------

    def _tell(
        self,
        t_s: float,
        kind: Kind,
        subject: str,
        spells: list[_Spell],
        detail: Detail,
        findings: list[Finding],
    ) -> None:
        """Raise, revise or clear one event from the signs that speak for it just now."""
        key = (kind, subject)
        event = self._open.get(key)
        if not spells:
            if event is None or t_s - event.last_s < QUIET_S:
                return
            if self._seen_over(event):
                findings.append(self._ended(kind, subject, t_s))
            elif not event.blind and event.silent(event.calm_s):
                findings.append(self._go_blind(kind, subject, t_s))
            return
        last_s = t_s if kind is Kind.DETECTOR_CONTACT else max(s.latest.t_s for s in spells)
        if event is None:
            onset_s = min(t_s, *(s.first.onset_s for s in spells))
            sensors = tuple(sorted({source for s in spells for source in s.first.sources}))
            self._open[key] = _Open(onset_s, sensors, detail, last_s)
            change = Change.RAISED
        else:
            if any(spell.first.sense is Sense.CAMERA for spell in spells):
                event.scene_lost = False
            if last_s > event.last_s:
                event.last_s, event.calm_s = last_s, {}
            more = {source for s in spells for source in s.first.sources} - set(event.sensors)
            surer = event.detail.get("cause") == "uncertain" and detail["cause"] == "clear"
            known = event.detail.get("signs")
            now = detail.get("signs")
            newly = isinstance(now, list) and isinstance(known, list) and set(now) - set(known)
            anew = event.blind and t_s - event.last_s <= HELD_S
            more_of_it = _is_hotter(detail, event.detail) or _has_grown(detail, event.detail)
            if not (surer or newly or more or anew or more_of_it):
                return
            if event.detail.get("cause") == "clear":  # what was sure stays so
                detail = {k: v for k, v in detail.items() if k != "or"} | {"cause": "clear"}
            event.sensors = tuple(sorted({*event.sensors, *more}))
            event.detail = detail
            onset_s, sensors = event.onset_s, event.sensors
            change = Change.REVISED
        for spell in spells:
            self._open[key].senses.update(dict.fromkeys(spell.first.sources, spell.first.sense))
        findings.append(Finding(kind, change, t_s, onset_s, sensors, detail, subject=subject))

    def _go_blind(self, kind: Kind, subject: str, t_s: float) -> Finding:
        """Say that those who could show the end are silent."""
        event = self._open[kind, subject]
        event.detail = {**event.detail, **BLIND}
        return Finding(
            kind, Change.REVISED, t_s, event.onset_s, event.sensors, event.detail, subject=subject
        )

    def _ended(self, kind: Kind, subject: str, t_s: float, why: Detail | None = None) -> Finding:
        event = self._open.pop((kind, subject))
        return Finding(
            kind,
            Change.CLEARED,
            t_s,
            event.onset_s,
            event.sensors,
            {**sighted(event.detail), **(why or {})},
            end_s=max(event.onset_s, min(event.last_s, t_s)),
            subject=subject,
        )

    def _hear(self, t_s: float, heard_s: Mapping[str, float]) -> None:
        """Those that showed what stands: since when has each been heard since the last sign?"""
        self._heard_s = heard_s
        for event in self._open.values():
            event.last_s = t_s if event.last_s == math.inf else event.last_s  # after a restart
            for name in event.sensors:
                if name not in heard_s or (name == CAMERA and event.scene_lost):
                    event.calm_s.pop(name, None)
                elif heard_s[name] >= event.last_s:
                    event.calm_s.setdefault(name, heard_s[name])

    def _seen_over(self, event: _Open) -> bool:
        calm = [n for n, since_s in event.calm_s.items() if self._heard_s[n] - since_s >= QUIET_S]
        return not event.silent(calm)

    def _feel(self, t_s: float) -> None:
        """Where a fire is felt, how hot, and that it isn't calm while the air is too hot."""
        event = self._open.get((Kind.FIRE, ""))
        if event is None:
            return
        for spell in self._spells.values():
            latest = spell.latest
            if spell.first.sense is not Sense.HEAT or not self._holds(spell, t_s):
                continue
            theirs = set(latest.sources) & set(event.sensors)
            too_hot = latest.name == "high_limit" and (theirs or "place" not in latest.detail)
            if too_hot and latest.t_s > event.last_s:
                event.last_s, event.calm_s = latest.t_s, {}
            level_c = _temperature_c(latest.detail)
            for name in theirs:
                known_c = event.felt_c.get(name, -math.inf)
                event.felt_c[name] = known_c if level_c is None else max(level_c, known_c)

    def _stays(self, spell: _Spell) -> bool:
        return spell.first.name == "flame" and spell.strong_s - spell.stays_since_s >= self._stays_s

    def _holds(self, spell: _Spell, t_s: float) -> bool:
        return t_s - spell.latest.t_s <= HELD_S

    def _forget(self, t_s: float) -> None:
        """Signs speak for a minute after they ended; a contact for as long as it is tripped."""
        for key, spell in list(self._spells.items()):
            if _is_detector(spell):
                continue
            age_s = t_s - spell.latest.t_s
            if age_s > HELD_S:
                spell.lasting = False
            keep_s = EXPLAINED_S if spell.first.name == "rapid_rise" else TOGETHER_S
            if age_s > TOGETHER_S:
                spell.strongest = 0.0
            if age_s > keep_s:
                del self._spells[key]


def _has_smoke(event: EventChange) -> bool:
    """Whether the camera showed it by smoke, so that a camera begun anew can't know its end."""
    signs = event.detail.get("evidence")
    return CAMERA in event.sensors and any(
        isinstance(sign, dict) and sign.get("sign") == "smoke"
        for sign in (signs if isinstance(signs, list) else ())
    )


def _is_detector(spell: _Spell) -> bool:
    return spell.first.sense is Sense.CONTACT


def _temperature_c(detail: Detail) -> float | None:
    value = detail.get("temperature_c")
    return value if isinstance(value, float) else None


def _is_hotter(now: Detail, told: Detail) -> bool:
    """Whether it has got so much hotter that the figure told last is out of date."""
    now_c, told_c = _temperature_c(now), _temperature_c(told)
    return now_c is not None and (told_c is None or now_c >= told_c + RETELL_K)


def _share(detail: Detail) -> float:
    """How much of the picture the largest sign in it covers; 0 where none tells."""
    evidence = detail.get("evidence")
    signs = evidence if isinstance(evidence, list) else []
    told = [each.get("share") for each in signs if isinstance(each, dict)]
    return max((share for share in told if isinstance(share, float)), default=0.0)


def _has_grown(now: Detail, told: Detail) -> bool:
    """Whether what the camera sees has got so much larger that the figure told is out of date."""
    told_share = _share(told)
    return told_share > 0.0 and _share(now) >= REGROWN * told_share
