"""What deploy/install asks of an installed service.

    installed.py health OPTIONS     prints "ok", "impaired", or nothing where it doesn't answer
    installed.py port OPTIONS       prints the port that it listens on

OPTIONS is /etc/stillair/options. Runs with the standard library alone: the installed
version may be the thing that is broken.
"""

from __future__ import annotations

import argparse
import itertools
import json
import shlex
import ssl
import sys
import urllib.request
from http.client import HTTPException
from pathlib import Path

PORT = 8420
HERE = {"0.0.0.0": "127.0.0.1", "::": "[::1]", "::1": "[::1]"}  # where to ask


def listens(options: str) -> tuple[str, str]:
    """Host and port that the words of an options file name, the later one of two."""
    words: list[str] = []
    for line in options.splitlines():
        name, _, value = line.strip().partition("=")
        if name in ("STILLAIR_LISTEN", "STILLAIR_OPTIONS"):
            try:
                words += " ".join(shlex.split(value)).split()
            except ValueError:  # a quotation mark that is left open
                words += value.split()
    known = argparse.ArgumentParser(add_help=False, allow_abbrev=False)
    known.add_argument("--host", default="127.0.0.1")
    known.add_argument("--port", default=PORT)
    found, _ = known.parse_known_args(words)
    return found.host, str(found.port)


def health(host: str, port: str) -> str:
    """What the service says of itself; nothing where it doesn't answer."""
    unproven = ssl.create_default_context()
    unproven.check_hostname = False  # asked on this very computer
    unproven.verify_mode = ssl.CERT_NONE
    ask = urllib.request.build_opener(
        urllib.request.ProxyHandler({}), urllib.request.HTTPSHandler(context=unproven)
    )
    places = dict.fromkeys((HERE.get(host, host), "127.0.0.1"))  # as while nobody owns it
    for place, scheme in itertools.product(places, ("http", "https")):
        address = f"{scheme}://{place}:{port}/api/health"
        try:
            with ask.open(address, timeout=3) as answer:
                return str(json.loads(answer.read(1000))["status"])
        except (OSError, HTTPException, ValueError, KeyError, TypeError):
            continue
    return ""


def main() -> None:
    """Do what the first word says."""
    match sys.argv[1:]:
        case ["health", options]:
            print(health(*listens(read(options))))
        case ["port", options]:
            print(listens(read(options))[1])
        case _:
            raise SystemExit(__doc__)


def read(options: str) -> str:
    """The file's text; where there is none the service runs without options."""
    try:
        return Path(options).read_text("utf-8", "replace")
    except FileNotFoundError:
        return ""


if __name__ == "__main__":
    main()
