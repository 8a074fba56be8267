"""Seal a message so that only the telephone it is for can read it, and say who sends it.

A push service carries what is sent to a telephone. It sees neither text nor chamber: the
content is encrypted for keys that the telephone made when it joined. That it comes from
this service, and from nobody who has merely learned the telephone's address, is signed
with a key of the service's own, which the telephone was given when it joined.

References
----------
RFC 8291, Message Encryption for Web Push; RFC 8188, Encrypted Content-Encoding for HTTP;
RFC 8292, Voluntary Application Server Identification (VAPID) for Web Push.
"""

from __future__ import annotations

import base64
import json
import os
import re
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from stillair.alerts import files
from stillair.late import Late, load

if TYPE_CHECKING:
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec, utils
    from cryptography.hazmat.primitives.ciphers import aead
    from cryptography.hazmat.primitives.kdf import hkdf
else:
    hashes = Late("cryptography.hazmat.primitives.hashes")
    serialization = Late("cryptography.hazmat.primitives.serialization")
    ec = Late("cryptography.hazmat.primitives.asymmetric.ec")
    utils = Late("cryptography.hazmat.primitives.asymmetric.utils")
    aead = Late("cryptography.hazmat.primitives.ciphers.aead")
    hkdf = Late("cryptography.hazmat.primitives.kdf.hkdf")

KEY_FILE = "push-key.pem"
KEY_FILE_BYTES = 4096
POINT_BYTES, AUTH_BYTES, SALT_BYTES = 65, 16, 16
RECORD_BYTES = 4096  # what every push service has to take (RFC 8030, 7.2)
MOST_PLAIN_BYTES = RECORD_BYTES - (SALT_BYTES + 4 + 1 + POINT_BYTES) - 16 - 1
_LAST = b"\x02"  # delimiter of the last record (RFC 8188, 2)
GOOD_FOR = timedelta(hours=12)  # RFC 8292, 2: at most 24 h


def ready() -> None:
    """Load what seals and signs, before a message waits for it."""
    load(hashes, serialization, ec, utils, aead, hkdf)


def seal(
    plain: bytes,
    *,
    receiver: bytes,
    auth: bytes,
    salt: bytes | None = None,
    sender: ec.EllipticCurvePrivateKey | None = None,
) -> bytes:
    """`plain` as the body of a push, in one record of aes128gcm.

    `receiver` is the telephone's public key, an uncompressed point of P-256, and `auth` its
    secret of 16 bytes. `salt` and `sender` are made anew for each message. Raises `ValueError`
    for a key that is none and for more than `MOST_PLAIN_BYTES`.
    """
    if len(plain) > MOST_PLAIN_BYTES:
        raise ValueError(f"a push carries at most {MOST_PLAIN_BYTES} bytes")
    salt = os.urandom(SALT_BYTES) if salt is None else salt
    sender = ec.generate_private_key(ec.SECP256R1()) if sender is None else sender
    own = point(sender.public_key())
    shared = sender.exchange(ec.ECDH(), public_key(receiver))
    secret = _derived(shared, auth, b"WebPush: info\0" + receiver + own, 32)
    key = _derived(secret, salt, b"Content-Encoding: aes128gcm\0", 16)
    nonce = _derived(secret, salt, b"Content-Encoding: nonce\0", 12)
    head = salt + RECORD_BYTES.to_bytes(4, "big") + bytes([len(own)]) + own
    return head + aead.AESGCM(key).encrypt(nonce, plain + _LAST, None)


def _derived(secret: bytes, salt: bytes, info: bytes, length: int) -> bytes:
    return hkdf.HKDF(hashes.SHA256(), length, salt, info).derive(secret)


def public_key(raw: bytes) -> ec.EllipticCurvePublicKey:
    """The key of an uncompressed point. Raises `ValueError` if it doesn't lie on the curve."""
    if len(raw) != POINT_BYTES:
        raise ValueError(f"a point of P-256 has {POINT_BYTES} bytes")
    return ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), raw)


def point(key: ec.EllipticCurvePublicKey) -> bytes:
    """A public key as an uncompressed point."""
    return key.public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )


def to_text(raw: bytes) -> str:
    """Base64url without padding, as keys and signatures are written here (RFC 7515, 2)."""
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode("ascii")


def from_text(text: str) -> bytes:
    """What `to_text` wrote, padded or not. Raises `ValueError` for anything else."""
    plain = text.rstrip("=")
    if not re.fullmatch(r"[A-Za-z0-9_-]*", plain):
        raise ValueError("it is no base64url")
    return base64.urlsafe_b64decode(plain + "=" * (-len(plain) % 4))


class SenderKey:
    """The key by which telephones know this service; made once, and kept in `path`.

    A damaged file is set aside and a new key made: `repaired` then says so, for no
    telephone that joined before gets anything until it joins again.
    """

    def __init__(self, path: Path, wall: Callable[[], datetime]) -> None:
        self.repaired: str | None = None
        self._path = path
        self._wall = wall
        self._lock = threading.Lock()
        self._key: ec.EllipticCurvePrivateKey | None = None

    def __repr__(self) -> str:
        return f"SenderKey({self._path.name})"

    def public(self) -> str:
        """What a telephone is given when it joins. Raises `StoreError` if no key can be kept."""
        return to_text(point(self._loaded().public_key()))

    def authorization(self, endpoint: str, contact: str, at: datetime) -> str:
        """The header that says who sends: good for one push service, for twelve hours.

        `contact` is where the people who run that service may turn to. Raises `StoreError`.
        """
        key = self._loaded()
        parts = urlsplit(endpoint)
        claims = {
            "aud": f"{parts.scheme}://{parts.netloc}",
            "exp": int((at + GOOD_FOR).timestamp()),
            "sub": contact,
        }
        signed = ".".join(
            to_text(json.dumps(part, separators=(",", ":")).encode())
            for part in ({"typ": "JWT", "alg": "ES256"}, claims)
        )
        r, s = utils.decode_dss_signature(key.sign(signed.encode(), ec.ECDSA(hashes.SHA256())))
        signature = r.to_bytes(32, "big") + s.to_bytes(32, "big")
        return f"vapid t={signed}.{to_text(signature)}, k={to_text(point(key.public_key()))}"

    def _loaded(self) -> ec.EllipticCurvePrivateKey:
        with self._lock:
            if self._key is None:
                self._key = self._kept() or self._made()
            return self._key

    def _kept(self) -> ec.EllipticCurvePrivateKey | None:
        raw = files.read(self._path, KEY_FILE_BYTES)
        if raw is None:
            return None
        try:
            key = serialization.load_pem_private_key(raw, None)
            if isinstance(key, ec.EllipticCurvePrivateKey) and key.curve.name == "secp256r1":
                return key
        except (ValueError, TypeError):
            pass  # it is no key, or one with a password: as good as none
        aside = files.put_aside(self._path, self._wall())
        self.repaired = (
            f"it was damaged and set aside as {aside}, and a new one made: "
            "each telephone has to join again"
        )
        return None

    def _made(self) -> ec.EllipticCurvePrivateKey:
        key = ec.generate_private_key(ec.SECP256R1())
        files.write(
            self._path,
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            ),
        )
        return key
