"""Fit the net of `stillair.fire.smoke`: what the measures of a difference say of smoke.

    .venv/bin/python tests/bench/smoke_fit.py [--clips DIR] [--write]

Once a second each recording gives measures of some dozens of windows (`stillair.fire.veil`).
Logistic loss on the likeliest windows, found anew in each round: of a second in which 8 % or
more of the contrast of a tenth of the picture is hidden the likeliest is to tell it, of a
second without smoke none. Recordings are simulated scenes of even seeds: smokes and harmless
ones, some of them for half an hour, and more of those whose light or much of whose view
changes (`CHANGING`); harmless ones with a veil of another make before them, in
which a machine moves or nothing does (`smoke_made.py`); and with things that move softly or are
put down (`smoke_movers.py`). Every second even seed is kept out of the fit at first, to judge it
by; odd seeds are for reporting alone (`fire.py`). Of real clips the harmless ones for tuning are
fitted too. Prints what is found and what is told falsely on the half kept out; `--write` then
fits to both halves and puts the net where the watch reads it. Takes about three hours on two cores.
"""

from __future__ import annotations

import argparse
import math
import sys
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1] / "service")]

from bench.fire_clips import by_set, paced  # noqa: E402 - the paths above come first
from bench.fire_plot import Burn  # noqa: E402
from bench.fire_scenes import HARMLESS, SMOKES, scene  # noqa: E402
from bench.small_nets import Floats, Net, Nets  # noqa: E402
from bench.smoke_made import LASTS_S, Frame, StillView, Veil  # noqa: E402
from bench.smoke_movers import put_down, with_movers  # noqa: E402
from stillair.fire import smoke  # noqa: E402
from stillair.fire.grid import SIZE  # noqa: E402
from stillair.fire.smoke import TERMS, SmokeWatch, terms  # noqa: E402
from stillair.fire.veil import MEASURES  # noqa: E402
from stillair.fire.view import ViewCheck  # noqa: E402

FRAMES_PER_S = 4.0
SMOULDER_S, HARMLESS_S = 600.0, 300.0
LONG_SMOULDER_S, LONG_HARMLESS_S = 1200.0, 1800.0  # for references that are as old
CHANGING = (  # in these light or much of the view changes as smoke might: of them twice as many
    "lamp's colour",
    "screen's light",
    "sun and clouds",
    "dimmer",
    "exposure hunting",
    "person behind the pane",
    "bed lowering",
    "door and hands",
)
UNITS, NETS = 48, 4  # what four nets say is steadier than what one says
ROUNDS, EPOCHS, BATCH, RATE, RIDGE = 8, 20, 2048, 5e-3, 1e-4
FIRST = {True: 6, False: 12}  # windows of a second in the first round, with smoke and without
THEN = {True: 2, False: 5}
SAY = 60.0  # of a recording, in seconds
HARMLESS_SAY = 3.0
MADE_SAY = {"movers": 0.35, "veil": 0.4}  # what is plainly made says less than a scene
WRITTEN = HERE.parents[1] / "service/stillair/fire/smoke.csv"


@dataclass(frozen=True, slots=True)
class Recording:
    """The terms of every window of every second, `(n, terms)`, and what was true then."""

    kind: str
    seed: int
    length_s: float
    burn: Burn | None
    seconds: Floats
    truth: NDArray[np.int8]  # by second: 1 smoke, 0 none, -1 too little to ask for
    terms: NDArray[np.float32]
    second: NDArray[np.intp]  # of each window, as an index

    @property
    def fitted(self) -> bool:
        return self.seed % 4 == 0


@dataclass(slots=True)
class _Taken:
    """In place of the net: takes the measures down, and speaks the truth."""

    smokes: bool = False
    measures: Floats | None = None

    def begin(self, *, smokes: bool) -> None:
        self.measures, self.smokes = None, smokes

    def __call__(self, measures: Floats) -> Floats:
        self.measures = measures
        return np.full(len(measures), 9.0 if self.smokes else -9.0)


def measured(
    kind: str, seed: int, length_s: float, burn: Burn | None, frames: Iterable[Frame]
) -> Recording:
    """One recording; `frames` are gray or BGR."""
    taken = _Taken()
    watch, view = SmokeWatch(likelihood=taken), ViewCheck()
    found: list[NDArray[np.float32]] = []
    seconds: list[float] = []
    plain_s = math.inf if burn is None or burn.hides_8_s is None else burn.hides_8_s
    for t_s, picture in frames:
        colour = picture.shape[2:]
        level = np.asarray(
            cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY) if colour else picture, np.uint8
        )
        view.update(t_s, level)
        if not view.usable:
            watch.pause()
            continue
        taken.begin(smokes=t_s > plain_s + 2.0)
        if watch.update(t_s, level) and taken.measures is not None:
            seconds.append(t_s)
            found.append(terms(taken.measures).astype(np.float32))
    at_s = np.array(seconds)
    sizes = [len(each) for each in found]
    none = np.zeros((0, terms(np.zeros((0, len(MEASURES)))).shape[1]), np.float32)
    return Recording(
        kind,
        seed,
        length_s,
        burn,
        at_s,
        _truth(burn, at_s),
        np.concatenate(found) if found else none,
        np.repeat(np.arange(len(sizes)), sizes),
    )


