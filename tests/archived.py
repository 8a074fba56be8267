"""A data folder with something of everything that an archive takes along, and a look at it."""

from __future__ import annotations

import json
import zipfile
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from kept_things import BOOT, CHAMBER, alarm, diagnosis, event, job, judged, note, word_on_event
from stillair.config.reading import default_chamber
from stillair.jobs.toolpath import Layers, Outlines, Toolpath, Whole
from stillair.media.files import PictureFiles
from stillair.model import (
    Change,
    Flaw,
    FlawKind,
    HeightPin,
    Job,
    JobLog,
    JobOutcome,
    JobPhase,
    LogTold,
    Outcome,
    PieceOutcome,
    Spot,
    Timeline,
)
from stillair.runtime.settings_told import settings_told
from stillair.storage import clips, pictures, ran_under, toolpaths
from stillair.storage.archive import Archive
from stillair.storage.clips import Clip, Shown
from stillair.storage.journal import Journal
from stillair.storage.layers import packed
from stillair.storage.pictures import KeptPicture, file_name

BOX = "real 0123456789ab"
JPEG = b"\xff\xd8\xff\xe0" + bytes(range(200)) + b"\xff\xd9"
MIDNIGHT_S = 1_790_035_200.0 - BOOT.wall_at_zero_s


def whole(layers: int = 3) -> Whole:
    """What a plate of oarlock bushings is built of."""
    return Whole(
        duration_s=3600.5,
        height_mm=0.2 * layers,
        layers=layers,
        nozzle_c=(255.0, 250.0),
        bed_c=(100.0, None),
        chamber_c=None,
        filament_mm=1234.5,
        footprint_mm=(10.0, 10.0, 50.0, 50.0),
        base_area_mm2=1600.0,
        longest_run_mm=40.0,
        pieces=1,
        tools=(0,),
        fan_first_share=0.0,
        units="mm",
        spiral=False,
        stops_s=(),
        warnings=(),
    )


def toolpath(layers: int = 3) -> Toolpath:
    """Layers of it; the nozzle is unknown on the first."""
    columns = {
        name: np.arange(layers, dtype=np.float64) / 7 + 0.1
        for name in Layers.__dataclass_fields__
        if name not in ("piece", "nozzle_c")
    }
    nozzle_c = np.array([np.nan, *([250.0] * (layers - 1))])
    rows = Layers(piece=np.zeros(layers, np.int32), nozzle_c=nozzle_c, **columns)
    bits = bytes(range(2 * layers))
    return Toolpath(whole(layers), rows, Outlines(0.5, 10.0, 10.0, 4, 4, bits))


