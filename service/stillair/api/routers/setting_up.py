"""What was found when the service was set up, and what is still to be done: for owners."""

from __future__ import annotations

from fastapi import APIRouter

from stillair.api.entry import Owner, TheService
from stillair.api.schemas import ThingFound, ThingsFound

router = APIRouter(prefix="/api", tags=["setting up"])


@router.get("/setting-up")
def setting_up(service: TheService, _: Owner) -> ThingsFound:
    """Each thing of chambers and computer: how it is, and one remedy for what isn't well.

    It names devices, servers and folders, so that nobody but owners may ask.
    """
    return ThingsFound(
        items=[
            ThingFound(
                thing=found.thing,
                state=found.state.value.lower(),
                told=found.told,
                remedy=found.remedy or None,
            )
            for found in service.setting_up.found()
        ]
    )
