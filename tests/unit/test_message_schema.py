"""The printed forms are those of the messages that really go out and are understood."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from stillair.alerts.forms import HeartbeatMessage, NoticeMessage
from stillair.alerts.heartbeat import heartbeat
from stillair.alerts.routes import Message
from stillair.hall.messages import ANSWERS, MESSAGES
from stillair.runtime.message_schema import HEARD, TOLD, schema
from stillair.sensing.job_words import JobMessage, job_word

AT = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)
NOTICE = Message(
    key="north-bench-3:raised:mqtt:shed/alarms",
    route="mqtt:shed/alarms",
    title="Door open?",
    text="Cold air reaches the part: 6.1 degrees in a minute.",
    created_at=AT,
)


def test_the_schema_names_every_message_and_its_fields() -> None:
    made = schema()
    assert made["messages"].keys() == {**MESSAGES, **ANSWERS}.keys() | {
        "routes",
        "heartbeat",
        "jobs",
    }
    for name, model in {**TOLD, **HEARD}.items():
        fields = made["$defs"][made["messages"][name]["$ref"].removeprefix("#/$defs/")]
        if model is JobMessage:
            assert len(fields["anyOf"]) == 5
        else:
            assert fields["properties"].keys() == model.model_fields.keys()
    for name in (*MESSAGES, *ANSWERS):
        of = made["$defs"][made["messages"][name]["$ref"].removeprefix("#/$defs/")]
        assert of["properties"]["v"]["const"] == 1
    assert "class" in made["$defs"]["Alarm"]["properties"]
    assert {"Order", "Erased"} <= made["$defs"].keys()
    json.dumps(made)


@pytest.mark.parametrize(
    ("model", "payload"),
    [
        pytest.param(NoticeMessage, NOTICE.for_programs(), id="without an alarm"),
        pytest.param(
            NoticeMessage,
            Message(
                **{
                    **{name: getattr(NOTICE, name) for name in ("key", "route", "title", "text")},
                    **{"created_at": AT, "alarm": "north-bench-3", "priority": "critical"},
                    **{
                        "chamber": "north-bench",
                        "kind": "fire",
                        "stage": "raised",
                        "person": "cox",
                    },
                    "link": "https://shed.local:8420/answer/x",
                }
            ).for_programs(),
            id="of an alarm",
        ),
        *(
            pytest.param(
                HeartbeatMessage,
                json.dumps(
                    {
                        **heartbeat("north-bench", watching=on, whole=on, at=AT, every_s=60.0),
                        **more,
                    }
                ).encode(),
                id=f"heartbeat {on} {more}",
            )
            for on, more in ((True, {}), (False, {}), (False, {"lost": True}))
        ),
    ],
)
def test_what_goes_out_has_its_form(model: type[BaseModel], payload: bytes) -> None:
    told = model.model_validate_json(payload, strict=True)
    given = json.loads(payload)
    assert given.keys() >= model.model_fields.keys() - {"lost"}
    for name in given:
        with pytest.raises(ValidationError):
            model.model_validate_json(json.dumps({**given, name: []}))
    with pytest.raises(ValidationError):
        model.model_validate_json(json.dumps({**given, "something": "else"}))
    assert told == model.model_validate(told.model_dump())


@pytest.mark.parametrize(
    ("words", "fits"),
    [
        ({"start": "oarlock bushings"}, True),
        ({"start": {"name": "fin box", "material": "ASA", "machine": "the left one"}}, True),
        ({"height": 12.4}, True),
        ({"height": "12.4 mm"}, True),
        ({"pause": None}, True),
        ({"resume": ""}, True),
        ({"finish": None}, True),
        ({"start": " "}, False),
        ({"start": {"material": "ASA"}}, False),
        ({"start": {"name": "fin box", "colour": "red"}}, False),
        ({"pause": "now"}, False),
        ({"height": None}, False),
        ({"stop": None}, False),
        ({"pause": None, "resume": None}, False),
        ({}, False),
    ],
)
def test_what_a_machine_may_say_has_its_form(words: dict[str, Any], fits: bool) -> None:
    payload = json.dumps(words).encode()
    for read in (job_word, JobMessage.model_validate_json):
        if fits:
            read(payload)
        else:
            with pytest.raises(ValueError, match=r"."):
                read(payload)