def job_of(
    journal: Journal,
    number: int,
    begun_s: float,
    *,
    boot: Timeline = BOOT,
    box: str = BOX,
    over: bool = True,
) -> str:
    """A job with an open door, an alarm, a pause, a note, a pin taken back, log, piece and word."""
    name = f"{CHAMBER}-{number}"
    begun: Job = replace(job(number, started_s=begun_s), box=box, height_mm=0.2)
    first = Outcome(CHAMBER, begun_s, jobs=(begun,))
    journal.commit(first, boot)
    at_s = begun_s + 100.0
    raised, standing = event(number, at_s=at_s, job=name), alarm(number, at_s, job=name)
    journal.commit(Outcome(CHAMBER, at_s, events=(raised,), alarms=(standing,)), boot)
    paused = replace(begun, state=JobPhase.PAUSED, paused_since_s=at_s + 5)
    journal.commit(Outcome(CHAMBER, at_s + 5, jobs=(paused,)), boot)
    running = replace(begun, paused_s=20.0, height_mm=12.4)
    cleared = event(number, Change.CLEARED, at_s + 25, job=name)
    journal.commit(Outcome(CHAMBER, at_s + 25, jobs=(running,), events=(cleared,)), boot)
    remark = replace(note(t_s=at_s + 30), job=name)
    told = LogTold(name, at_s + 31, "cox", JobLog(batch="B7", dried_h=6.0), ("batch", "dried_h"))
    (kept,) = journal.commit(
        Outcome(CHAMBER, at_s + 40, pins=(HeightPin(name, at_s + 40, "cox", 8.0, at_s + 20),)),
        boot,
    )
    back = HeightPin(name, at_s + 41, "cox", takes_back=kept.seq)
    pin = HeightPin(name, at_s + 42, "cox", 9.0, at_s + 21)
    journal.commit(
        Outcome(CHAMBER, at_s + 42, notes=(remark,), logs=(told,), pins=(back, pin)), boot
    )
    if over:
        ended = replace(running, state=JobPhase.FINISHED, finished_s=at_s + 400)
        journal.commit(Outcome(CHAMBER, at_s + 500, jobs=(ended,)), boot)
        flaw = Flaw(FlawKind.CRACK, 8.4, Spot.FRONT_LEFT, "a hair's breadth")
        piece = PieceOutcome(1, Spot.FRONT_LEFT, JobOutcome.FLAWED, (flaw,))
        log = LogTold(name, at_s + 600, "cox", piece=piece, piece_named=("place", "flaws"))
        journal.commit(
            Outcome(
                CHAMBER,
                at_s + 700,
                outcomes=(judged(JobOutcome.FLAWED, number, at_s + 700),),
                logs=(log,),
                diagnoses=(replace(diagnosis(number, at_s + 650), box=box),),
                judgements=(replace(word_on_event(number, at_s + 660), job=name),),
            ),
            boot,
        )
    return name


def picture_of(
    folder: Path, journal: Journal, picture: str, job_id: str, boot: Timeline = BOOT
) -> None:
    """A photograph of a job."""
    data = JPEG + picture.encode()
    files = PictureFiles(folder / "pictures", free_bytes=lambda _: 10**12)
    files.write(file_name(picture), data)
    pictures.add(
        journal,
        KeptPicture(
            id=picture,
            chamber=CHAMBER,
            part="photograph",
            t_s=700.0,
            timeline=boot,
            size_bytes=len(data),
            job=job_id,
            event=1,
            detail={"by": "cox", "origin": "real"},
        ),
    )


WEBM = b"\x1aE\xdf\xa3\x9fB\x82\x84webm" + bytes(30) + b"V_VP8" + bytes(range(250)) * 20
FINGERPRINT = "abcdef"


def film_of(
    folder: Path, journal: Journal, film: str, job_id: str, boot: Timeline = BOOT, **more: Any
) -> Path:
    """A film of a job's open door, in which the camera was paused; or why there is none."""
    data = WEBM + film.encode()
    told: dict[str, Any] = {
        "part": clips.CLIP,
        "state": clips.KEPT,
        "start_s": 1070.5,
        "end_s": 1160.5,
        "origin": "real",
        "kind": "door_open",
        "shown": (Shown(1, "door_open", 1100.0), Shown(77, "draft", 1101.25)),
        "length_s": 92.0,
        "size_bytes": len(data),
        "paused": ((1155.0, 1200.0), (1210.0, None)),
        "why": "",
    }
    clip = Clip(id=film, chamber=CHAMBER, timeline=boot, job=job_id, **(told | more))
    clips.put(journal, clip)
    path = folder / "clips" / f"{film}.webm"
    if clip.state == clips.KEPT:
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)
    return path


def settings_of(journal: Journal, boot: Timeline) -> None:
    """What the mark stands for that the jobs' rows have."""
    settings = default_chamber()
    told = json.dumps(settings_told(settings))
    with journal.transaction("for a test") as connection:
        at_us = round(boot.wall_at_zero_s * 1e6)
        ran_under.keep(connection, CHAMBER, journal.made_with[CHAMBER], at_us, told)


