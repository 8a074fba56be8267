"""The authority of a board and its certificate: who believes it, for what, for how long."""

from __future__ import annotations

import os
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from cryptography import x509
from hypothesis import given, settings
from hypothesis import strategies as st

from stillair.access import certificates
from stillair.access.certificates import Certificates, Identity
from stillair.access.names import checked_name
from stillair.errors import CertificateError

NOW = datetime(2027, 3, 14, 15, 9, 26, tzinfo=UTC)
OWN = ("shed", "shed.local", "192.168.7.20", "fd00::20")


@pytest.fixture
def kept(tmp_path: Path) -> Certificates:
    made = Certificates(tmp_path)
    made.make("shed", OWN, NOW, asked=("shed.example.org",))
    return made


def fingerprint(kept: Certificates) -> str:
    """Of the service's certificate."""
    server = kept.server()
    assert server is not None
    return server.fingerprint


def refused_by_openssl(
    folder: Path, authority: Identity, server: Identity, *options: str, at: datetime = NOW
) -> str:
    """What another verifier has against a certificate; "" for nothing."""
    (folder / "ca.pem").write_bytes(authority.public_pem)
    (folder / "one.pem").write_bytes(server.public_pem)
    moment = str(int(at.timestamp()))
    done = subprocess.run(
        [
            *("openssl", "verify", "-x509_strict", "-purpose", "sslserver", "-attime", moment),
            *("-no-CApath", "-no-CAstore", "-CAfile", "ca.pem", *options, "one.pem"),
        ],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    return "" if done.returncode == 0 else done.stderr + done.stdout


@pytest.mark.parametrize(
    ("options", "fault"),
    [
        pytest.param(["-verify_hostname", "shed.local"], "", id="name under .local"),
        pytest.param(["-verify_hostname", "shed.example.org"], "", id="name asked for"),
        pytest.param(["-verify_ip", "192.168.7.20"], "", id="IPv4"),
        pytest.param(["-verify_ip", "fd00::20"], "", id="IPv6"),
        pytest.param(["-verify_ip", "127.0.0.1"], "", id="loopback"),
        pytest.param(["-verify_hostname", "other.local"], "ostname mismatch", id="another name"),
        pytest.param(["-verify_ip", "192.168.7.21"], "IP address mismatch", id="another address"),
    ],
)
def test_another_verifier_believes_it_for_its_names_alone(
    kept: Certificates, tmp_path: Path, options: list[str], fault: str
) -> None:
    server = kept.server()
    assert server is not None
    said = refused_by_openssl(tmp_path, kept.authority(), server, *options)
    assert (fault in said) if fault else (said == "")


@pytest.mark.parametrize(
    ("days", "fault"),
    [
        pytest.param(-0.9, "", id="a telephone's clock a day behind"),
        pytest.param(395.9, "", id="its last day"),
        pytest.param(396.1, "has expired", id="over"),
    ],
)
def test_it_is_believed_for_its_time(
    kept: Certificates, tmp_path: Path, days: float, fault: str
) -> None:
    server = kept.server()
    assert server is not None
    at = NOW + timedelta(days=days)
    said = refused_by_openssl(tmp_path, kept.authority(), server, at=at)
    assert (fault in said) if fault else (said == "")
    # Telephones count both ends, and accept no more than 397 days.
    assert server.ends_at - server.begins_at + timedelta(seconds=1) <= timedelta(days=397)


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("bank.example.com", id="a site on the internet"),
        pytest.param("example.org", id="above what was asked"),
        pytest.param("notlocal", id="ends like .local"),
        pytest.param("203.0.113.9", id="a public address"),
        pytest.param("2001:db8::9", id="a public IPv6 address"),
    ],
)
def test_a_stolen_authority_is_believed_for_nobody_else(
    kept: Certificates, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    authority = kept.authority()
    with pytest.raises(CertificateError, match="not made to vouch"):
        certificates.issue(authority, [name], NOW)
    monkeypatch.setattr(certificates, "vouches_for", lambda *_: True)  # whoever stole it
    forged = certificates.issue(authority, [name], NOW)
    assert "permitted subtree violation" in refused_by_openssl(tmp_path, authority, forged)


def test_the_authority_can_make_no_other(kept: Certificates) -> None:
    own = kept.authority().certificate.extensions
    basic = own.get_extension_for_class(x509.BasicConstraints)
    assert (basic.critical, basic.value.ca, basic.value.path_length) == (True, True, 0)
    assert own.get_extension_for_class(x509.NameConstraints).critical
    server = kept.server()
    assert server is not None
    basic = server.certificate.extensions.get_extension_for_class(x509.BasicConstraints)
    assert not basic.value.ca


def test_a_name_of_one_word_is_left_out_as_it_could_be_a_domain(kept: Certificates) -> None:
    server = kept.server()
    assert server is not None
    assert "shed" not in server.names
    assert "shed.local" in server.names
    assert not certificates.vouches_for(kept.authority().certificate, "anything.shed")


def test_keys_are_readable_for_nobody_else(kept: Certificates, tmp_path: Path) -> None:
    folder = tmp_path / "certificates"
    assert folder.stat().st_mode & 0o777 == 0o700
    modes = {path.name: path.stat().st_mode & 0o777 for path in folder.iterdir()}
    assert modes == {"authority.pem": 0o600, "server.pem": 0o600, "names": 0o600}
    for identity in (kept.authority(), kept.server()):
        assert identity is not None
        assert b"PRIVATE" not in identity.public_pem


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_what_root_makes_belongs_to_whom_the_folder_belongs(tmp_path: Path) -> None:
    os.chown(tmp_path, 1234, 1235)
    Certificates(tmp_path).make("shed", OWN, NOW)
    made = [tmp_path / "certificates", *(tmp_path / "certificates").iterdir()]
    assert {(path.stat().st_uid, path.stat().st_gid) for path in made} == {(1234, 1235)}


def test_no_key_is_written_behind_a_link(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "certificates").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CertificateError, match="a link"):
        Certificates(tmp_path).make("shed", OWN, NOW)
    assert list((tmp_path / "elsewhere").iterdir()) == []


