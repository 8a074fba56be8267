"""A certificate authority of this board's own, and the certificate that it gives the service.

Nobody vouches for a machine without a public name, so the board does it itself:
a telephone that has been given the authority knows the service by it from then
on. Because that is a lot of trust, the authority can't be used for much else:

- it signs no further authority (path length 0);
- it vouches for nothing but this machine's own names, names under `.local` and
  addresses that never leave a private network (name constraints, RFC 5280,
  4.2.1.10). A bare name of one word is left out: a constraint on it would
  take in all names under a top-level domain that is called the same.

The authority lasts for twenty years, because each telephone has to be told of it
by hand. The service's certificate lasts for 397 days at most, the longest that
telephones accept, and is made anew long before.

    <data directory>/certificates/
        authority.pem   key and certificate, readable for its owner only
        server.pem      the same of the service
        names           what `make` was told, a line each

Key and certificate share a file, so that replacing it can't leave one without
the other.
"""

from __future__ import annotations

import ipaddress
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from stillair.access.names import ALWAYS, MOST_NAMES, address_of, checked_names, usable_names
from stillair.clock import MADE_AT
from stillair.database import hand_over
from stillair.errors import CertificateError
from stillair.late import Late

if TYPE_CHECKING:
    from cryptography import exceptions, x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
else:  # 8 MB that nobody needs who has no certificate
    _PARTS = "cryptography.hazmat.primitives"
    exceptions, x509 = Late("cryptography.exceptions"), Late("cryptography.x509")
    hashes, serialization = Late(f"{_PARTS}.hashes"), Late(f"{_PARTS}.serialization")
    ec = Late(f"{_PARTS}.asymmetric.ec")

FOLDER = "certificates"
AUTHORITY_FILE, SERVER_FILE, NAMES_FILE = "authority.pem", "server.pem", "names"

BACK = timedelta(days=1)  # a telephone's clock may be behind
AUTHORITY_LASTS = timedelta(days=20 * 365)
SERVER_LASTS = timedelta(days=397) - timedelta(seconds=1)  # both ends count (RFC 5280, 4.1.2.5)
RENEWED_BEFORE = timedelta(days=60)
WARNED_BEFORE = timedelta(days=365)  # of the authority's end, which nothing renews by itself
# RFC 1918, 3927, 6598, 4193, 4291: what never is a stranger's machine on the internet.
PRIVATE = tuple(
    ipaddress.ip_network(text)
    for text in (
        "127.0.0.0/8",
        "10.0.0.0/8",
        "172.16.0.0/12",
        "192.168.0.0/16",
        "169.254.0.0/16",
        "100.64.0.0/10",
        "::1/128",
        "fc00::/7",
        "fe80::/10",
    )
)


@dataclass(frozen=True, slots=True)
class Identity:
    """A certificate and the key that belongs to it."""

    key: ec.EllipticCurvePrivateKey
    certificate: x509.Certificate

    @property
    def pem(self) -> bytes:
        """Both, the key first: a secret."""
        return (
            self.key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
            + self.public_pem
        )

    @property
    def public_pem(self) -> bytes:
        """The certificate alone."""
        return self.certificate.public_bytes(serialization.Encoding.PEM)

    @property
    def public_der(self) -> bytes:
        """The certificate alone, in the form that every telephone takes."""
        return self.certificate.public_bytes(serialization.Encoding.DER)

    @property
    def common_name(self) -> str:
        """What it is called in lists."""
        found = self.certificate.subject.get_attributes_for_oid(x509.oid.NameOID.COMMON_NAME)
        return str(found[0].value) if found else ""

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the certificate, as telephones and browsers show it."""
        return self.certificate.fingerprint(hashes.SHA256()).hex(":").upper()

    @property
    def begins_at(self) -> datetime:
        """From when on it is valid."""
        return self.certificate.not_valid_before_utc

    @property
    def ends_at(self) -> datetime:
        """Until when it is valid."""
        return self.certificate.not_valid_after_utc

    @property
    def names(self) -> tuple[str, ...]:
        """The names and addresses that it is for."""
        try:
            found = self.certificate.extensions.get_extension_for_class(
                x509.SubjectAlternativeName
            ).value
        except x509.ExtensionNotFound:
            return ()
        return tuple(str(name.value) for name in found)

    @classmethod
    def from_pem(cls, pem: bytes) -> Identity:
        """What `pem` holds. Raises `ValueError` unless key and certificate belong together."""
        key = serialization.load_pem_private_key(pem, None)
        certificate = x509.load_pem_x509_certificate(pem)
        if not isinstance(key, ec.EllipticCurvePrivateKey):
            raise ValueError("the key is of another kind")
        if key.public_key() != certificate.public_key():
            raise ValueError("key and certificate do not belong together")
        return cls(key, certificate)


# --- names ------------------------------------------------------------------


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(address_of(name))
    except ValueError:
        return x509.DNSName(name)


def vouches_for(authority: x509.Certificate, name: str) -> bool:
    """Whether a certificate for `name` lies within the authority's name constraints."""
    try:
        constraints = authority.extensions.get_extension_for_class(x509.NameConstraints).value
    except x509.ExtensionNotFound:
        return True
    of = _general(name)
    for permitted in constraints.permitted_subtrees or ():
        match of, permitted:
            case x509.IPAddress(value=address), x509.IPAddress(value=network):
                if address in network:  # type: ignore[operator]  # a network, in a constraint
                    return True
            case x509.DNSName(value=host), x509.DNSName(value=domain):
                if host == domain or host.endswith(f".{domain}"):
                    return True
    return False


