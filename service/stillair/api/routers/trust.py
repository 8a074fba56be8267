"""How a telephone comes to trust this service: a page for whom has not signed in yet.

It shows what is public anyhow, since every handshake does: the authority's
certificate, and its fingerprint to be compared with the one on the console.
"""

from __future__ import annotations

import html
from pathlib import Path

from fastapi import APIRouter
from starlette.responses import HTMLResponse, Response

from stillair.access.certificates import Certificates


def router(certificates: Certificates, pages: Path) -> APIRouter:
    """The page, and the authority's certificate as telephones take it.

    Raises `CertificateError` where it can't be read, which is a 503.
    """
    made = APIRouter(include_in_schema=False)

    @made.get("/trust")
    def page() -> Response:
        authority = certificates.authority()
        text = (pages / "trust.html").read_text("utf-8")
        for mark, value in (
            ("{name}", authority.common_name),
            ("{fingerprint}", authority.fingerprint),
            ("{until}", f"{authority.ends_at:%Y-%m-%d}"),
        ):
            text = text.replace(mark, html.escape(value))
        return HTMLResponse(text)

    @made.get("/stillair-authority.crt")
    def authority() -> Response:
        # No attachment: as one, an iPhone would keep it as a file instead of asking to install it.
        return Response(
            certificates.authority().public_der, media_type="application/x-x509-ca-cert"
        )

    return made