# --- made again -------------------------------------------------------------


def test_made_again_the_authority_and_the_names_asked_for_stay(kept: Certificates) -> None:
    before = kept.authority()
    authority, server = kept.make("shed", ("10.0.0.7",), NOW + timedelta(days=3))
    assert authority.fingerprint == before.fingerprint
    assert {"shed.example.org", "10.0.0.7"} <= set(server.names)
    assert "192.168.7.20" not in server.names


def test_a_new_authority_is_another_one(kept: Certificates) -> None:
    before = kept.authority()
    kept.make("shed", OWN, NOW, asked=("oars.example.net",), new_authority=True)
    assert kept.authority().fingerprint != before.fingerprint
    assert kept.asked() == ("oars.example.net",)


def test_a_name_beyond_the_authority_is_refused_and_nothing_changes(kept: Certificates) -> None:
    before = (kept.authority().pem, fingerprint(kept))
    with pytest.raises(CertificateError, match=r"oars\.example\.net.*--new-authority"):
        kept.make("shed", OWN, NOW, asked=("oars.example.net",))
    assert (kept.authority().pem, fingerprint(kept)) == before
    assert kept.asked() == ("shed.example.org",)


def test_a_clock_that_was_never_set_makes_nothing(tmp_path: Path) -> None:
    with pytest.raises(CertificateError, match="set it first"):
        Certificates(tmp_path).make("shed", OWN, datetime(1970, 1, 2, tzinfo=UTC))
    assert list(tmp_path.iterdir()) == []


# --- renewed ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("days", "own", "reason"),
    [
        pytest.param(1, OWN, None, id="nothing has changed"),
        pytest.param(335, OWN, None, id="61 days before its end"),
        pytest.param(337, OWN, "it ends on", id="59 days before its end"),
        pytest.param(800, OWN, "it ends on", id="the board was off for two years"),
        pytest.param(1, (*OWN, "10.0.0.7"), "it is not for 10.0.0.7", id="a new address"),
        pytest.param(1, (*OWN, "203.0.113.9"), None, id="an address nobody may vouch for"),
        pytest.param(1, ("shed.local",), None, id="an address less"),
        pytest.param(1, ("boat.local", *OWN), "it is not for boat.local", id="a new name"),
    ],
)
def test_it_is_renewed_when_that_is_due(
    kept: Certificates, tmp_path: Path, days: float, own: tuple[str, ...], reason: str | None
) -> None:
    before = fingerprint(kept)
    at = NOW + timedelta(days=days)
    server, why = kept.renew(own, at)
    if reason is None:
        assert (why, server.fingerprint) == (None, before)
        return
    assert why is not None and reason in why
    assert server.fingerprint == fingerprint(kept) != before
    assert kept.renew(own, at)[1] is None
    assert refused_by_openssl(tmp_path, kept.authority(), server, at=at) == ""


