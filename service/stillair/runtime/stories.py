"""The last hour's events of a chamber, one line each, as the first page tells them."""

from __future__ import annotations

import threading
from collections.abc import Iterable

from stillair.alarms.wording import story
from stillair.model import Change, EventChange, JsonValue, SignalClass, Timeline
from stillair.storage.items import Item, event_item, label

HOUR_S = 3600.0
MOST = 200  # events told at once; a chattering wire must not fill the page


class Stories:
    """Keep the newest word on each event of the last hour.

    `before` are the changes of it that were kept before a restart, `standing` the events
    that stood then, however long they have: as long as nobody tells their end they go on.
    """

    def __init__(
        self, chamber: str, before: Iterable[Item] = (), *, standing: Iterable[EventChange] = ()
    ) -> None:
        self._chamber = chamber
        self._lock = threading.Lock()
        self._open = {event.event: event for event in standing}
        self._over: dict[int, Item] = {}
        self._jobs: dict[int, str] = {}
        for item in before:
            if item["change"] == Change.CLEARED.value:
                event = int(str(item["event"]))
                self._over[event] = _told(item, str(item.get("text", "")))
                self._jobs[event] = str(item["job"] or "")

    def take(self, changes: Iterable[EventChange], timeline: Timeline) -> None:
        """Remember what has happened."""
        with self._lock:
            for change in changes:
                self._open.pop(change.event, None)
                self._over.pop(change.event, None)
                if change.change is Change.CLEARED:
                    item = event_item(change, self._chamber, timeline)
                    self._over[change.event] = _told(item, story(change, t_s=change.at_s))
                    self._jobs[change.event] = str(item["job"] or "")
                else:
                    self._open[change.event] = change
            for event in list(self._over)[:-MOST]:
                del self._over[event]
            self._jobs = {event: self._jobs[event] for event in self._over}

    def forget(self, job: str) -> None:
        """Tell nothing more of a job that was erased."""
        with self._lock:
            for event in [event for event in self._over if self._jobs[event] == job]:
                del self._over[event]

    def told(self, t_s: float, timeline: Timeline) -> list[JsonValue]:
        """All of the last hour, newest first.

        What is said once, as that it is cool enough, is of the moment it was said, however
        long it stays so; what is amiss is of every hour in which it stands.
        """
        since = label(timeline.epoch_s(t_s - HOUR_S))
        with self._lock:
            going_on = [
                _told(event_item(change, self._chamber, timeline), story(change, t_s=t_s))
                for change in self._open.values()
                if change.signal_class is not SignalClass.NOTICE or change.onset_s >= t_s - HOUR_S
            ]
            self._over = {
                event: item for event, item in self._over.items() if str(item["end_at"]) >= since
            }
            over = [
                item
                for item in self._over.values()
                if item["class"] != SignalClass.NOTICE.value or str(item["onset_at"]) >= since
            ]
        stories = sorted(over + going_on, key=lambda item: str(item["onset_at"]), reverse=True)
        return [dict(item) for item in stories[:MOST]]


def _told(item: Item, text: str) -> Item:
    keys = ("event", "kind", "class", "change", "onset_at", "began_at", "end_at", "height_mm")
    return {key: item.get(key) for key in (*keys, "sensors")} | {"text": text}
