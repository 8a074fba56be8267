"""Kill -9 at any moment: is anything lost that was told as kept or as sent?

    .venv/bin/python tests/bench/kills.py [--kills 1000] [--storm 1000] [--whole 100]
                                          [--seed 1] [--json]

Journal and courier: a process commits outcomes to a journal and mails their messages
to a real mail server, until it is killed at a random moment, also while it opens the
file. After each kill the next goes on. What it was told as kept must be in the history,
whole; what it was told as sent must have arrived.

An alarm storm: a process in which alarms, acknowledgements, shelvings and messages come all
the time, what presses sent at the same moment as it is stored, while the mail server is
at times away. No state of an alarm that was told as kept may be missing, and in the end every
message has arrived or a newer word on the same alarm in its place.

The whole service: a real `stillair run`, played fast, killed at a random moment of its
work or of its start. What a page was shown, and every note that was answered as stored,
must be there; every message of the outbox must arrive in the end.
"""

from __future__ import annotations

import argparse
import asyncio
import hashlib
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import zlib
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from random import Random

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

import httpx  # noqa: E402 - the paths above come first

from bench.figures import Figure, show  # noqa: E402
from integration.test_survival import listen  # noqa: E402
from kept_things import BOOT, CHAMBER  # noqa: E402
from killed_keepers import KEPT, SENT, keepers, told_before_kill  # noqa: E402
from running import RunningService, wait_until  # noqa: E402
from servers import TOLD_BY_MAIL, MailServer  # noqa: E402
from stillair.alerts.pacing import presses  # noqa: E402
from stillair.alerts.routes import Message  # noqa: E402
from stillair.database import check_soundness  # noqa: E402
from stillair.storage.history import History  # noqa: E402
from stillair.storage.journal import Journal  # noqa: E402
from storming import ALARM, DRAINING, SEEN, courier, mark  # noqa: E402
from storming import SENT as STORM_SENT  # noqa: E402

OPENING = 0.2  # of the kills of journal and courier come while the file is being opened
OPENING_S, WORKING_S = 0.4, 0.03  # how long at most until the kill, then and else
LINES = 40  # at most that a process tells before
WHOLE_CHAMBER = (
    """
[chamber]
name = "North bench"
enclosure = ["plywood"]

[simulation]
scenario = "boat_shed_day"
speed = 60

[[sensor]]
name = "top"
driver = "simulated"

[[sensor]]
name = "middle"
driver = "simulated"

[[contact]]
name = "door"
kind = "door"
driver = "simulated"
"""
    + TOLD_BY_MAIL
)


def journal_and_courier(folder: Path, kills: int, chance: Random) -> Iterator[Figure]:
    path = folder / "journal.db"
    mail = MailServer()
    mail.start()
    told: list[list[int]] = []
    lost: set[int] = set()
    seen: dict[int, int] = {}  # number of each event by its number in the ledger
    begun_s = time.monotonic()

    def kill(child: int, within_s: float = WORKING_S) -> None:
        time.sleep(chance.uniform(0.0, within_s))
        os.kill(child, signal.SIGKILL)

    def one_life(process: subprocess.Popen[str]) -> list[list[int]]:
        if chance.random() < OPENING:
            return told_before_kill(process, str(mail.port), 0, partial(kill, within_s=OPENING_S))
        return told_before_kill(process, str(mail.port), chance.randint(1, LINES), kill)

    try:
        with keepers("courier", path) as process:
            for number in range(kills):
                told += one_life(process)
                if told and number % 10 == 9:
                    lost |= missing(path, told, seen)
                    print(f"\r{number + 1} kills", end="", file=sys.stderr, flush=True)
        check_soundness(path)
        journal = Journal.open(path)
        with keepers("courier", path) as process:
            told += told_before_kill(process, str(mail.port), 100, kill)
        left = {notice.key for notice in journal.waiting_notices(10**6)}
        lost |= missing(path, told, seen)
        notices = messages(path)
        alarms = len(journal.memory(CHAMBER, BOOT).alarms)
        journal.close()
    finally:
        mail.stop()
    came = Counter(int(str(each["subject"]).rpartition(" ")[2]) for each in mail.messages)
    kept = {words[1] for words in told if words[0] == KEPT}
    sent = {words[1] for words in told if words[0] == SENT}
    recorded = {int(key.rpartition("-")[2]) for key, state in notices.items() if state == "sent"}
    yield Figure("kills of journal and courier", kills, "")
    yield Figure("time for them", time.monotonic() - begun_s, "s")
    yield Figure("outcomes told as kept", len(kept), "")
    yield Figure("of them not in the history", len(lost), "", 0)
    yield Figure("outcomes in the history", len(seen), "")
    halves = 2 * len(seen) - alarms - len(notices)
    yield Figure("of them without their alarm or message", halves, "", 0)
    yield Figure("messages told as sent", len(sent), "")
    yield Figure("of them never received", len(sent - set(came)), "", 0)
    yield Figure("of them not known as sent afterwards", len(sent - recorded), "", 0)
    gone = sum(n not in came and f"{CHAMBER}-{n}" not in left for n in seen.values())
    yield Figure("messages neither received nor waiting", gone, "", 0)
    yield Figure("messages received more than once", sum(n > 1 for n in came.values()), "")
    yield Figure("messages received, most often", max(came.values(), default=0), "times")
    yield Figure("messages received of nothing kept", len(set(came) - set(seen.values())), "", 0)


