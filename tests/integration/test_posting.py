"""POST to servers that do what they should, and to those that do anything else."""

from __future__ import annotations

import logging
import socket
import threading
import time
from pathlib import Path

import pytest

from stillair.alerts.cutting import Lines
from stillair.alerts.posting import ANSWER_BYTES, PostError, get, knock, post
from web_receivers import (
    Answer,
    answers,
    babbles,
    certified,
    drips,
    floods,
    hangs_up,
    receiving,
    resets,
    says_nothing,
)

SECRET = "zqxsecret"
SOON_S = 1.0  # of a try that gets no answer
GENEROUS_S = 8.0  # in which such a try has ended, on a computer that does other things as well
PATH = f"/{SECRET}?key={SECRET}"


def failure(url: str, **more: float | str) -> PostError:
    with pytest.raises(PostError) as caught:
        post(url, b"{}", {}, **{"timeout_s": SOON_S, **more})  # type: ignore[arg-type]
    assert SECRET not in str(caught.value) + repr(caught.value)
    return caught.value


def test_what_is_posted_arrives_as_it_is() -> None:
    with receiving() as server:
        taken = post(server.address(PATH), b'{"a": 1}', {"X-Shed": "north"}, timeout_s=5.0)
        (came,) = server.posted
    assert (taken.status, taken.body) == (200, b"no")
    assert came.line == f"POST {PATH} HTTP/1.1"
    assert (came.headers["x-shed"], came.body) == ("north", b'{"a": 1}')


def test_what_is_not_due_any_more_once_the_server_is_there_is_not_posted() -> None:
    asked: list[int] = []

    def due() -> bool:
        asked.append(len(server.posted))
        return False

    with receiving() as server, pytest.raises(PostError) as caught:
        post(server.address(), b"{}", {}, timeout_s=5.0, due=due)
    assert caught.value.retry
    assert asked == [0]
    assert server.posted == []


def test_no_proxy_or_password_of_the_surroundings_is_used(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / ".netrc").write_text("machine 127.0.0.1 login cox password bow\n")
    (tmp_path / ".netrc").chmod(0o600)
    monkeypatch.setenv("HOME", str(tmp_path))
    for name in ("NO_PROXY", "no_proxy"):
        monkeypatch.delenv(name, raising=False)
    with receiving() as server, receiving() as stranger:
        for name in ("HTTP_PROXY", "http_proxy"):
            monkeypatch.setenv(name, stranger.address(""))
        post(server.address(PATH), b"{}", {}, timeout_s=5.0)
        (came,) = server.posted
        assert stranger.posted == []
    assert "authorization" not in came.headers


@pytest.mark.parametrize(
    ("answer", "reason", "retry", "status", "wait_s"),
    [
        pytest.param(answers(500), "refuses it: it answered 500", True, 500, None, id="500"),
        pytest.param(
            answers(429, "Retry-After: 30"), "it answered 429", True, 429, 30.0, id="too many"
        ),
        pytest.param(
            answers(503, "Retry-After: 999999"), "it answered 503", True, 503, 3600.0, id="a year"
        ),
        pytest.param(
            answers(503, "Retry-After: Wed, 21 Oct 2026 07:28:00 GMT"),
            "it answered 503",
            True,
            503,
            None,
            id="a date",
        ),
        pytest.param(answers(400), "refuses it: it answered 400", False, 400, None, id="400"),
        pytest.param(answers(404), "refuses it: it answered 404", False, 404, None, id="404"),
        pytest.param(
            answers(307, f"Location: http://127.0.0.1:1/{SECRET}"),
            "sends us elsewhere: it answered 307",
            False,
            307,
            None,
            id="a redirect isn't followed",
        ),
        pytest.param(resets, "hung up", True, None, None, id="reset"),
        pytest.param(hangs_up, "hung up", True, None, None, id="hangs up"),
        pytest.param(babbles, "hung up", True, None, None, id="no HTTP"),
    ],
)
def test_each_refusal_is_told(
    answer: Answer, reason: str, retry: bool, status: int | None, wait_s: float | None
) -> None:
    with receiving() as server:
        server.answer = answer
        error = failure(server.address(PATH), timeout_s=5.0)
        assert server.connections == 1
    assert reason in str(error)
    assert "127.0.0.1" in str(error)
    assert (error.retry, error.status, error.wait_s) == (retry, status, wait_s)


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(says_nothing, id="silence"),
        pytest.param(drips(b"", b"HTTP/1.1 200 O"), id="a status line that never ends"),
        pytest.param(drips(b"HTTP/1.1 200 OK\r\n", b"X: y\r\n"), id="headers that never end"),
        pytest.param(drips(b"HTTP/1.1 200 OK\r\nX: ", b"y"), id="one header that never ends"),
        pytest.param(drips(b"", b"HTTP/1.1 100 Continue\r\n\r\n"), id="it goes on asking for more"),
    ],
)
def test_who_never_comes_to_an_answer_is_given_up(answer: Answer) -> None:
    with receiving() as server:
        server.answer = answer
        begun_s = time.monotonic()
        error = failure(server.address(PATH))
        took_s = time.monotonic() - begun_s
    assert took_s < GENEROUS_S
    assert error.retry
    assert "gave no answer within 1 s" in str(error) or "hung up" in str(error)