def _truth(burn: Burn | None, at_s: Floats) -> NDArray[np.int8]:
    if burn is None or not len(at_s):
        return np.zeros(len(at_s), np.int8)
    curve = np.array(burn.curve)
    hidden = np.interp(at_s, curve[:, 0], curve[:, 1], left=0.0)
    unsure = np.where(at_s < burn.onset_s - 0.5, 0, -1)
    return np.where(hidden >= 0.08, 1, unsure).astype(np.int8)


Task = tuple[str, int, float | None]  # of the scene: its kind, seed and seconds


def tasks(harmless: int, smokes: int, long: int) -> list[Task]:
    """So many scenes of each kind of even seeds, and so many that are long."""
    usual_s = {"slow smoulder": SMOULDER_S}
    asked: list[Task] = [(kind, 2 * n, usual_s.get(kind)) for n in range(smokes) for kind in SMOKES]
    asked += [(kind, 2 * n, HARMLESS_S) for n in range(harmless) for kind in HARMLESS]
    asked += [(kind, 2 * n, HARMLESS_S) for n in range(harmless, 2 * harmless) for kind in CHANGING]
    asked += [(kind, 2 * n, LONG_HARMLESS_S) for n in range(long) for kind in HARMLESS]
    asked += [("all sorts", 2 * n, None) for n in range(long, 22 * long)]
    return asked + [("slow smoulder", 2 * n, LONG_SMOULDER_S) for n in range(10 * long)]


def of_scene(task: Task) -> list[Recording]:
    """A scene; and if it is short and harmless, with a veil before it, and as a still view."""
    kind, seed, length_s = task
    labelled = scene(kind, seed, length_s, FRAMES_PER_S)
    burn = labelled.burns[0] if labelled.burns else None
    made = [measured(kind, seed, labelled.seconds, burn, labelled.frames())]
    if length_s == HARMLESS_S:
        lot = zlib.crc32(f"veil/{kind}/{seed}".encode())
        veil = Veil.by_lot(lot)
        shown = [(t_s, gray(picture)) for t_s, picture in labelled.frames() if t_s < LASTS_S]
        veiled = ((t_s, veil.before(t_s, picture)) for t_s, picture in shown)
        made.append(measured(f"veil, {kind}", seed, LASTS_S, veil.burn(), veiled))
        still = StillView(shown[lot % len(shown)][1], lot + 1)
        smokes = still.veil().burn() if still.what == "veil" else None
        made.append(measured(f"still, {still.what}", seed, LASTS_S, smokes, still.frames()))
        thing = put_down(shown[lot % len(shown)][1], lot)
        made.append(measured("still, thing", seed, LASTS_S, None, thing))
        moving = with_movers(shown, lot)
        made.append(measured(f"movers, {kind}", seed, LASTS_S, None, moving))
    return made


def of_clip(path: Path) -> list[Recording]:
    """A harmless clip."""
    frames = list(paced(path))
    length_s = frames[-1][0] if frames else 0.0
    return [measured(f"clip {path.name}", 0, length_s, None, frames)]


