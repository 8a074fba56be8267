"""A simulated chamber that is asked to run faster than the computer can follow."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from running import RunningService, wait_until

CHAMBERS = (
    '[chamber]\nname = "{name}"\n'
    '[[sensor]]\nname = "top"\ndriver = "simulated"\n'
    '[[sensor]]\nname = "middle"\ndriver = "simulated"\n'
    '[camera]\nsource = "simulated"\n'
    '[simulation]\nscenario = "boat_shed_day"\nspeed = 1000\n'
)


def test_every_second_is_watched_at_the_highest_speed(tmp_path: Path) -> None:
    """Two at a thousand times: no second is passed over, so none is said to be unwatched."""
    words: list[str] = []
    for name in ("north", "south"):
        (tmp_path / f"{name}.toml").write_text(CHAMBERS.format(name=name))
        words += ["--chamber", str(tmp_path / f"{name}.toml")]
    with RunningService(tmp_path / "data", *words) as service:

        def seconds() -> list[float]:
            chambers = service.get("/api/now")["chambers"]
            return [datetime.fromisoformat(chamber["at"]).timestamp() for chamber in chambers]

        begun = seconds()
        wait_until(
            lambda: all(now - then > 3000 for now, then in zip(seconds(), begun, strict=True)),
            within_s=60,
        )
        assert service.events(kind="watch_gap") == []
