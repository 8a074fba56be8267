"""A push service on loopback, and a telephone: both know the RFCs and none of our code.

The service speaks HTTPS with a certificate of an authority of its own, and keeps what it is
handed. The telephone reads it, and looks at who says to have sent it, with nothing but HMAC,
a curve and AES: so what is sealed is held against RFC 8188, 8291 and 8292 and not against
the module that seals.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import ipaddress
import json
import os
import ssl
import threading
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.x509.oid import NameOID

HOST = "127.0.0.1"
MOST_BODY_BYTES = 4096  # RFC 8030, 7.2: what a service has to take, and this one no more


def text(raw: bytes) -> str:
    """Base64url without padding."""
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def raw(written: str) -> bytes:
    """Back again."""
    return base64.urlsafe_b64decode(written + "=" * (-len(written) % 4))


def certificates(folder: Path) -> tuple[Path, Path]:
    """An authority's certificate, and a certificate with its key for 127.0.0.1 beneath it."""
    now = datetime.now(UTC)

    def made(
        name: str, key: ec.EllipticCurvePrivateKey, signer: ec.EllipticCurvePrivateKey, *, ca: bool
    ) -> x509.Certificate:
        builder = (
            x509.CertificateBuilder()
            .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)]))
            .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "pier")]))
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - timedelta(days=1))
            .not_valid_after(now + timedelta(days=2))
            .add_extension(x509.BasicConstraints(ca=ca, path_length=None), critical=True)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()),
                critical=False,
            )
            .add_extension(
                x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False
            )
        )
        if ca:
            use = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
            builder = builder.add_extension(use, critical=True)
        else:
            address = x509.IPAddress(ipaddress.ip_address(HOST))
            builder = builder.add_extension(x509.SubjectAlternativeName([address]), critical=False)
        return builder.sign(signer, hashes.SHA256())

    authority, own = (ec.generate_private_key(ec.SECP256R1()) for _ in range(2))
    pem = serialization.Encoding.PEM
    trust, identity = folder / "push-authority.pem", folder / "push-service.pem"
    trust.write_bytes(made("pier", authority, authority, ca=True).public_bytes(pem))
    identity.write_bytes(
        own.private_bytes(pem, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
        + made("push", own, authority, ca=False).public_bytes(pem)
    )
    return trust, identity


@dataclass(frozen=True, slots=True)
class Pushed:
    """One request."""

    path: str
    headers: dict[str, str]  # names in small letters
    body: bytes


@dataclass
class Answer:
    """How the service answers: with `status`, and if `held` only once it is let go."""

    status: int = 201
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    held: threading.Event | None = None


class PushService:
    """Takes what is posted to it. `answers` gives some paths another answer than 201."""

    def __init__(self, folder: Path) -> None:
        trust, identity = certificates(folder)
        self.trust = str(trust)
        self.pushed: list[Pushed] = []
        self.answers: dict[str, Answer] = {}
        self.asked = 0  # how often, whether it was taken or not
        self._arrived = threading.Condition()
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(identity)
        service = self

        class Handler(BaseHTTPRequestHandler):
            timeout = 10

            def setup(self) -> None:
                self.request = context.wrap_socket(self.request, server_side=True)
                super().setup()

            def finish(self) -> None:
                try:
                    super().finish()
                finally:
                    self.request.close()

            def do_POST(self) -> None:
                length = int(self.headers["Content-Length"])
                body = self.rfile.read(length)
                answer = service.answers.get(self.path, Answer())
                service.asked += 1
                if answer.held is not None:
                    answer.held.wait(20)
                status = 413 if length > MOST_BODY_BYTES else answer.status
                if status < 300:
                    headers = {name.lower(): value for name, value in self.headers.items()}
                    service.take(Pushed(self.path, headers, body))
                self.send_response(status)
                for name, value in answer.headers.items():
                    self.send_header(name, value)
                self.send_header("Content-Length", str(len(answer.body)))
                self.end_headers()
                self.wfile.write(answer.body)

            def log_message(self, *_: object) -> None:
                return

        class Server(ThreadingHTTPServer):
            def handle_error(self, *_: object) -> None:
                return  # who hung up in the middle

        self._server = Server((HOST, 0), Handler)
        self.server = f"{HOST}:{self._server.server_port}"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,))

    def __enter__(self) -> PushService:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        for answer in self.answers.values():
            if answer.held is not None:
                answer.held.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def take(self, pushed: Pushed) -> None:
        with self._arrived:
            self.pushed.append(pushed)
            self._arrived.notify_all()

    def wait_for(self, count: int, timeout_s: float = 60.0) -> list[Pushed]:
        """All that has come, as soon as there are so many. Fails the test after the timeout."""
        with self._arrived:
            came = self._arrived.wait_for(lambda: len(self.pushed) >= count, timeout_s)
        assert came, f"{len(self.pushed)} of {count} pushes came within {timeout_s:g} s"
        return list(self.pushed)

    def telephone(self, name: str) -> StandIn:
        """A telephone with an address here."""
        return StandIn(f"https://{self.server}/{name}")