def gray(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """As small as smoke is looked for in."""
    small = cv2.resize(picture, SIZE, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.uint8)


def fitted(recordings: Sequence[Recording]) -> Nets:
    return Nets(tuple(_fitted(recordings, number) for number in range(NETS)))


def _fitted(recordings: Sequence[Recording], lot: int) -> Net:
    rng = np.random.default_rng(lot)
    net: Net | None = None
    for number in range(ROUNDS):
        given, smokes, weight = (
            np.concatenate(parts)
            for parts in zip(*(_likeliest(each, net) for each in recordings), strict=True)
        )
        weight = np.minimum(weight, np.percentile(weight, 99.0))
        net = net or Net(given.shape[1], UNITS, RIDGE, rng)
        rate = RATE if number < ROUNDS - 1 else RATE / 2.0
        for _ in range(EPOCHS):
            net.epoch(given, smokes, weight, rate, BATCH)
        loss = net.loss(given, smokes, weight)
        print(f"round {number + 1}: {len(given)} windows, loss {loss:.4f}", flush=True)
    assert net is not None
    return net


def _likeliest(recording: Recording, net: Net | None) -> tuple[NDArray[np.float32], Floats, Floats]:
    """The windows of each second that have the say, whether it smokes, and their weight."""
    if net is None:
        odds = recording.terms[:, _PLAIN].sum(axis=1).astype(np.float64)
    else:
        odds = net(recording.terms)
    order = np.lexsort((-odds, recording.second))
    second = recording.second[order]
    begins = np.r_[True, second[1:] != second[:-1]] if len(second) else np.zeros(0, bool)
    place = np.arange(len(order))
    rank = place - np.maximum.accumulate(np.where(begins, place, 0))
    truth = recording.truth[second]
    most = FIRST if net is None else THEN
    smokes = (truth == 1) & (rank < most[True])
    none = (truth == 0) & (rank < most[False])
    most_say = 1.0 if recording.length_s < LONG_SMOULDER_S else 2.0
    quiet_say = min(most_say, np.count_nonzero(recording.truth == 0) / SAY)
    weight = np.where(
        smokes,
        SAY / max(int(smokes.sum()), 1),
        HARMLESS_SAY * quiet_say * SAY / max(int(none.sum()), 1),
    )
    weight *= MADE_SAY.get(recording.kind.split(",", 1)[0], 1.0)
    kept = smokes | none
    return recording.terms[order][kept], (truth == 1)[kept].astype(np.float64), weight[kept]


def told_s(recording: Recording, net: Nets) -> float | None:
    """When smoke would be told, not before the onset if there is one."""
    odds = np.full(len(recording.seconds), -math.inf)
    np.maximum.at(odds, recording.second, net(recording.terms))
    evidence, first = 0.0, None
    for t_s, likely in zip(recording.seconds, odds, strict=True):
        evidence = smoke.with_second(evidence, float(likely))
        onset_s = 0.0 if recording.burn is None else recording.burn.onset_s
        if evidence >= smoke.TOLD_SUM and t_s >= onset_s - 0.5 and first is None:
            first = float(t_s)
    return first


def report(recordings: Sequence[Recording], net: Nets) -> None:
    for name, group in (
        ("smokes", [each for each in recordings if each.kind in SMOKES]),
        ("veils", [each for each in recordings if each.kind.startswith(("veil", "still, veil"))]),
    ):
        for reach, within_s in (("hides_15_s", 15.0), ("hides_8_s", 60.0)):
            asked = [
                (getattr(each.burn, reach) + within_s, told_s(each, net))
                for each in group
                if getattr(each.burn, reach) is not None
                and getattr(each.burn, reach) + within_s <= each.length_s
            ]
            found = sum(told is not None and told <= by_s for by_s, told in asked)
            print(f"  {name:8} {reach:10} found in {within_s:.0f} s: {found} of {len(asked)}")
    quiet = [each for each in recordings if each.burn is None]
    false = [
        f"{each.kind} {each.seed} at {at_s:.0f} s" for each in quiet if (at_s := told_s(each, net))
    ]
    hours = sum(each.length_s for each in quiet) / 3600.0
    print(f"  harmless: {len(false)} in {hours:.1f} h: {', '.join(false)}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0] if __doc__ else None)
    parser.add_argument("--seeds", type=int, default=15, help="harmless scenes of each kind")
    parser.add_argument("--smokes", type=int, default=50, help="smokes of each kind")
    parser.add_argument("--long", type=int, default=2, help="long harmless scenes of each kind")
    parser.add_argument("--clips", type=Path, metavar="DIR", help="real clips with a catalogue")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--write", action="store_true", help=f"into {WRITTEN.name}")
    args = parser.parse_args()
    asked = tasks(args.seeds, args.smokes, args.long)
    recordings: list[Recording] = []
    with get_context("spawn").Pool(args.workers) as pool:
        for number, made in enumerate(pool.imap_unordered(of_scene, asked), 1):
            recordings += made
            print(f"\r{number} of {len(asked)} scenes", end="", file=sys.stderr, flush=True)
    for (_, name), clips in by_set([args.clips] if args.clips else []).items():
        for clip in clips if name == "tuning" else ():
            if not (clip.flame or clip.smoke):
                recordings += of_clip(clip.path)
    recordings.sort(key=lambda each: (each.kind, each.seed))
    report(
        [each for each in recordings if not each.fitted],
        fitted([each for each in recordings if each.fitted]),
    )
    if args.write:
        fitted(recordings).write(WRITTEN)


_NAMES = [name for name, *_ in TERMS]
_PLAIN = [_NAMES.index("sigmas"), _NAMES.index("stained"), len(TERMS)]  # and how much it stirs

if __name__ == "__main__":
    main()
