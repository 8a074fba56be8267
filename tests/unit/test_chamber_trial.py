"""New settings on trial: a chamber file is put back unless somebody has watched by the new one."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest

from stillair.errors import CommandRefused, StoreError
from stillair.runtime.chamber_file import OWN, ChamberFile, digest_of, watched_files
from stillair.runtime.chamber_trial import FILE, MOST, Trial

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
OLD, NEW, NEWER = "# old\n", "# new, with a secret oar\n", "# newer\n"


class Shed:
    """A chamber file, and the data directory of the service that watches by it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "data"
        self.folder.mkdir()
        self.file = ChamberFile(folder / "chamber.toml")
        self.file.path.write_text(OLD)

    def trial(self) -> Trial:
        """What a process that starts knows."""
        return Trial(self.folder, lambda: NOW)

    def started(self) -> Trial:
        trial = self.trial()
        trial.begin()
        return trial

    def change(self, text: str, words: str = "The target: 50 °C.") -> Trial:
        trial = self.trial()
        trial.change(self.file, self.file.read().digest, text, [words], "cox")
        return trial

    @property
    def text(self) -> str:
        return self.file.path.read_text()


@pytest.fixture
def shed(tmp_path: Path) -> Shed:
    return Shed(tmp_path)


def test_settings_that_were_watched_by_stay(shed: Shed) -> None:
    shed.change(NEW)
    shed.started().passed()
    assert not shed.started().pending
    assert shed.text == NEW
    assert shed.started().returned is None


def test_settings_that_never_came_up_are_put_back_by_the_second_start(shed: Shed) -> None:
    shed.change(NEW)
    assert shed.started().pending, "the first start tries them"
    again = shed.started()
    assert shed.text == OLD
    assert again.returned is not None
    assert again.returned.words == ["The target: 50 °C."]
    assert not again.pending
    assert again.last(shed.file.path) is None
    shed.change(NEWER)
    assert shed.trial().returned is None, "a newer change is what counts"


def test_a_change_that_was_never_written_is_forgotten(shed: Shed) -> None:
    """The power went between the two files."""
    shed.change(NEW)
    shed.file.path.write_text(OLD)
    assert not shed.started().pending
    assert shed.text == OLD
    assert shed.started().last(shed.file.path) is None


def test_what_somebody_has_mended_by_hand_is_left_alone(shed: Shed) -> None:
    shed.change(NEW)
    shed.started()
    shed.file.path.write_text(NEWER)
    assert not shed.started().pending
    assert shed.text == NEWER


def test_changes_are_undone_one_after_the_other(shed: Shed) -> None:
    for text in (NEW, NEWER):
        shed.change(text, words=text)
        shed.started().passed()
    for before in (NEW, OLD):
        trial = shed.started()
        trial.undo(shed.file, shed.file.read().digest, "cox")
        assert shed.text == before
        shed.started().passed()
    with pytest.raises(CommandRefused, match="no change"):
        shed.started().undo(shed.file, shed.file.read().digest, "cox")


def test_an_undoing_that_does_not_come_up_is_undone(shed: Shed) -> None:
    shed.change(NEW)
    shed.started().passed()
    shed.trial().undo(shed.file, digest_of(NEW), "cox")
    shed.started()
    shed.started()
    assert shed.text == NEW


def test_what_was_edited_since_is_not_undone(shed: Shed) -> None:
    shed.change(NEW)
    shed.started().passed()
    shed.file.path.write_text(NEWER)
    with pytest.raises(CommandRefused):
        shed.trial().undo(shed.file, shed.file.read().digest, "cox")
    assert shed.text == NEWER


def test_what_changed_meanwhile_is_never_written_over(shed: Shed) -> None:
    seen = shed.file.read().digest
    shed.file.path.write_text(NEWER)
    trial = shed.trial()
    with pytest.raises(CommandRefused, match="changed meanwhile"):
        trial.change(shed.file, seen, NEW, ["x"], "cox")
    assert shed.text == NEWER
    assert not trial.pending
    assert not shed.trial().pending


def test_so_many_changes_are_kept_and_no_more(shed: Shed) -> None:
    for number in range(MOST + 3):
        shed.change(f"# {number}\n")
        shed.started().passed()
    assert (shed.folder / FILE).read_text().count('"by"') == MOST
    assert (shed.folder / FILE).stat().st_mode & 0o777 == 0o600


def test_a_record_that_is_garbled_stops_no_start(shed: Shed) -> None:
    (shed.folder / FILE).write_text('{"done": [{"file": 1}]')
    assert not shed.started().pending
    shed.change(NEW)
    assert shed.trial().pending


def test_a_full_disk_leaves_all_as_it_was(shed: Shed, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise StoreError("no room")

    monkeypatch.setattr("stillair.runtime.chamber_trial.files.write", full)
    with pytest.raises(StoreError):
        shed.change(NEW)
    assert shed.text == OLD


def test_a_file_made_by_the_page_counts_where_none_is_named(tmp_path: Path) -> None:
    named = (tmp_path / "north.toml",)
    assert watched_files((), tmp_path) == ()
    own = ChamberFile(tmp_path / OWN)
    own.write(NEW, "")
    assert own.path.stat().st_mode & 0o777 == 0o600, "it may come to hold a password"
    assert watched_files((), tmp_path) == (own.path,)
    assert watched_files((), tmp_path, simulated=True) == ()
    assert watched_files(named, tmp_path) == named
    own.write("", digest_of(NEW))  # as before the first change
    assert watched_files((), tmp_path) == ()


def test_mode_and_link_stay_and_nothing_is_left_behind(tmp_path: Path) -> None:
    real = tmp_path / "kept" / "real.toml"
    real.parent.mkdir()
    real.write_text(OLD)
    real.chmod(0o640)
    link = tmp_path / "chamber.toml"
    link.symlink_to(real)
    ChamberFile(link).write(NEW, digest_of(OLD))
    assert link.is_symlink()
    assert real.read_text() == NEW
    assert real.stat().st_mode & 0o777 == 0o640
    assert [path.name for path in real.parent.iterdir()] == ["real.toml"]


def test_a_folder_that_cannot_be_written_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As /etc is for the service's own user."""
    path = tmp_path / "chamber.toml"
    path.write_text(OLD)
    monkeypatch.setattr(os, "access", lambda *_: False)
    file = ChamberFile(path)
    why, todo = file.why_fixed() or ("", "")
    assert "another user's" in why
    assert "data directory" in todo
    with pytest.raises(CommandRefused, match="copy it"):
        file.write(NEW, digest_of(OLD))
    assert path.read_text() == OLD
