"""What one picture of the simulated chamber shows; free of drawing, so that it costs nothing.

Colours are (blue, green, red) shares from 0 to 1; places are shares of the
picture, from its left and from its top.
"""

from __future__ import annotations

from dataclasses import dataclass

Bgr = tuple[float, float, float]

WHITE: Bgr = (1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Flame:
    """A flame that stands on `(x, y)`.

    `width` is its foot's share of the picture's width, `tall` its height in
    widths, `diameter_m` the burning patch, which sets how fast it puffs. What
    is below `behind` (from the top) stands behind something and is not seen.
    `power` is how bright it is against a white wall under the lamp.
    """

    x: float
    y: float
    width: float
    diameter_m: float
    tall: float = 2.2
    behind: float | None = None
    power: float = 3.0
    blue: float = 0.0


@dataclass(frozen=True, slots=True)
class Block:
    """Something that stands before everything else: a case, a spool, a box."""

    left: float
    top: float
    right: float
    bottom: float
    colour: Bgr


@dataclass(frozen=True, slots=True)
class Smoke:
    """Smoke in the line of sight, by its optical depth (the power of e by which light fades).

    `plume` is the depth in the middle of the column, which has risen to the
    share `risen` of its height; `layer` that under the lid, reaching down to
    `layer_to` (share of the picture from the top); `haze` that of all the box.
    """

    plume: float = 0.0
    risen: float = 1.0
    layer: float = 0.0
    layer_to: float = 0.0
    haze: float = 0.0
    colour: Bgr = (0.62, 0.62, 0.62)


@dataclass(frozen=True, slots=True)
class Passing:
    """What comes and goes in the view and is no fire; all of it absent by default.

    `person` is where a person stands behind the pane or door, from -0.5 (left
    of it) to 1.5; `shirt` their colour. `sun` is the place of a sun patch's
    middle and its strength. `status` are the brightnesses of small lights,
    `display` the number of what a display shows, `screen` light from one in
    the room. `steam` is a wisp at the nozzle, `dust` a count, `insect` a place.
    `purge` is how much string hangs from the nozzle; `loose` how far a part has
    come loose, `tangle` how much string lies about.
    """

    person: float | None = None
    shirt: Bgr = (0.05, 0.25, 0.85)
    sun: tuple[float, float, float] | None = None
    status: tuple[float, ...] = ()
    display: int | None = None
    screen: Bgr | None = None
    steam: float = 0.0
    dust: int = 0
    insect: tuple[float, float] | None = None
    purge: float = 0.0
    loose: float = 0.0
    tangle: float = 0.0
    bed_drop: float = 0.0


@dataclass(frozen=True, slots=True)
class Optics:
    """What the camera makes of the light.

    `gain` and `balance` are those of exposure and white balance; `blur_px` is
    for a picture 320 wide, `shift_px` as well; `jpeg` a quality, None for none.
    """

    gain: float = 1.0
    balance: Bgr = WHITE
    blur_px: float = 0.0
    shift_px: tuple[float, float] = (0.0, 0.0)
    turned: tuple[float, float] = (0.0, 0.0)
    cover: float = 0.0
    jpeg: int | None = None


@dataclass(frozen=True, slots=True)
class SceneState:
    """All that one picture depends on, besides the seed and the look of the place."""

    t_s: float
    lamp: bool = True
    door_fraction: float = 0.0
    daylight: float = 1.0
    working: bool = False
    parked: bool = True
    built_s: float = 0.0
    height_mm: float = 0.0
    pieces: int = 0
    wide_mm: float = 0.0  # of a long, square piece; 0: they are round
    hand: float = 0.0
    flame_m: float = 0.0
    lower_smoke_per_m: float = 0.0
    upper_smoke_per_m: float = 0.0
    box_height_m: float = 0.6
    box_depth_m: float = 0.6
    lamp_level: float = 1.0
    lamp_colour: Bgr = WHITE
    bands: float | None = None  # depth of the lamp's rolling bands; None for the look's own
    flames: tuple[Flame, ...] = ()
    blocks: tuple[Block, ...] = ()
    smoke: Smoke | None = None
    passing: Passing = Passing()
    optics: Optics = Optics()
