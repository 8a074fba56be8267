"""Why a chamber file isn't changed just now, and what to do: what a page says of it."""

from __future__ import annotations

from stillair.runtime.chamber_file import MOST_BOXES

UNSEEN = (
    "“{what}” is told in {box}, and nobody has seen it. See to the box, tap I've seen it on the"
    " first page, and try again: while new settings are taken into use nothing is watched."
)
STOPS = (
    "A job runs in {box}, and while new settings are taken into use the pin of its stop is let go:"
    " the machine would lose its supply. End the job first."
)
RUNS = "A job runs in this box: end it first, then take the box away."
RUNS_UNDER = "A job runs, and it is kept under the chamber's name: end it first, then rename."
STANDS = (
    "“{what}” is told in {box}, and is not over. While new settings are taken into use nothing is"
    " watched, and the watch begins anew. See to the box, and try again once it is over on the"
    " first page."
)
STOPPED = (
    "The machine of {box} is stopped, and while new settings are taken into use the pin of its"
    " stop is let go: it would run again. Let it run on the first page once it may."
)
DANGER = (
    "An alarm of danger, or the stop of its machine, still stands in this box: see to it on the"
    " first page, then take the box away."
)
DANGER_UNDER = (
    "An alarm of danger, or the stop of its machine, still stands in this box, and is kept under"
    " the chamber's name: see to it on the first page, then rename."
)
ON_TRIAL = "What was written last is being tried for some seconds. Try again then."
ONLY = "It is the only box, and something has to be watched. Add another one first."
NAME_THEM = "Whoever wants that names each in gives_up."
ALONE = "To take a box away is a change of its own. Leave out the others, or write them first."
NAMED = (
    "The service watches by files that were named with --chamber. Name another one there,"
    " and start it anew."
)
NOT_NAMED_HERE = (
    "This box's file was named with --chamber. To take it away, leave it out there, and start"
    " the service anew."
)
FULL = f"There are {MOST_BOXES} boxes, and one board watches no more. Another board can."
NO_BROKER = "mqtt.host: is not named so far"
SAME_NAME = (
    "chamber.name: {name} is another box already; choose a name that differs from it"
    " in its letters or digits"
)
NO_TRIAL = "camera.source: what can be looked through here is a device or an address"