def readings_of(archive: Archive, begin_s: float, count: int = 900) -> None:
    """Two sensors for some minutes, one of which is silent now and then."""
    for second in range(count):
        archive.add(CHAMBER, "top", begin_s + second + 0.016, 45.0 + (second % 7) / 16)
        low_c = None if second % 50 < 3 else 44.37 + second % 3
        archive.add(CHAMBER, "bottom, left", begin_s + second + 0.5, low_c)
        if second == count // 2:
            archive.flush()


def rich(folder: Path, *, jobs: int = 3, boot: Timeline = BOOT, box: str = BOX) -> Path:
    """Such a folder, made as a service makes it."""
    tag = boot.boot_id[-1].encode().hex()
    with closing(Journal.open(folder / "journal.db")) as journal:
        journal.made_with[CHAMBER] = f"1.0 {FINGERPRINT}{tag}"
        names = [
            job_of(journal, number, 1000.0 * number, boot=boot, box=box)
            for number in range(1, jobs + 1)
        ]
        journal.commit(Outcome(CHAMBER, 9000.0, events=(event(jobs + 1, at_s=9000.0),)), boot)
        picture_of(folder, journal, f"{tag}{'0' * 29}1"[-32:].zfill(32), names[0], boot)
        picture_of(folder, journal, f"{tag}{'0' * 29}2"[:32].ljust(32, "2"), names[-1], boot)
        film_of(folder, journal, f"{tag}f1".ljust(32, "1"), names[0], boot)
        none: dict[str, Any] = {"length_s": 0.0, "size_bytes": 0, "why": "No picture came."}
        film_of(folder, journal, f"{tag}f2".ljust(32, "2"), names[0], boot, state="lost", **none)
        settings_of(journal, boot)
        for number, name in enumerate(("bushings", "broken")):
            mark = f"{number}{tag}".ljust(32, "a")
            toolpaths.add(
                journal,
                mark,
                chamber=CHAMBER,
                name=name,
                source="",
                size_bytes=1000,
                at_us=round((boot.wall_at_zero_s + 50) * 1e6),
            )
            if number:
                toolpaths.refuse(journal, mark, 7, "there is no such word")
            else:
                toolpaths.keep(journal, mark, whole(), packed(toolpath()))
                toolpaths.follow(journal, names[0], mark, round(boot.wall_at_zero_s * 1e6))
    with closing(Archive.open(folder / "archive.db", row_readings=400)) as archive:
        readings_of(archive, boot.wall_at_zero_s + 1000.0)
        # Over midnight, and with the clock set back in between.
        midnight_s = boot.wall_at_zero_s + MIDNIGHT_S
        readings_of(archive, midnight_s - 300.0)
        readings_of(archive, midnight_s - 400.0, 200)
    return folder


def contents(file: Path) -> dict[str, bytes]:
    """Every file of an archive but its head, by name."""
    with zipfile.ZipFile(file) as packed:
        return {name: packed.read(name) for name in packed.namelist() if name != "archive.json"}


def head(file: Path) -> dict[str, Any]:
    """What an archive says of itself."""
    with zipfile.ZipFile(file) as packed:
        found = json.loads(packed.read("archive.json"))
    assert isinstance(found, dict)
    return found


def without_films(file: Path, to: Path) -> Path:
    """The same in the form that an archive had before there were films and settings in it."""
    told = head(file)
    told["form"] = 1
    for counts in (told["counts"], *(each["counts"] for each in told["chambers"])):
        del counts["films"], counts["settings"]
    files = {
        name: data
        for name, data in contents(file).items()
        if not name.endswith(("/films.jsonl", "/settings.jsonl", ".webm"))
    }
    told["files"] = {name: told["files"][name] for name in files}
    with zipfile.ZipFile(to, "w") as packed:
        for name, data in files.items():
            packed.writestr(name, data)
        packed.writestr("archive.json", json.dumps(told))
    return to