class StandIn:
    """A telephone's browser: it has an address and keys, and reads what comes to it."""

    def __init__(self, endpoint: str) -> None:
        self.endpoint = endpoint
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._auth = os.urandom(16)
        self.public = self._key.public_key().public_bytes(
            serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
        )

    @property
    def path(self) -> str:
        """Where on its service it is."""
        return urlsplit(self.endpoint).path

    def subscription(self) -> dict[str, str]:
        """What the page posts of it."""
        return {"endpoint": self.endpoint, "p256dh": text(self.public), "auth": text(self._auth)}

    def read(self, pushed: Pushed) -> Any:
        """The JSON in it."""
        assert pushed.headers["content-encoding"] == "aes128gcm"
        return json.loads(self.plain(pushed.body))

    def plain(self, body: bytes) -> bytes:
        """RFC 8188, 2.1 and RFC 8291, 3.4, by hand."""
        return opened(body, self._key, self._auth)

    def sender(self, pushed: Pushed, *, key: str, now: datetime) -> dict[str, Any]:
        """The claims of who has sent it, signed with `key` and good just now (RFC 8292)."""
        scheme, _, parameters = pushed.headers["authorization"].partition(" ")
        assert scheme == "vapid"
        given = dict(part.strip().split("=", 1) for part in parameters.split(","))
        assert given["k"] == key
        head, claims, signature = given["t"].split(".")
        assert json.loads(raw(head)) == {"typ": "JWT", "alg": "ES256"}
        both = raw(signature)
        assert len(both) == 64
        public = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), raw(key))
        public.verify(  # raises if it isn't
            encode_dss_signature(int.from_bytes(both[:32]), int.from_bytes(both[32:])),
            f"{head}.{claims}".encode(),
            ec.ECDSA(hashes.SHA256()),
        )
        told: dict[str, Any] = json.loads(raw(claims))
        own = urlsplit(self.endpoint)
        assert told["aud"] == f"{own.scheme}://{own.netloc}"
        assert 0 < told["exp"] - now.timestamp() <= 24 * 3600
        return told


def opened(body: bytes, key: ec.EllipticCurvePrivateKey, auth: bytes) -> bytes:
    """What is sealed in `body` for the holder of `key` and `auth`."""
    salt, size, length = body[:16], int.from_bytes(body[16:20]), body[20]
    sender, record = body[21 : 21 + length], body[21 + length :]
    assert length == 65 and len(record) <= size, "one record, which is the last one"
    shared = key.exchange(
        ec.ECDH(), ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender)
    )
    own = key.public_key().public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )
    # HKDF (RFC 5869) with a single block of output each time.
    before = hmac.digest(auth, shared, hashlib.sha256)
    secret = hmac.digest(before, b"WebPush: info\0" + own + sender + b"\x01", hashlib.sha256)
    seed = hmac.digest(salt, secret, hashlib.sha256)
    content = hmac.digest(seed, b"Content-Encoding: aes128gcm\0\x01", hashlib.sha256)[:16]
    nonce = hmac.digest(seed, b"Content-Encoding: nonce\0\x01", hashlib.sha256)[:12]
    padded = AESGCM(content).decrypt(nonce, record, None)
    plain = padded.rstrip(b"\0")
    assert plain[-1:] == b"\x02", "the delimiter of the last record"
    return plain[:-1]
