"""What of a job's pictures and films goes into its file, and under which names."""

from __future__ import annotations

from pathlib import Path

from kept_things import BOOT, CHAMBER, job
from stillair.media.files import new_id
from stillair.model import Outcome
from stillair.runtime.job_media import media_of
from stillair.storage.clips import CLIP, KEPT, LOST, Clip, put
from stillair.storage.history import History
from stillair.storage.journal import Journal


def test_films_that_are_there_go_along(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "journal.db")
    history = History(journal.path, tmp_path / "archive.db")
    journal.commit(Outcome(CHAMBER, 50.0, jobs=(job(),)), BOOT)
    ids = [new_id(), new_id()]
    for id_, state in zip(ids, (KEPT, LOST), strict=True):
        film = Clip(
            id=id_,
            chamber=CHAMBER,
            part=CLIP,
            state=state,
            timeline=BOOT,
            start_s=70.0,
            end_s=160.0,
            origin="real",
            kind="door_open",
            job=job().id,
        )
        assert put(journal, film)
    (found,) = media_of(history, tmp_path, job().id)
    assert found.path == tmp_path / "clips" / f"{ids[0]}.webm"
    assert found.name == "clips/0001-clip-door_open.webm"
    history.close()
    journal.close()
