"""One simulated chamber: physics, script, sensors and picture, moved on together.

The world moves in whole seconds on its own grid, however it is asked, so the
same scenario and seed give the same values to the last bit. Doors and the
machine's head are drawn for the exact moment.

Thread-safe: supervisor and camera share one world. A lock is held for the
step and for taking the scene's state, never while a picture is drawn; a long
stretch is stepped in pieces, so that nobody waits long for another's.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from random import Random
from typing import TYPE_CHECKING, Final

from stillair.errors import CameraError, ContactError, SensorError, TimeOrderError
from stillair.model import ContactKind
from stillair.simulation.burning import Burning, decibel_per_m
from stillair.simulation.physics import Drives, HeatModel
from stillair.simulation.points import PointFault, SensingPoint
from stillair.simulation.scenario import Scenario, Step
from stillair.simulation.script import JobMark, Script, Truth
from stillair.simulation.view import SceneState

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from stillair.simulation.scene import Scene

GRID_S: Final = 1.0
WARM_STEP_S: Final = 5.0
PIECE_STEPS: Final = 600
LONGEST_STRETCH_S: Final = 30 * 86400.0
# Motors and hot end: a pause keeps the one holding and the other hot; iron and brass
# take minutes to give up what they hold (0.3 kg of either over some 0.5 W/K).
WORKING_W, PAUSED_W, MACHINE_TAU_S = 25.0, 18.0, 240.0
FRESH_PLASTIC_C: Final = 160.0
DETECTOR_TRIPS_DB_PER_M: Final = 0.2  # within the 0.05 to 0.3 dB/m of EN 54-7 (recalled)
EXTINCTION_M2_PER_UG: Final = 8.7e-6  # Mulholland and Croarkin (2000), as in `burning`
CLEAN_AIR_UG: Final = 12.0  # of fine particles in a cubic metre of a shed's air (assumed)


class SimulatedChamber:
    """A chamber that behaves, for whoever has no chamber at hand.

    Parameters
    ----------
    scenario : Scenario
        What stands there and what happens; the warm start is run at once.
    seed : int
        Another seed gives other noise and another picture, the same physics.
    """

    def __init__(self, scenario: Scenario, *, seed: int = 1) -> None:
        self.scenario = scenario
        self.seed = seed
        self._lock = threading.Lock()
        box = scenario.enclosure
        room_c = scenario.room.temperature_c(self._hour(-scenario.warm_start_s))
        self._heat = HeatModel(box, scenario.bed, scenario.heater, room_c)
        self._burning = Burning(box.volume_m3)
        self._drives = Drives()
        self._points = {
            plan.name: SensingPoint(plan, Random(f"{seed}/{plan.name}"))
            for plan in scenario.sensors
        }
        self._contacts = {plan.name: plan.kind for plan in scenario.contacts}
        self._detecting = False
        self._script = Script(
            scenario,
            light=self._burning.light,
            put_out=self._burning.put_out,
            ail=self._ail,
            take_part=self._heat.take_part_away,
        )
        self._scene: Scene | None = None
        self._steps = 0  # seconds of the grid since time 0
        self._asked_s = 0.0
        self._began_s: float | None = None
        self._listeners: list[Callable[[], None]] = []
        self._switches: tuple[object, ...] = ()
        self._warm_up()

    # --- time ---

    def advance(self, t_s: float) -> None:
        """Move to the chamber's time `t_s`. An earlier time than asked before changes nothing.

        Raises `TimeOrderError` for a time that is no finite number or lies
        more than 30 days ahead: that is a clock's fault, and would take minutes.
        """
        if not -math.inf < t_s <= self._steps * GRID_S + LONGEST_STRETCH_S:
            raise TimeOrderError(f"the simulated chamber can't move to {t_s}")
        arrived = False
        while not arrived:
            with self._lock:
                for _ in range(PIECE_STEPS):
                    if (self._steps + 1) * GRID_S > t_s:
                        arrived = True
                        break
                    self._step()
                if arrived:
                    self._asked_s = max(self._asked_s, t_s)
                script = self._script
                told = script.switched, script.heating, script.unsupplied
                switches = (self._door_open(), self._detecting, *told)
                listeners = self._listeners if switches != self._switches else ()
                self._switches = switches
            for changed in listeners:
                changed()

    @property
    def now_s(self) -> float:
        """The latest time that was asked for."""
        return self._asked_s

    def began_s(self, clock_s: float) -> float:
        """The clock's time at which this world began; the first who asks says so."""
        with self._lock:
            if self._began_s is None:
                self._began_s = clock_s - self._asked_s
            return self._began_s

    def on_switch(self, changed: Callable[[], None]) -> None:
        """Have `changed` called, by whoever moves the world, when a switch may be new."""
        with self._lock:
            self._listeners = [*self._listeners, changed]

    def _hour(self, t_s: float) -> float:
        return self.scenario.starts_at_h + t_s / 3600.0

    def _warm_up(self) -> None:
        t_s = -self.scenario.warm_start_s
        while t_s < 0.0:
            step_s = min(WARM_STEP_S, -t_s)
            self._script.run_until(t_s)
            self._drive(t_s, step_s)
            self._heat.step(step_s, self._drives, coarse_s=WARM_STEP_S)
            self._burning.step(step_s, self._heat)
            t_s += step_s
        self._script.run_until(0.0)
        for point in self._points.values():
            point.settle(self._heat)

    def _step(self) -> None:
        self._drive(self._steps * GRID_S, GRID_S)
        self._heat.step(GRID_S, self._drives)
        if not self._burning.calm:
            self._burning.step(GRID_S, self._heat)
            thick = decibel_per_m(self._burning.upper_per_m)
            # Trips at its threshold, and falls back only when the air is clean again.
            limit = DETECTOR_TRIPS_DB_PER_M * (0.2 if self._detecting else 1.0)
            self._detecting = thick > limit
        for point in self._points.values():
            point.update(GRID_S, self._heat)
        self._steps += 1
        self._script.run_until(self._steps * GRID_S)

    def _drive(self, t_s: float, step_s: float) -> None:
        """Hand to the physics what script and fire do."""
        script, burning, drives = self._script, self._burning, self._drives
        laid_kg = script.build_on(t_s + step_s, step_s)
        if laid_kg > 0.0:
            self._heat.add_plastic(laid_kg, FRESH_PLASTIC_C)
        fed_w = WORKING_W if script.working else PAUSED_W if script.build is not None else 0.0
        drives.machine_w += (fed_w - drives.machine_w) * min(1.0, step_s / MACHINE_TAU_S)
        drives.room_c = self.scenario.room.temperature_c(self._hour(t_s))
        # The mean opening of the step; a door takes longer than a step to swing.
        drives.door_fraction = script.door.fraction(t_s + step_s / 2.0)
        drives.draft_per_h = script.draft_per_h
        drives.draft_upper = script.draft_upper
        drives.fan = script.fan
        drives.part_fan = script.part_fan
        drives.bed_target_c = script.bed_target_c
        drives.heater_target_c = script.heater_target_c
        drives.flame_w = burning.flame_w
        drives.smoke_per_m = burning.upper_per_m

    def _ail(self, sensor: str, step: Step | None) -> None:
        point = self._points.get(sensor)
        if point is None:
            return
        if step is None:
            point.mend()
            return
        fault = PointFault(step.text("fault"))
        key = "drift_k_per_h" if fault is PointFault.DRIFT else "size_k"
        point.fail(fault, step.number(key) or 0.0)

    # --- what instruments see ---

    def temperature_c(self, point: str) -> float | None:
        """What the sensor of that name indicates now; None when it says nothing new.

        Raises `SensorError` for a broken or an unknown one.
        """
        with self._lock:
            found = self._points.get(point)
            if found is None:
                raise SensorError(point, "no such sensor in the simulated chamber", retry=False)
            return found.indication_c()

    def door_open(self) -> bool:
        """Whether the door is off its switch."""
        with self._lock:
            return self._door_open()

    def _door_open(self) -> bool:
        return self._script.door.fraction(self._asked_s) > 0.01

    def presses(self, name: str) -> int:
        """How often a step has made this switch active; a short press shows here afterwards."""
        with self._lock:
            return self._script.presses(name)

    def contact(self, name: str) -> bool:
        """Whether the switch is active. Raises `ContactError` for a broken or an unknown one."""
        with self._lock:
            forced = self._script.forced(name)
            kind = self._contacts.get(name)
            if kind is None:
                raise ContactError(name, "no such switch in the simulated chamber", retry=False)
            if forced is False:
                raise ContactError(name, "the wire is open", retry=True)
            if forced is True:
                return True
            if kind is ContactKind.DOOR:
                return self._door_open()
            if kind is ContactKind.HEATER:
                return self._script.heating
            if kind is ContactKind.SUPPLY:
                return self._script.unsupplied
            return kind is ContactKind.DETECTOR and self._detecting

    def particles_ug_per_m3(self) -> float:
        """Fine particles in the upper air of the box, micrograms a cubic metre."""
        with self._lock:
            smoke_ug = self._burning.upper_per_m / EXTINCTION_M2_PER_UG
            return CLEAN_AIR_UG + smoke_ug

    def picture(self) -> NDArray[np.uint8]:
        """The camera's view now, `(480, 640, 3) uint8, BGR`. Raises `CameraError` while lost."""
        state = self.scene_state()
        with self._lock:
            if self._scene is None:
                # Drawing needs OpenCV; a world without a camera does not.
                from stillair.simulation.scene import Scene

                self._scene = Scene(self.seed)
            scene = self._scene
        return scene.draw(state)

    def scene_state(self) -> SceneState:
        """All that the picture shows, at the latest time asked for. Raises `CameraError`."""
        with self._lock:
            script, burning, t_s = self._script, self._burning, self._asked_s
            if script.camera == "lost":
                raise CameraError("simulated", "the camera is unplugged", retry=True)
            if script.camera == "frozen":
                t_s = script.camera_since_s
            build = script.build or script.done
            return SceneState(
                t_s=t_s,
                lamp=script.lamp,
                door_fraction=script.door.fraction(t_s),
                daylight=self._daylight(t_s),
                working=script.working,
                parked=script.build is None or script.build.paused,
                built_s=build.built_s if build is not None else 0.0,
                height_mm=build.height_mm if build is not None else 0.0,
                pieces=build.pieces if build is not None else 0,
                wide_mm=build.wide_mm if build is not None else 0.0,
                hand=_reach(t_s, script.hand_from_s, script.hand_until_s),
                flame_m=burning.flame_m,
                lower_smoke_per_m=burning.lower_per_m,
                upper_smoke_per_m=burning.upper_per_m,
                box_height_m=self.scenario.enclosure.height_m,
                box_depth_m=self.scenario.enclosure.depth_m,
            )

    def _daylight(self, t_s: float) -> float:
        """Light in the room, 0.15 (a lamp at night) to 1."""
        hour = self._hour(t_s) % 24.0
        return max(0.15, min(1.0, 1.3 - abs(hour - 13.0) / 6.0))

    # --- what the machine and the script tell ---

    def marks(self) -> tuple[JobMark, ...]:
        """What the scripted machine would have posted about its job since the last call."""
        with self._lock:
            return self._script.take_marks()

    def truth(self) -> tuple[Truth, ...]:
        """What really happened until now, by start; for tests and benches."""
        with self._lock:
            return self._script.truth()

    def temperatures(self) -> dict[str, float]:
        """The true temperatures of the model's masses, degrees Celsius."""
        with self._lock:
            heat = self._heat
            return {
                "lower": heat.lower_c,
                "upper": heat.upper_c,
                "wall_lower": heat.wall_lower_c,
                "wall_upper": heat.wall_upper_c,
                "bed": heat.bed_c,
                "part": heat.part_c,
                "machine": heat.machine_c,
                "heater": heat.heater_c,
                "room": heat.room_c,
            }


def _reach(t_s: float, from_s: float, until_s: float) -> float:
    """How far a hand reaches in, 0 to 1: it comes and goes within two seconds."""
    if not from_s <= t_s <= until_s:
        return 0.0
    return max(0.0, min(1.0, (t_s - from_s) / 2.0, (until_s - t_s) / 2.0))