def of_another_authority(path: Path) -> None:
    other = path.parents[1] / "other"
    Certificates(other).make("x", OWN, NOW)
    (other / "certificates" / "server.pem").replace(path)


@pytest.mark.parametrize(
    ("harm", "reason"),
    [
        pytest.param(lambda path: path.unlink(), "none that can be used", id="gone"),
        pytest.param(lambda path: path.write_bytes(b""), "none that can be used", id="empty"),
        pytest.param(
            lambda path: path.write_bytes(path.read_bytes()[:400]), "can be used", id="cut off"
        ),
        pytest.param(of_another_authority, "another one now", id="of another authority"),
    ],
)
def test_a_certificate_that_is_of_no_use_is_made_anew(
    kept: Certificates, tmp_path: Path, harm: object, reason: str
) -> None:
    assert callable(harm)
    harm(tmp_path / "certificates" / "server.pem")
    _, why = kept.renew(OWN, NOW)
    assert why is not None and reason in why


def test_one_made_by_a_clock_that_was_ahead_is_made_anew(kept: Certificates) -> None:
    kept.renew(OWN, NOW + timedelta(days=900))
    server, why = kept.renew(OWN, NOW + timedelta(days=2))
    assert why is not None and "ahead" in why
    assert server.begins_at < NOW + timedelta(days=2)


@pytest.mark.parametrize(
    ("at", "said"),
    [
        pytest.param(NOW - timedelta(days=400), "before the authority was made", id="clock behind"),
        pytest.param(NOW + timedelta(days=21 * 365), "--new-authority", id="the authority is over"),
    ],
)
def test_what_the_authority_cannot_do_is_said(kept: Certificates, at: datetime, said: str) -> None:
    with pytest.raises(CertificateError, match=said):
        kept.renew(OWN, at)


def test_a_damaged_authority_is_said_and_replaced_by_command_alone(
    kept: Certificates, tmp_path: Path
) -> None:
    path = tmp_path / "certificates" / "authority.pem"
    path.write_bytes(b"-----BEGIN nothing")
    for attempt in (lambda: kept.renew(OWN, NOW), lambda: kept.make("shed", OWN, NOW)):
        with pytest.raises(CertificateError, match="is damaged"):
            attempt()
    kept.make("shed", OWN, NOW, new_authority=True)
    assert kept.renew(OWN, NOW)[1] is None


# --- names ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Shed.Local", "shed.local"),
        ("shed.example.org.", "shed.example.org"),
        ("[fd00::0020]", "fd00::20"),
        ("fe80::1%eth0", "fe80::1"),
        (" 10.0.0.7 ", "10.0.0.7"),
        ("localhost", "localhost"),
    ],
)
def test_a_name_is_written_one_way(text: str, name: str) -> None:
    assert checked_name(text) == name


@pytest.mark.parametrize(
    "text",
    [
        *("", ".", "shed", "*.local", "-a.local", "a..local", "a b.local", "http://shed.local"),
        *("é.org", "a" * 64 + ".local", "a." * 127 + "local", "10.0.0.0/8", "shed.local\n.org"),
    ],
)
def test_what_is_no_name_is_refused(text: str) -> None:
    with pytest.raises(CertificateError):
        checked_name(text)


@settings(max_examples=40)
@given(st.text(st.characters(codec="ascii"), max_size=80) | st.from_regex("[a-z0-9.:-]{1,20}"))
def test_any_text_is_a_name_that_can_be_certified_or_is_refused(text: str) -> None:
    try:
        name = checked_name(text)
    except CertificateError:
        return
    assert checked_name(name) == name
    certificates.issue(certificates.make_authority("shed", [name], NOW), [name], NOW)


@given(st.binary(max_size=200))
def test_bytes_that_are_no_identity_are_a_damaged_file(pem: bytes) -> None:
    with TemporaryDirectory() as folder:
        kept = Certificates(Path(folder))
        (Path(folder) / "certificates").mkdir()
        (Path(folder) / "certificates" / "authority.pem").write_bytes(pem)
        with pytest.raises(CertificateError, match="is damaged"):
            kept.authority()