@pytest.mark.parametrize(
    "answer",
    [
        pytest.param(floods, id="a body without end"),
        pytest.param(
            drips(b"HTTP/1.1 200 OK\r\nContent-Length: 9999999\r\n\r\n", b"x"), id="a slow body"
        ),
        pytest.param(
            drips(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n", b"zz\r\n"),
            id="a body in broken pieces",
        ),
    ],
)
def test_who_has_said_yes_has_taken_it_whatever_follows(answer: Answer) -> None:
    with receiving() as server:
        server.answer = answer
        taken = post(server.address(PATH), b"{}", {}, timeout_s=SOON_S)
        assert taken.status == 200
        assert len(taken.body) <= ANSWER_BYTES
        if answer is not floods:
            with pytest.raises(PostError):
                get(server.address(PATH), timeout_s=SOON_S)


def test_nobody_there_is_told_at_once() -> None:
    with receiving() as server:
        address = server.address(PATH)
    assert str(failure(address)) == "127.0.0.1 can't be reached"
    assert str(failure("http://no-such-board.invalid/")) in {
        "the name no-such-board.invalid can't be resolved",
        "no-such-board.invalid gave no answer within 1 s",  # no network at all
    }
    for bad in ("http://", "no address", "ftp://127.0.0.1/", "http://127.0.0.1:99999/"):
        error = failure(bad)
        assert not error.retry, bad


def test_a_certificate_that_nobody_trusts_is_refused(tmp_path: Path) -> None:
    certificate, tls = certified(tmp_path)
    with receiving(tls) as server:
        address = server.address(PATH, host="localhost")
        assert str(failure(address)) == "the certificate of localhost can't be trusted"
        with pytest.raises(PostError, match="can't be trusted"):
            knock(address, timeout_s=SOON_S)
        assert not server.posted
        assert post(address, b"{}", {}, timeout_s=5.0, trust=str(certificate)).status == 200
        assert knock(address, timeout_s=5.0, trust=str(certificate)).startswith("localhost:")
        wrong_name = server.address(PATH)
        assert "can't be trusted" in str(failure(wrong_name, trust=str(certificate)))
        assert len(server.posted) == 1
    with receiving() as plain:
        plain.answer = babbles
        in_clear = plain.address(PATH).replace("http:", "https:")
        assert "doesn't speak TLS" in str(failure(in_clear)) or "no answer" in str(
            failure(in_clear)
        )


def test_a_handshake_that_never_ends_is_given_up() -> None:
    """The server takes the connection and says nothing of TLS, byte by byte."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        ended = threading.Event()

        def drip() -> None:
            wire, _ = server.accept()
            with wire:
                wire.sendall(b"\x16\x03\x03\x40\x00")  # a record of 16 KiB begins
                while not ended.wait(0.05):
                    try:
                        wire.sendall(b"\x02")
                    except OSError:
                        return

        thread = threading.Thread(target=drip)
        thread.start()
        begun_s = time.monotonic()
        error = failure(f"https://127.0.0.1:{server.getsockname()[1]}/{SECRET}")
        assert time.monotonic() - begun_s < GENEROUS_S
        ended.set()
        thread.join()
    assert "gave no answer within 1 s" in str(error)


def test_who_stops_waits_for_no_server() -> None:
    lines = Lines()
    errors: list[PostError] = []

    def ask() -> None:
        with pytest.raises(PostError) as caught:
            post(server.address(PATH), b"{}", {}, timeout_s=60.0, lines=lines)
        errors.append(caught.value)

    with receiving() as server:
        server.answer = says_nothing
        thread = threading.Thread(target=ask)
        thread.start()
        server.wait_for(1)
        lines.close()
        thread.join(GENEROUS_S)
        assert not thread.is_alive()
        ask()  # and what begins later is ended as well
    assert [str(error) for error in errors] == ["127.0.0.1 was not asked: the service stops"] * 2


def test_a_server_s_nonsense_brings_no_address_into_the_log(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level(logging.DEBUG)
    logging.getLogger("urllib3").setLevel(logging.CRITICAL)  # as the module has it
    with receiving() as server:
        server.answer = drips(b"HTTP/1.1 200 OK\r\n: no name\r\n\x00\xff bad\r\n\r\n", b"")
        post(server.address(PATH), b"{}", {}, timeout_s=SOON_S)
    assert SECRET not in caplog.text


def test_its_module_keeps_the_library_quiet() -> None:
    assert not logging.getLogger("urllib3.connection").isEnabledFor(logging.ERROR)