def messages(path: Path) -> dict[str, str]:
    """The state of every message in a journal."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=10.0)) as journal:
        return dict(journal.execute("SELECT key, state FROM notice"))


def missing(path: Path, told: list[list[int]], seen: dict[int, int]) -> set[int]:
    """Which outcomes that were told as kept are not in the history, or not whole."""
    history = History(path, path.parent / "archive.db")
    try:
        after = max(seen, default=0)
        while (page := history.entries(after, 1000, "event")).entries:
            seen.update({e.seq: int(str(e.body["event"])) for e in page.entries})
            after = page.entries[-1].seq
    finally:
        history.close()
    numbers = set(seen.values())
    return {words[1] for words in told if words[0] == KEPT and words[1] not in numbers}


def storm(folder: Path, kills: int, chance: Random) -> Iterator[Figure]:
    """Kill a chamber in which alarms, answers and messages come all the time."""
    path = folder / "storm.db"
    mail = MailServer()
    mail.start()
    told: dict[int, set[tuple[int, ...]]] = {ALARM: set(), SEEN: set(), STORM_SENT: set()}
    begun_s = time.monotonic()

    def kill(child: int) -> None:
        time.sleep(chance.uniform(0.0, 0.15))
        os.kill(child, signal.SIGKILL)

    try:
        with keepers("storm", path) as process:
            for number in range(kills):
                # A mail server that is at times away for a while, as they are.
                mail.refuse_with = "451 4.3.0 try later" if chance.random() < 0.2 else None
                least = 0 if chance.random() < OPENING else chance.randint(1, LINES)
                for words in told_before_kill(process, str(mail.port), least, kill):
                    told[words[0]].add(tuple(words[1:]))
                if number % 10 == 9:
                    print(f"\r{number + 1} kills in a storm", end="", file=sys.stderr, flush=True)
        mail.refuse_with = None
        lasted_s = time.monotonic() - begun_s
        check_soundness(path)
        drain(path, mail.port)
    finally:
        mail.stop()
    marks = kept_alarms(path)
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=10.0)) as journal:
        rows = journal.execute(
            "SELECT key, state, stage, kind, priority, alarm, route, created_us, title FROM notice"
        ).fetchall()
    states = Counter(row[1] for row in rows)
    mails: dict[str, list[str]] = {}
    for each in mail.messages:
        mails.setdefault(str(each["message-id"]).partition("@")[0][1:], []).append(
            str(each["subject"])
        )
    ids = {hashlib.sha256(row[0].encode()).hexdigest()[:32]: row for row in rows}
    sent = {row[0] for row in rows if row[1] == "sent"}
    came = {row[0] for name, row in ids.items() if name in mails}
    told_sent = {crc for (crc,) in told[STORM_SENT]}
    crc_of_came = {zlib.crc32(key.encode()) for key in came}
    yield Figure("kills in an alarm storm", kills, "")
    yield Figure("time for those", lasted_s, "s")
    yield Figure("states of alarms told as kept", len(told[ALARM]), "")
    yield Figure("of them lost or other", sum(marks.get(q) != m for q, m in told[ALARM]), "", 0)
    yield Figure("acknowledgements told as kept", len(told[SEEN]), "")
    yield Figure("of them lost or other ", sum(marks.get(q) != m for q, m in told[SEEN]), "", 0)
    yield Figure("messages of the storm", len(rows), "")
    yield Figure("of them sent", states["sent"], "")
    yield Figure("of them superseded by a newer word", states["superseded"], "")
    yield Figure("of them left or given up", len(rows) - len(sent) - states["superseded"], "", 0)
    yield Figure("dangers superseded but for repeats", sum(map(danger_left_out, rows)), "", 0)
    yield Figure("superseded, and no newer word came", silenced(rows, came), "", 0)
    yield Figure("recorded as sent, never received", len(sent - came), "", 0)
    yield Figure("told as sent, never received", len(told_sent - crc_of_came), "", 0)
    twice = {name: subjects for name, subjects in mails.items() if len(subjects) > 1}
    yield Figure("received more than once, under the same key", len(twice), "")
    yield Figure("received, most often", max(map(len, mails.values()), default=0), "times")
    other = sum(len(set(subjects)) > 1 for subjects in twice.values())
    yield Figure("of them with other words", other, "", 0)
    unkept = len(set(mails) - set(ids))
    yield Figure("dangers told that a kill kept from being stored", unkept, "")


def danger_left_out(row: tuple[str, ...]) -> bool:
    """Whether a word on a danger that isn't a repeat was superseded."""
    _, state, stage, kind, priority, *_ = row
    message = Message("", "", "", "", datetime.now(UTC), priority=priority, kind=kind)
    return state == "superseded" and stage != "still" and presses(message)


