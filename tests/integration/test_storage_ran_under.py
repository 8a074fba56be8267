"""Which settings jobs ran under: kept with them, once for each change, and told of each job."""

from __future__ import annotations

import json
from dataclasses import replace

from kept_things import BOOT, CHAMBER, event, job
from stillair.model import Change, JobPhase, Outcome
from stillair.storage.history import History
from stillair.storage.journal import Journal

FIRST, SECOND = "1.0 aaaaaaaaaaaa", "1.0 bbbbbbbbbbbb"


def under(journal: Journal, made_with: str, limit_c: float | None) -> None:
    """From now on the chamber is set so; None: it isn't said how."""
    journal.made_with[CHAMBER] = made_with
    journal.settings[CHAMBER] = "" if limit_c is None else json.dumps({"limit_c": limit_c})


def told(journal: Journal, t_s: float, state: JobPhase = JobPhase.RUNNING) -> None:
    journal.commit(Outcome(CHAMBER, t_s, jobs=(replace(job(), state=state),)), BOOT)


def limits(history: History) -> list[object]:
    found = history.settings().of_job(job().id)
    return [None if each.told is None else each.told["limit_c"] for each in found]


def test_settings_that_change_during_a_job_are_told_in_their_order(
    journal: Journal, history: History
) -> None:
    under(journal, FIRST, 60.0)
    told(journal, 100.0)
    told(journal, 200.0)
    under(journal, SECOND, 55.0)
    told(journal, 300.0)
    assert limits(history) == [60.0, 55.0]
    first, second = history.settings().of_job(job().id)
    assert (first.version, first.fingerprint) == ("1.0", "aaaaaaaaaaaa")
    assert first.since_s == BOOT.epoch_s(100.0)
    assert second.since_s == BOOT.epoch_s(300.0)


def test_what_is_corrected_days_later_says_nothing_of_the_settings_then(
    journal: Journal, history: History
) -> None:
    under(journal, FIRST, 60.0)
    told(journal, 100.0)
    told(journal, 200.0, JobPhase.FINISHED)
    under(journal, SECOND, 55.0)
    told(journal, 90_000.0, JobPhase.FINISHED)
    assert limits(history) == [60.0]


def test_of_an_older_job_only_the_hash_is_known(journal: Journal, history: History) -> None:
    under(journal, FIRST, None)
    told(journal, 100.0)
    journal.commit(Outcome(CHAMBER, 120.0, events=(event(job=job().id),)), BOOT)
    assert limits(history) == [None]
    (only,) = history.settings().of_job(job().id)
    assert only.fingerprint == "aaaaaaaaaaaa"


def test_a_record_that_is_broken_is_as_one_that_is_not_there(
    journal: Journal, history: History
) -> None:
    under(journal, FIRST, 60.0)
    journal.settings[CHAMBER] = "{broken"
    told(journal, 100.0)
    assert limits(history) == [None]
    assert history.settings().of_job("no-such-job") == []


def test_what_a_restart_writes_of_a_job_that_is_over_changed_no_settings(
    journal: Journal, history: History
) -> None:
    under(journal, FIRST, 60.0)
    told(journal, 100.0)
    told(journal, 200.0, JobPhase.FINISHED)
    under(journal, SECOND, 55.0)
    cleared = replace(event(change=Change.CLEARED, job=job().id), at_s=500.0)
    journal.commit(Outcome(CHAMBER, 500.0, events=(cleared,)), BOOT)
    assert limits(history) == [60.0]
