"""The certificate in use: renewed under way, and told when it can't be."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from stillair.access.certificates import Certificates
from stillair.runtime.identity import IdentityKeeper

NOW = datetime(2027, 3, 14, 15, 9, 26, tzinfo=UTC)


class Board:
    """A machine whose clock and addresses a test sets."""

    def __init__(self, folder: Path) -> None:
        self.now_at = NOW
        self.names: list[str] = ["shed.local", "192.168.7.20"]
        self.told: list[tuple[bool, str]] = []
        self.kept = Certificates(folder)
        self.kept.make("shed", self.names, NOW)
        self.keeper = self.begin()

    def begin(self) -> IdentityKeeper:
        return IdentityKeeper(
            self.kept,
            names=lambda: self.names,
            wall=lambda: self.now_at,
            on_trouble=lambda *what: self.told.append(what),
        )

    def shown(self) -> bytes:
        """The certificate that a client gets now, without a network between."""
        client = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        client.check_hostname = False
        client.verify_mode = ssl.CERT_NONE
        there, back = ssl.MemoryBIO(), ssl.MemoryBIO()
        asking = client.wrap_bio(back, there)
        answering = self.keeper.context.wrap_bio(there, back, server_side=True)
        for side in (asking, answering, asking, answering):
            try:
                side.do_handshake()
            except ssl.SSLWantReadError:
                continue
        der = asking.getpeercert(binary_form=True)
        assert der is not None
        return der


@pytest.fixture
def board(tmp_path: Path) -> Board:
    made = Board(tmp_path)
    made.keeper.start()
    return made


def own(board: Board) -> bytes:
    server = board.kept.server()
    assert server is not None
    return server.public_der


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(lambda b: b.names.append("10.0.0.7"), id="a new address"),
        pytest.param(
            lambda b: setattr(b, "now_at", NOW + timedelta(days=350)), id="its end comes near"
        ),
        pytest.param(
            lambda b: b.kept.make("shed", b.names, NOW, new_authority=True), id="made by hand"
        ),
    ],
)
def test_the_next_connection_is_met_with_the_new_one(
    board: Board, change: Callable[[Board], None]
) -> None:
    before = board.shown()
    assert before == own(board)
    change(board)
    board.keeper.check()
    assert board.shown() == own(board) != before
    assert board.told == []


def test_what_cannot_be_renewed_is_told_once_and_the_old_one_is_shown(
    board: Board, tmp_path: Path
) -> None:
    before = board.shown()
    path = tmp_path / "certificates" / "authority.pem"
    good = path.read_bytes()
    path.write_bytes(b"")
    for _ in range(3):
        board.keeper.check()
    assert [failing for failing, _ in board.told] == [True]
    assert "authority.pem is damaged" in board.told[0][1]
    assert board.shown() == before
    path.write_bytes(good)
    board.keeper.check()
    assert board.told[1:] == [(False, "")]


def test_a_year_before_the_authority_ends_it_is_told(board: Board) -> None:
    board.now_at = board.kept.authority().ends_at - timedelta(days=364)
    board.keeper.check()
    assert board.told[0][0] and "--new-authority" in board.told[0][1]
    assert board.shown() == own(board)  # renewed all the same
    server = board.kept.server()
    assert server is not None and server.ends_at <= board.kept.authority().ends_at


@pytest.mark.parametrize("left", ["the certificate", "nothing"])
def test_a_start_with_damaged_files_listens_all_the_same_and_never_in_clear(
    board: Board, tmp_path: Path, left: str
) -> None:
    before = own(board)
    folder = tmp_path / "certificates"
    (folder / "authority.pem").write_bytes(b"")
    if left == "nothing":
        (folder / "server.pem").write_bytes(b"")
    board.keeper = board.begin()
    board.keeper.start()
    assert board.told[-1][0]
    assert (board.shown() == before) is (left == "the certificate")


def test_a_fault_of_the_network_leaves_it_as_it_is(board: Board) -> None:
    before = board.shown()

    def fails() -> list[str]:
        raise OSError("no such device")

    board.keeper._names = fails
    board.keeper.check()
    assert board.told[-1] == (True, "it could not be looked after; see the log")
    assert board.shown() == before