def silenced(rows: list[tuple[str, ...]], came: set[str]) -> int:
    """How many superseded messages have no newer word on their alarm that was received."""
    newest: dict[tuple[str, str], int] = {}
    for key, _, _, _, _, alarm, route, created_us, _ in rows:
        if key in came:
            at_us = int(created_us)
            newest[alarm, route] = max(at_us, newest.get((alarm, route), 0))
    return sum(
        row[1] == "superseded" and newest.get((row[5], row[6]), 0) <= int(row[7]) for row in rows
    )


def kept_alarms(path: Path) -> dict[int, int]:
    """How each alarm in the ledger stands, by its number there."""
    marks: dict[int, int] = {}
    history = History(path, path.parent / "archive.db")
    try:
        after = 0
        while (page := history.entries(after, 1000)).entries:
            after = page.entries[-1].seq
            marks.update((e.seq, mark(e.body)) for e in page.entries if e.topic == "alarm")
    finally:
        history.close()
    return marks


def drain(path: Path, port: int) -> None:
    """Let a last courier send what is left, for a minute at most."""
    journal = Journal.open(path)

    async def send() -> None:
        task = asyncio.create_task(courier(journal, port, DRAINING).run())
        give_up_s = time.monotonic() + 60.0
        while (  # noqa: ASYNC110 - only the journal knows
            journal.waiting_notices(1) and time.monotonic() < give_up_s
        ):
            await asyncio.sleep(0.1)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    asyncio.run(send())
    journal.close()


