"""The sensors of a chamber held against each other, from job to job."""

from __future__ import annotations

import pytest
from pydantic import TypeAdapter

from stillair.model import Phase
from stillair.thermal.air import AirTrack
from stillair.thermal.neighbours import NeighbourMemory, NeighbourWatch

ROOM_C = 20.0
COLD = {"top": 20.3, "low": 19.9}
WARM = {"top": 52.0, "low": 44.0}


def watched(
    memory: NeighbourMemory | None, cold: dict[str, float], warm: dict[str, float]
) -> NeighbourWatch:
    """An hour of a cold chamber, three of a warm one."""
    watch = NeighbourWatch(["top", "low"], [], memory)
    tracks = {name: AirTrack(name) for name in cold}
    for minute in range(4 * 60):
        values = cold if minute < 60 else warm
        for name, track in tracks.items():
            for _ in range(61 if not minute else 1):  # a track holds the mean of a minute
                track.push(values[name], 1.0)
            for _ in range(59):
                track.push(values[name], 1.0)
        phase = Phase.COLD if minute < 60 else Phase.STEADY
        watch.tick(60.0 * minute, list(tracks.values()), {}, ROOM_C, phase, disturbed=False)
    return watch


@pytest.mark.parametrize(
    ("cold", "warm", "word"),
    [
        pytest.param(COLD, WARM, None, id="as it was"),
        pytest.param({"top": 21.6, "low": 19.9}, WARM, "drift", id="aged between the jobs"),
        pytest.param(COLD, {"top": 44.5, "low": 51.5}, "swapped", id="wires changed"),
    ],
)
def test_what_is_usual_is_kept_from_job_to_job(
    cold: dict[str, float], warm: dict[str, float], word: str | None
) -> None:
    first = watched(None, COLD, WARM)
    assert not first.troubles
    kept = TypeAdapter(NeighbourMemory)
    memory = kept.validate_json(kept.dump_json(first.memory()))
    assert memory == first.memory()
    second = watched(memory, cold, warm)
    assert [trouble.word for trouble in second.troubles.values()] == ([word] if word else [])


def test_of_sensors_that_are_gone_nothing_is_asked() -> None:
    memory = NeighbourMemory({"old": 0.5, "top": 0.2}, {"old": {"top": 0.3}})
    assert not watched(memory, COLD, WARM).troubles
