"""Whatever is asked of a real service, by whomever: a documented answer, within their rights.

The long version, for minutes: tests/bench/hostile.py.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hostile import EVERYBODY, PERSON, Attacked, attacked
from integration.test_rights import ANYBODY, RIGHTS
from running import wait_until

# The same requests in each check: every edge of every form once, and a few at random.
EDGES = ("--phases", "coverage,fuzzing", "--max-examples", "2")
FEW = ("--phases", "fuzzing", "--max-examples", "1")
RUNS: dict[str, tuple[str, ...]] = {
    who: EDGES if who in ("stranger", "operator", "owner") else FEW for who in EVERYBODY
}
RUNS[PERSON] = ("--include-path-regex", "/api/session", *EDGES)
# An owner is let in everywhere, so gets past who may to every form. Of others the same edges are
# mostly refused unread: each operation is asked all of them by one of the two, but for the
# thousand of a chamber file or of a camera, and what lets anybody in by a stranger. What is written
# to a chamber file has the form of what is proposed, and is read by the same: one is enough.
_WRITTEN = "POST /api/chamber-files"
_LONG = {_WRITTEN, f"{_WRITTEN}/proposal", "POST /api/camera-trials"}
_DEALT = sorted(set(RIGHTS) - _LONG)
_OPEN = [name for name, who in RIGHTS.items() if who == ANYBODY]
DEALT: dict[str, frozenset[str]] = {
    "stranger": frozenset([*_DEALT[::2], *_OPEN]),
    "operator": frozenset(_DEALT[1::2]),
    "owner": frozenset(set(RIGHTS) - {_WRITTEN}),
}
SAME = ("--seed", "17", "--no-shrink", "--exclude-path", "/api/live")  # a stream has no end


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Attacked]:
    with attacked(tmp_path_factory.mktemp("hostile")) as running:
        yield running


@pytest.mark.timeout(400)  # an owner's edges are thousands
@pytest.mark.parametrize("who", EVERYBODY)
def test_schemathesis_finds_nothing(service: Attacked, who: str, tmp_path: Path) -> None:
    found = service.run(who, *SAME, *RUNS[who], cwd=tmp_path, edges=DEALT.get(who))
    assert found.requests > 40
    assert not found.words, found.words
    assert service.lets_in(who)
    assert not service.defects()


# --- what no well-behaved client can send ------------------------------------------

JSON = b"Content-Type: application/json\r\n"
LINES = [
    b"Host: localhost\r\n",
    *(b"Host: [\r\n", b"Host: \xff\r\n", b"Origin: http://[::1\r\n", b"Origin: \xff\r\n"),
    *(b"Authorization: \xff\r\n", b"Authorization:\r\n", b"Cookie: =;;stillair_session=\xff\r\n"),
    *(b"Cookie: stillair_session=" + b"a" * 9000 + b"\r\n", b"X: " + b"b" * 40_000 + b"\r\n"),
    *(b"Content-Length: 2\r\n", b"Content-Length: -1\r\n", b"Content-Length: " + b"9" * 5000),
    *(
        b"Transfer-Encoding: chunked\r\n",
        b"Transfer-Encoding: gzip\r\n",
        b"Expect: 100-continue\r\n",
    ),
    *(
        b"Upgrade: websocket\r\nConnection: upgrade\r\n",
        b"Sec-Fetch-Site: \xff\r\n",
        b"\0",
        b"\r\n",
    ),
    *(b"Range: bytes=" + b"0-1," * 2000 + b"\r\n", b"If-Modified-Since: 99999\r\n", JSON, b"\n"),
    *(b"Last-Event-ID: \xb2\r\n", b"X-Forwarded-For: \xff\r\n", b"Accept: \xff\r\n"),
]
PATHS = [
    *(
        b"/",
        b"/api/now",
        b"/api/health",
        b"*",
        b"http://localhost/api/now",
        b"/web/%00",
        b"/web/js",
    ),
    *(b"/api/jobs/%00", b"/api/jobs/%ed%a0%80", b"/api/jobs/\xff", b"/api/events?job=%ed%a0%80%00"),
    *(b"/api/events?after=" + b"9" * 30, b"/api/jobs?after=9223372036854775808", b"//", b""),
    *(b"/api/events?limit=" + b"9" * 5000, b"/api/readings?from=1e308&to=1e308", b"/api/jobs"),
    *(
        b"/api/readings?from=-1e308&to=%D9%A3",
        b"/api/events/%D9%A3/evidence",
        b"/web/" + b"a/" * 900,
    ),
    *(
        b"/api/session",
        b"/api/session/owner",
        b"/api/alarms/x/shelve",
        b"/api/jobs/boat-shed-1/note",
    ),
    *(b"/api/jobs/boat-shed-1/progress", b"/api/jobs/boat-shed-1/what-if", b"/web/../x", b"/?\0"),
]
BODIES = [
    *(b"", b"{}", b"[" * 30_000, b'{"name":' * 6000, b'{"height_mm":' + b"9" * 5000 + b"}"),
    *(
        b'{"name":"\\ud800"}',
        b'{"\\ud800":1}',
        b'{"name":"\\u0000"}',
        b'{"name":"\xff"}',
        b"zz\r\n",
    ),
    *(b'{"sensors":{"\\ud800":{"\\ud800":1}}}', b'{"height_mm":1e999}', b'{"minutes":NaN}'),
    *('{"name":7}'.encode("utf-16"), b"\xef\xbb\xbf{}", b"0\r\n\r\n", b"FFFFFFFFFFFFFFF\r\nabc"),
    *(b'{"text":"' + b"x" * 70_000 + b'"}', b"{" + b",".join(b'"k%d":1' % i for i in range(4000))),
]


class Raw(bytes):
    """Bytes that fill no screen when a test shows them."""

    def __repr__(self) -> str:
        return f"{bytes(self[:2000])!r}, of {len(self)}"


REQUESTS = st.builds(
    lambda method, path, lines, end, body: Raw(
        b"".join([method, b" ", path, b" HTTP/1.1\r\n", *lines, end, body])
    ),
    st.sampled_from([b"GET", b"POST", b"DELETE", b"HEAD", b"OPTIONS", b"PRI", b"A" * 300, b"\0"]),
    st.sampled_from(PATHS),
    st.lists(st.sampled_from(LINES), max_size=5),
    st.just(b"\r\n") | st.sampled_from([b"Host: localhost\r\n\r\n", b"", b"\n\n"]),
    st.sampled_from(BODIES) | st.binary(max_size=60),
)


TAKEN = ("/api/jobs", "/api/session", "/api/jobs/boat-shed-1/what-if", "/api/alarms/x/shelve")


def proper(method: str, path: bytes, line: bytes = b"", body: bytes | None = None) -> Raw:
    """A request in which only this much is odd."""
    lines = [b"%s %s HTTP/1.1\r\n" % (method.encode(), path), b"Host: localhost\r\n", line]
    if body is not None:
        lines += [JSON, b"Content-Length: %d\r\n" % len(body)]
    return Raw(b"".join([*lines, b"\r\n", body or b""]))


ONE_ODD = [
    *(proper("GET", b"/api/now", line) for line in LINES),
    *(proper("POST", b"/api/jobs", line, b'{"name": 7}') for line in LINES),
    *(proper("GET", path) for path in PATHS),
    *(proper("POST", path.encode(), b"", body) for path in TAKEN for body in BODIES),
]


def no_error(service: Attacked, request: bytes, known: bool) -> None:
    """Ask with these bytes, perhaps as the owner: the answer is none, or no error of its own."""
    if known:
        who = f"Authorization: {service.headers['owner']['Authorization']}\r\n".encode()
        request = request.replace(b" HTTP/1.1\r\n", b" HTTP/1.1\r\n" + who, 1)
    with socket.create_connection(("127.0.0.1", service.service.port), 30.0) as line:
        said = b""
        with suppress(OSError):  # it hangs up on who goes on sending
            line.sendall(request)
            line.shutdown(socket.SHUT_WR)
            said = line.recv(65_536)
    status = re.match(rb"HTTP/1\.1 (\d+) ", said)
    assert status is None or int(status[1]) < 500, (Raw(request), said)
    assert said == b"" or status is not None, (Raw(request), said)


@pytest.mark.parametrize("known", [False, True], ids=["a stranger", "the owner"])
def test_one_odd_thing_in_a_request_is_no_error_of_its_own(service: Attacked, known: bool) -> None:
    for request in ONE_ODD:
        no_error(service, request, known)


@settings(max_examples=150, deadline=None)
@given(REQUESTS | st.binary(max_size=200), st.booleans())
def test_bytes_that_are_no_proper_request_are_no_error_of_its_own(
    service: Attacked, said: bytes, known: bool
) -> None:
    no_error(service, said, known)


def test_none_of_it_was_an_error_and_it_still_watches(service: Attacked) -> None:
    assert not service.defects()

    def watched_at() -> str:
        answer = service.service.web.get("/api/now", headers=service.headers["viewer"])
        return str(answer.json()["chambers"][0]["sensors"][0]["at"])

    at = watched_at()
    wait_until(lambda: watched_at() > at, within_s=60)