# --- making -----------------------------------------------------------------


def make_authority(machine: str, names: Iterable[str], now_at: datetime) -> Identity:
    """A new authority that can vouch for `names`, all of .local and private addresses."""
    key = ec.generate_private_key(ec.SECP256R1())
    begins_at = _second(now_at) - BACK
    subject = x509.Name(
        [
            x509.NameAttribute(x509.oid.NameOID.ORGANIZATION_NAME, "Stillair"),
            # The year tells two apart in a telephone's list.
            x509.NameAttribute(
                x509.oid.NameOID.COMMON_NAME, f"Stillair on {machine[:30]}, {now_at:%Y-%m-%d}"
            ),
        ]
    )
    permitted: list[x509.GeneralName] = [x509.DNSName("local"), x509.DNSName("localhost")]
    permitted += [x509.IPAddress(network) for network in PRIVATE]
    for name in names:
        match _general(name):
            case x509.DNSName() as host if not name.endswith(".local") and host not in permitted:
                permitted.append(host)
            case x509.IPAddress(value=address) if not any(
                address.version == n.version and address in n for n in PRIVATE
            ):
                permitted.append(x509.IPAddress(ipaddress.ip_network(str(address))))
    certificate = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins_at)
        .not_valid_after(begins_at + AUTHORITY_LASTS)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(authority=True), critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    return Identity(key, certificate)


def issue(authority: Identity, names: Sequence[str], now_at: datetime) -> Identity:
    """A certificate for the service. Raises `CertificateError` where the authority can't."""
    if not names:
        raise CertificateError("there is no name that the certificate could be for")
    if now_at < authority.begins_at:
        raise CertificateError(
            f"the clock says {now_at:%Y-%m-%d}, which is before the authority was made; set it"
        )
    if now_at >= authority.ends_at:
        raise CertificateError(
            f"the authority ended on {authority.ends_at:%Y-%m-%d}: make a new one with "
            "certificate make --new-authority, and let each telephone trust it"
        )
    beyond = [name for name in names if not vouches_for(authority.certificate, name)]
    if beyond:
        raise CertificateError(
            f"the authority was not made to vouch for {', '.join(beyond)}: make a new one with "
            "certificate make --new-authority, and let each telephone trust it"
        )
    key = ec.generate_private_key(ec.SECP256R1())
    begins_at = max(_second(now_at) - BACK, authority.begins_at)
    own = authority.certificate
    certificate = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(x509.oid.NameOID.COMMON_NAME, "Stillair")]))
        .issuer_name(own.subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(begins_at)
        .not_valid_after(min(begins_at + SERVER_LASTS, authority.ends_at))
        .add_extension(x509.SubjectAlternativeName(map(_general, names)), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(authority=False), critical=True)
        .add_extension(
            x509.ExtendedKeyUsage([x509.oid.ExtendedKeyUsageOID.SERVER_AUTH]), critical=False
        )
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key()),
            critical=False,
        )
        .sign(authority.key, hashes.SHA256())
    )
    return Identity(key, certificate)


def why_due(
    authority: Identity, server: Identity | None, names: Iterable[str], now_at: datetime
) -> str | None:
    """Why the service needs a new certificate, in a few words; None while it needs none.

    A name that is no longer needed is no reason: a cable that is pulled for a
    minute takes its address away and brings it back.
    """
    if server is None:
        return "there is none that can be used"
    try:
        server.certificate.verify_directly_issued_by(authority.certificate)
    except (ValueError, TypeError, exceptions.InvalidSignature):
        return "the authority is another one now"
    if now_at < server.begins_at:
        return "it was made by a clock that was ahead"
    if now_at >= server.ends_at - RENEWED_BEFORE and server.ends_at < authority.ends_at:
        return f"it ends on {server.ends_at:%Y-%m-%d}"
    missing = [name for name in names if name not in server.names]
    if missing:
        return f"it is not for {', '.join(missing)}"
    return None


