"""What schemathesis does besides, when `hostile.py` runs it: nobody's rights are exceeded."""

from __future__ import annotations

import os
from typing import Any
from urllib.parse import unquote, urlsplit

import schemathesis
from starlette.routing import compile_path

from hostile import PERSON, protected
from integration.test_rights import CALLERS, RIGHTS
from integration.test_rights import PERSON as A_PERSON

WHO = os.environ["STILLAIR_CALLER"]
# What is answered before it is asked who it is, or whatever the right: no such path or method, a
# body that is too long, late or no JSON, another's name.
BEFORE = frozenset({400, 404, 405, 408, 413, 415, 421, 431})
TEMPLATES = [(name, name.split()[0], compile_path(name.split()[1])[0]) for name in RIGHTS]


def right(method: str, path: str) -> str | None:
    """Who may, for this caller: "+", "0", "-"; None where no operation is meant.

    Of the path that was really asked: what is put in for a part of it may hold a slash.
    """
    fits = [name for name, verb, form in TEMPLATES if verb == method and form.match(path)]
    if len(fits) != 1:
        return None
    if WHO == PERSON:
        return "+" if RIGHTS[fits[0]] == A_PERSON else RIGHTS[fits[0]][CALLERS.index("owner")]
    return RIGHTS[fits[0]][CALLERS.index(WHO)]


@schemathesis.check
def within_rights(ctx: Any, response: Any, case: Any) -> None:
    """An answer that the caller has a right to, by the table of the tests."""
    path = unquote(urlsplit(response.request.url).path)
    may, status = right(case.method.upper(), path), response.status_code
    if may == "0":
        assert status == 401 or status in BEFORE or _is_no_json(response), (may, status)
    elif may == "-":
        assert status == 403 or status in BEFORE or _is_no_json(response), (may, status)
    elif may == "+" and not path.startswith("/api/session"):
        in_other_chamber = WHO == "height teller" and not path.startswith("/api/jobs/boat-shed-")
        assert status != 401, (may, status)
        # A fire is made quiet by nobody: that is no lack of a right.
        assert status != 403 or in_other_chamber or "role" not in response.text, (may, path)


def _is_no_json(response: Any) -> bool:
    return response.status_code == 422 and "no JSON" in response.text


@schemathesis.hook
def before_call(ctx: Any, case: Any, kwargs: dict[str, Any]) -> None:
    """Leave those who ask their names."""
    case.body = protected(case.body)