def whole_service(folder: Path, kills: int, chance: Random) -> Iterator[Figure]:
    mail = MailServer()
    mail.start()
    chamber = folder / "chamber.toml"
    chamber.write_text(WHOLE_CHAMBER.format(host=mail.host, port=mail.port))
    service = RunningService(folder / "data", "--chamber", str(chamber))
    shown: set[tuple[int, str]] = set()
    notes: set[str] = set()
    in_start = 0
    begun_s = time.monotonic()
    try:
        for number in range(kills):
            print(f"\r{number} kills of the whole", end="", file=sys.stderr, flush=True)
            early = chance.random() < 0.25
            if early:
                in_start += kill_in_start(service, chance)
                continue
            service.start()
            began = threading.Event()
            page = threading.Thread(target=listen, args=(service, shown, began))
            page.start()
            until_s = time.monotonic() + chance.uniform(0.2, 4.0)
            while time.monotonic() < until_s:
                job = service.now()["job"]
                if job is None or job["state"] not in ("running", "paused"):
                    continue
                text = f"note {number}/{len(notes)}"
                answer = service.web.post(f"/api/jobs/{job['id']}/note", json={"text": text})
                if answer.is_success and answer.json().get("stored"):
                    notes.add(text)
            service.kill()
            page.join(20.0)
        service.start()
        history = History(folder / "data" / "journal.db", folder / "data" / "archive.db")
        kept: set[tuple[int, str]] = set()
        there: set[str] = set()
        after = 0
        while (told := history.entries(after, 1000)).entries:
            after = told.entries[-1].seq
            kept.update((entry.seq, entry.topic) for entry in told.entries)
            there.update(str(e.body["text"]) for e in told.entries if e.topic == "note")
        history.close()

        def states() -> Counter[str]:
            return Counter(messages(folder / "data" / "journal.db").values())

        with suppress(AssertionError):
            wait_until(lambda: states()["pending"] == 0, within_s=60.0)
        left = states()
        tracebacks = service.log.read_text(errors="replace").count("Traceback")
        aside = len(list((folder / "data").glob("*.damaged-*")))
    finally:
        if service.is_alive():
            service.kill()
        service.web.close()
        mail.stop()
    came = Counter(str(each["message-id"]) for each in mail.messages)
    yield Figure("kills of the whole service", kills, "")
    yield Figure("of them in its start", in_start, "")
    yield Figure("time for these", time.monotonic() - begun_s, "s")
    yield Figure("changes that a page was shown as kept", len(shown), "")
    yield Figure("of them lost", len(shown - kept), "", 0)
    yield Figure("notes answered as stored", len(notes), "")
    yield Figure("of them lost ", len(notes - there), "", 0)
    yield Figure("messages sent", left["sent"], "")
    yield Figure("of them never received ", max(0, left["sent"] - len(came)), "", 0)
    yield Figure("messages not sent in the end", left.total() - left["sent"], "", 0)
    yield Figure("messages received twice or more", sum(n > 1 for n in came.values()), "")
    yield Figure("files set aside as damaged", aside, "", 0)
    yield Figure("errors in the log", tracebacks, "", 0)


def kill_in_start(service: RunningService, chance: Random) -> int:
    """Kill it before it answers; 0 if it was faster."""
    killed = threading.Event()

    def kill() -> None:
        killed.set()
        with suppress(AssertionError, ProcessLookupError):
            os.kill(service.pid, signal.SIGKILL)

    timer = threading.Timer(chance.uniform(0.3, 2.5), kill)
    timer.start()
    try:
        service.start()
    except (AssertionError, httpx.HTTPError):
        timer.join()
        return 1
    timer.cancel()
    timer.join()
    service.kill()
    return 0


def main() -> None:
    parser = argparse.ArgumentParser(description="is anything lost by kill -9?")
    parser.add_argument("--kills", type=int, default=1000, help="of journal and courier")
    parser.add_argument("--storm", type=int, default=1000, help="of a chamber in an alarm storm")
    parser.add_argument("--whole", type=int, default=100, help="of the whole service")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    chance = Random(options.seed)
    figures: list[Figure] = []
    with tempfile.TemporaryDirectory(prefix="stillair-kills-") as name:
        if options.kills:
            figures.extend(journal_and_courier(Path(name), options.kills, chance))
        if options.storm:
            figures.extend(storm(Path(name), options.storm, chance))
        if options.whole:
            figures.extend(whole_service(Path(name), options.whole, chance))
    show(figures, as_json=options.json)


if __name__ == "__main__":
    main()