def _second(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(microsecond=0)


def _usage(*, authority: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not authority,
        key_cert_sign=authority,
        crl_sign=authority,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        encipher_only=False,
        decipher_only=False,
    )


# --- kept -------------------------------------------------------------------


class Certificates:
    """The authority and the certificate of a data directory.

    Parameters
    ----------
    folder : Path
        The data directory.
    """

    def __init__(self, folder: Path) -> None:
        self._data = folder
        self._folder = folder / FOLDER

    @property
    def wanted(self) -> bool:
        """Whether somebody has made a certificate here, so that the service is to use it."""
        return self._folder.is_dir()

    def want(self) -> None:
        """Have it wanted, though nothing may be there yet. Raises `CertificateError`."""
        try:
            self._folder.mkdir(mode=0o700, exist_ok=True)
        except OSError as error:
            raise CertificateError(f"{self._folder} can't be made: {error.strerror}") from error

    def authority(self) -> Identity:
        """The authority with its key. Raises `CertificateError`."""
        found = self._read(AUTHORITY_FILE)
        if found is None:
            raise CertificateError(
                f"{self._folder} has no authority; make one with certificate make"
            )
        return found

    def server(self) -> Identity | None:
        """The service's certificate with its key; None where there is none that can be read."""
        try:
            return self._read(SERVER_FILE)
        except CertificateError:
            return None

    def asked(self) -> tuple[str, ...]:
        """The names that `make` was told; none where they can't be read."""
        try:
            text = (self._folder / NAMES_FILE).read_text("utf-8")
        except (OSError, UnicodeDecodeError):
            return ()
        return usable_names(text.splitlines())

    def make(
        self,
        machine: str,
        own: Iterable[str],
        now_at: datetime,
        *,
        asked: Iterable[str] = (),
        new_authority: bool = False,
    ) -> tuple[Identity, Identity]:
        """An authority, unless there is one, and a new certificate of it for the service.

        Parameters
        ----------
        machine : str
            What a telephone's list of authorities calls this machine.
        own : names and addresses that the machine has by itself
        asked : names to add; without any, those asked for the last time

        Raises `CertificateError`; nothing is changed then.
        """
        if now_at < MADE_AT:
            raise CertificateError(f"the clock says {now_at:%Y-%m-%d}; set it first")
        kept = checked_names(asked) or self.asked()
        names = _together(own, kept)
        if new_authority or not (self._folder / AUTHORITY_FILE).exists():
            authority = make_authority(machine, names, now_at)
            server = issue(authority, names, now_at)
        else:
            authority = self.authority()
            # Of its own names a machine may have got some that the authority can't know.
            within = [n for n in names if n in kept or vouches_for(authority.certificate, n)]
            server = issue(authority, within, now_at)
        self._write(NAMES_FILE, "".join(f"{name}\n" for name in kept).encode())
        # First: a certificate of an older authority is replaced by itself.
        self._write(AUTHORITY_FILE, authority.pem)
        self._write(SERVER_FILE, server.pem)
        return authority, server

    def renew(self, own: Iterable[str], now_at: datetime) -> tuple[Identity, str | None]:
        """The certificate to serve with, and why it was made anew if it was.

        Names that the authority can't vouch for are left out, as a machine may
        get a public address at any time. Raises `CertificateError`.
        """
        authority = self.authority()
        asked = self.asked()
        names = [n for n in _together(own, asked) if vouches_for(authority.certificate, n)]
        server = self.server()
        reason = why_due(authority, server, names, now_at)
        if reason is None and server is not None:
            return server, None
        made = issue(authority, names, now_at)
        self._write(SERVER_FILE, made.pem)
        return made, reason

    def _read(self, name: str) -> Identity | None:
        path = self._folder / name
        try:
            return Identity.from_pem(path.read_bytes())
        except FileNotFoundError:
            return None
        except OSError as error:
            raise CertificateError(f"{path} can't be read: {error.strerror}") from error
        except (ValueError, TypeError) as error:
            raise CertificateError(f"{path} is damaged: {error}") from error

    def _write(self, name: str, content: bytes) -> None:
        """Replace a file as a whole, so that a power cut leaves the old one or the new one."""
        path = self._folder / name
        new = path.with_name(f"{name}.new")
        try:
            self._data.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._folder.mkdir(mode=0o700, exist_ok=True)
            if self._folder.is_symlink():
                raise CertificateError(f"{self._folder} is a link: no key is written behind one")
            hand_over(self._data, self._folder)
            new.unlink(missing_ok=True)
            with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            hand_over(self._data, new)
            new.replace(path)
            directory = os.open(self._folder, os.O_RDONLY)
            try:
                os.fsync(directory)
            finally:
                os.close(directory)
        except OSError as error:
            raise CertificateError(f"{path} can't be written: {error.strerror}") from error


def _together(own: Iterable[str], asked: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys((*asked, *usable_names((*ALWAYS, *own)))))[:MOST_NAMES]
