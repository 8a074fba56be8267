"""Kinds of value that a chamber file holds, each with its check and its words.

Every check raises `ValueError` with a clause that goes on from
`key = value: `, such as "has to start with /dev/". `Takes` says what a kind of
value is in the same words to the table in deploy/settings.md and to somebody
who wrote something else.

Files named in a chamber file are looked for beside that file. A
`FileContext` in pydantic's validation context says where that is, and whether
such files have to be there at all.
"""

from __future__ import annotations

import ipaddress
import re
import shlex
import stat
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import AfterValidator, Field, SecretStr, Strict, ValidationInfo

from stillair.alerts.addresses import RouteKind, route_kind
from stillair.config.near import did_you_mean

SECRET_FILE_BYTES = 4096
ROUTE_CHARACTERS = 1000
PATH_CHARACTERS = 1024


@dataclass(frozen=True, slots=True)
class Takes:
    """What a key takes, in words that follow "has to be" ."""

    words: str


@dataclass(frozen=True, slots=True)
class Otherwise:
    """What holds when a key is left out, where that is no single value."""

    words: str


@dataclass(frozen=True, slots=True)
class Hides:
    """How a text is shown in a fault, where part of it may be a secret."""

    shown: Callable[[str], str]


@dataclass(frozen=True, slots=True)
class FileContext:
    """Where a chamber file lies, and whether the files that it names have to be there."""

    folder: Path
    files_count: bool = True


def context_of(info: ValidationInfo) -> FileContext:
    """The context of this validation; settings made in code count from the working directory."""
    context: Any = info.context
    return context if isinstance(context, FileContext) else FileContext(Path(), files_count=False)


def _one_line(value: str) -> str:
    if not value.strip():
        raise ValueError("has to be more than blanks")
    if value != value.strip():
        raise ValueError("has to begin and end without blanks")
    if not value.isprintable():
        raise ValueError("has to be on one line, without control characters")
    return value


def _sensor_name(value: str) -> str:
    if value.lower() in {"time", "time_s"}:
        raise ValueError("is the name of the time column in a file of readings; choose another")
    if not set(value).isdisjoint(',"'):
        raise ValueError("has to do without commas and quotation marks: it heads a CSV column")
    return value


def _onewire_address(value: str) -> str:
    address = value.lower()
    if not re.fullmatch(r"(10|22|28|3b|42)-[0-9a-f]{12}", address):
        raise ValueError(
            "is no address of a 1-Wire thermometer: two characters for its family"
            " (10, 22, 28, 3b or 42), a dash and twelve of 0-9 and a-f, as in 28-0000075c2f11"
        )
    return address


def _device(value: str) -> str:
    if not re.fullmatch(r"/dev/[^\s\0]+", value) or not value.isprintable():
        raise ValueError("has to be the path of a device, beginning with /dev/")
    return value


def _topic(value: str) -> str:
    if not set(value).isdisjoint("+#"):
        raise ValueError("has to be one topic, without the wildcards + and #")
    return value


def _pointer(value: str) -> str:
    if value and not value.startswith("/"):
        raise ValueError(f'has to begin with a slash: "/{value[:40]}"; or be "" for the whole')
    if re.search(r"~(?![01])", value):
        raise ValueError("has a ~ that is not followed by 0 or 1 (~0 is a ~, ~1 is a /)")
    return value


def _host(value: str) -> str:
    # One colon alone is never an IPv6 address: it is a port behind the name.
    if not re.fullmatch(r"[\w.:\-]+(%\w+)?", value) or value.count(":") == 1:
        raise ValueError("has to be a bare name or address, without scheme, port or path")
    return value


ORIGIN = 'an address such as "https://shed.example.org"'


def _origin(value: str) -> str:
    try:
        parts = urlsplit(value)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        raise ValueError(f"has to be {ORIGIN}") from None
    if parts.scheme not in ("http", "https") or not host or "%" in host:
        raise ValueError(f"has to be {ORIGIN}")
    if "@" in parts.netloc or parts.path not in ("", "/") or set("?#").intersection(value):
        raise ValueError("has to end with name and port, without a path and without who signs in")
    _host(host)
    if parts.scheme == "http" and not is_near(host):
        raise ValueError(
            "would let whoever sits between read along: has to begin with https://, or to name"
            " this machine or one of a private network"
        )
    named = f"[{host}]" if ":" in host else host
    usual = {"http": 80, "https": 443}[parts.scheme]
    return f"{parts.scheme}://{named}" + (f":{port}" if port not in (None, usual) else "")


def is_near(host: str) -> bool:
    """Whether a host's name or address is this machine's, or one of a private network."""
    try:
        return ipaddress.ip_address(host).is_private
    except ValueError:
        return "." not in host or host.endswith((".local", ".home.arpa", ".internal"))


def _zone(value: str) -> str:
    try:
        if re.fullmatch(r"[A-Za-z0-9_+\-]+(/[A-Za-z0-9_+\-]+)*", value):
            ZoneInfo(value)
            return value
    except (ZoneInfoNotFoundError, ValueError, OSError):
        pass  # said below, together with names that could not be one
    zones = available_timezones()
    if not zones:
        raise ValueError("can't be looked up: this machine lacks the package tzdata")
    raise ValueError(f"is no time zone{did_you_mean(value, zones)}, as in Europe/Berlin")


def mail_address(value: str) -> str:
    """A bare e-mail address, or `ValueError`. Anything that could break a header is refused."""
    local, _, domain = value.rpartition("@")
    if not re.fullmatch(r"[^\s@<>,;:\"()\[\]\\?&]{1,64}", local) or not local.isprintable():
        raise ValueError("is no e-mail address: write it as somebody@example.org")
    labels = domain.split(".")
    if len(domain) > 253 or not all(re.fullmatch(r"[^\W_]([\w\-]*[^\W_])?", x) for x in labels):
        raise ValueError("is no e-mail address: what follows the @ is no name of a mail domain")
    return value


FILE_ROUTE = "file:"
ROUTES = "mailto:, webpush:, mqtt:, https:// and those of message services, as json://"


def route_address(value: str, context: FileContext) -> str:
    """What a route is sent to: itself, or the one line of the file that it names.

    Raises `ValueError` for a file that holds none.
    """
    if not value.lower().startswith(FILE_ROUTE) or not context.files_count:
        return value
    path = context.folder / value[len(FILE_ROUTE) :].removeprefix("//")
    must_be_readable(path)
    address = read_secret(path, "an address")
    if address.lower().startswith(FILE_ROUTE):
        raise ValueError("names a file that names a file; it has to hold the address itself")
    return address


def _route(value: str, info: ValidationInfo) -> str:
    """A route as it is sent on. No clause repeats an address: it may be a secret."""
    address = _one_line(route_address(value, context_of(info)))
    scheme, _, rest = address.partition(":")
    match route_kind(address):
        case RouteKind.MAIL:
            return f"mailto:{mail_address(rest)}"
        case RouteKind.PUSH:
            if rest:
                raise ValueError("has to be webpush: alone; telephones join on the page")
            return "webpush:"
        case RouteKind.TOPIC:
            if not rest:
                raise ValueError('has to name its topic, as in "mqtt:shed/alarms"')
            return f"mqtt:{_topic(rest)}"
        case RouteKind.WEBHOOK:
            return web_address(address)
        case RouteKind.MESSENGER if context_of(info).files_count:
            # Imported here: its library takes time and memory, and few have such an address.
            from stillair.alerts.messenger import fault_of, schemes

            if fault := fault_of(address):
                near = "" if scheme.lower() in schemes() else did_you_mean(scheme, schemes())
                raise ValueError(f"{fault}{near}")
            return address
        case RouteKind.MESSENGER:
            return address
        case _ if scheme.lower() == "file":
            return address  # which nobody reads: see `files_count`
        case _ if "@" in address and ":" not in address:
            raise ValueError(f'has to begin with its scheme: "mailto:{address[:60]}"')
        case _:
            raise ValueError(f"is no route that Stillair can send on; there are {ROUTES}")


def web_address(value: str) -> str:
    """A whole web address to which a secret may go, or `ValueError` that tells nothing of it."""
    if not value.lower().startswith(("http://", "https://")):
        raise ValueError("has to be a web address: it begins with https://")
    try:
        parts = urlsplit(value)
        host = parts.hostname or ""
        whole = bool(host) and parts.port != 0 and not parts.fragment
    except ValueError:
        whole, host, parts = False, "", urlsplit("")
    if not whole or " " in value or not value.isprintable():
        raise ValueError("is no whole web address, as in https://example.org/alarms")
    if parts.scheme == "http" and not is_near(host):
        raise ValueError(
            "would let whoever sits between read along: has to begin with https://, or to name"
            " this machine or one of a private network"
        )
    return value


def _secret_address(url: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
    """A web address given here or in the file beside it, `url_file`."""
    file = info.data.get("url_file")
    if url is not None and file is not None:
        raise ValueError("is given beside url_file; keep one of them")
    if file is not None and context_of(info).files_count:
        url = SecretStr(read_secret(file, "the address"))
    return None if url is None else SecretStr(web_address(url.get_secret_value()))


def shown_route(value: str) -> str:
    """A route as a fault may show it: an address that may be a secret is left out."""
    scheme, colon, rest = value.partition(":")
    open_schemes = ("mailto", "mqtt", "webpush", "file")
    if (not colon and "/" not in value) or (
        scheme.lower() in open_schemes and not rest.startswith("//")
    ):
        return value
    return f"{scheme[:20]}:…" if colon and re.fullmatch(r"[A-Za-z][\w+.-]*", scheme) else "…"


def _contact(value: str) -> str:
    scheme, _, address = value.partition(":")
    if scheme == "mailto":
        return f"mailto:{mail_address(address)}"
    if not re.fullmatch(r"https://[^\s/@?#]+(/[^\s?#]*)?", value) or not value.isascii():
        raise ValueError('has to be "mailto:somebody@example.org" or the https address of a page')
    return value


def _server(value: str) -> str:
    if (
        not re.fullmatch(r"[a-z0-9.-]+:[0-9]{1,5}", value)
        or not 0 < int(value.rpartition(":")[2]) < 65536
    ):
        raise ValueError(
            'has to be a host in small letters and its port, as in "shed.example:8443"'
        )
    return value


def day_stretch(value: str) -> tuple[int, int]:
    """The two times of day of "22:00-07:00", as minutes after midnight, or `ValueError`."""
    times = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)", value, re.ASCII)
    if times is None:
        raise ValueError('has to be two times of day from 00:00 to 23:59, as in "22:00-07:00"')
    start_h, start_min, end_h, end_min = map(int, times.groups())
    start, end = start_h * 60 + start_min, end_h * 60 + end_min
    if start == end:
        raise ValueError("begins and ends at the same time; leave it out for no quiet hours")
    return start, end


def _day_stretch(value: str) -> str:
    day_stretch(value)
    return value


def command_line(value: str) -> str:
    try:
        words = shlex.split(value)
    except ValueError:
        raise ValueError("has a quotation mark without its second one: close it") from None
    if not words or not value.isprintable():
        raise ValueError("has to be a program and its arguments, on one line")
    return value


def _path(value: Path, info: ValidationInfo) -> Path:
    if not str(value).isprintable() or len(str(value)) > PATH_CHARACTERS:
        raise ValueError("has to be a path without control characters")
    return context_of(info).folder / value


def must_be_file(path: Path, info: ValidationInfo) -> Path:
    """The path of a regular file, or `ValueError`. Devices and pipes could block a start."""
    return must_be_readable(path) if context_of(info).files_count else path


def must_be_readable(path: Path) -> Path:
    """The path of a regular file that is there, or `ValueError`."""
    try:
        mode = path.stat().st_mode
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror}); looked for {path}") from None
    if not stat.S_ISREG(mode):
        raise ValueError(f"is no file; looked at {path}")
    return path


SHORTEST_SECRET = 16


def signing_secret(
    secret: SecretStr | None, info: ValidationInfo, *, beside: str
) -> SecretStr | None:
    """What signs, itself or out of the file that the key `beside` names. Raises `ValueError`."""
    file = info.data.get(beside)
    if secret is not None and file is not None:
        raise ValueError(f"is given beside {beside}; keep one of them")
    if file is not None and context_of(info).files_count:
        secret = SecretStr(read_secret(file, "the secret"))
    if secret is not None and len(secret.get_secret_value()) < SHORTEST_SECRET:
        raise ValueError(
            f"has to be {SHORTEST_SECRET} characters or more, by chance:"
            " openssl rand -hex 32 makes one"
        )
    return secret


def read_secret(path: Path, what: str = "the password") -> str:
    """The one line of a small file that holds a secret, or `ValueError` without its content."""
    try:
        with path.open("rb") as file:
            content = file.read(SECRET_FILE_BYTES + 1)
        secret = content.decode().removesuffix("\n").removesuffix("\r")
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise ValueError("has to hold UTF-8 text") from None
    if len(content) > SECRET_FILE_BYTES or not secret or not secret.isprintable():
        raise ValueError(f"has to hold one line, {what}, and nothing else")
    return secret


def certificates(path: Path) -> Path:
    """A file of certificates as PEM text, or `ValueError`."""
    import ssl  # it costs what only few files need

    try:
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(path)
    except ssl.SSLError:
        raise ValueError("has to hold certificates, as PEM text") from None
    except OSError as error:
        raise ValueError(f"can't be read ({error.strerror})") from None
    return path


Line = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_one_line)]
Name = Annotated[
    str,
    Field(min_length=1, max_length=40),
    AfterValidator(_one_line),
    Takes("text of 1 to 40 characters"),
]
SensorName = Annotated[Name, AfterValidator(_sensor_name)]
OneWireAddress = Annotated[
    str, AfterValidator(_onewire_address), Takes('a 1-Wire address, as in "28-0000075c2f11"')
]
Device = Annotated[
    str, Field(max_length=PATH_CHARACTERS), AfterValidator(_device), Takes("a path under /dev")
]
Topic = Annotated[
    str,
    Field(min_length=1, max_length=1000),
    AfterValidator(_one_line),
    AfterValidator(_topic),
    Takes("a topic"),
]
Pointer = Annotated[
    str,
    Field(max_length=1000),
    AfterValidator(_pointer),
    Takes("a JSON pointer (RFC 6901)"),
]
Host = Annotated[
    str,
    Field(min_length=1, max_length=253),
    AfterValidator(_host),
    Takes("a host name or address"),
]
Origin = Annotated[
    str, Field(max_length=300), AfterValidator(_one_line), AfterValidator(_origin), Takes(ORIGIN)
]
Zone = Annotated[str, Field(max_length=100), AfterValidator(_zone), Takes("a time zone's name")]
MailAddress = Annotated[str, AfterValidator(mail_address), Takes("an e-mail address")]
Contact = Annotated[
    str,
    Field(max_length=200),
    AfterValidator(_contact),
    Takes("a mailto: or https: address"),
]
Server = Annotated[
    str,
    Field(max_length=259),
    AfterValidator(_server),
    Takes('a host and its port, as in "push.shed.example:8443"'),
]
Route = Annotated[
    str,
    Field(max_length=ROUTE_CHARACTERS),
    AfterValidator(_route),
    Takes('a route, as in "mailto:somebody@example.org"'),
    Hides(shown_route),
]
SecretAddress = Annotated[
    SecretStr | None,
    AfterValidator(_secret_address),
    Hides(lambda _: "…"),
    Takes("a web address"),
]
# A path is written as text in TOML, hence not strict.
AnyPath = Annotated[Path, Strict(False), AfterValidator(_path), Takes("a path")]
FilePath = Annotated[AnyPath, AfterValidator(must_be_file), Takes("the path of a file")]
DayStretch = Annotated[
    str,
    Field(max_length=20),
    AfterValidator(_day_stretch),
    Takes('two times of day, as in "22:00-07:00"'),
]
Port = Annotated[int, Field(ge=1, le=65535)]
# The GPIO numbers of a 40-pin header; 0 and 1 belong to the identity chip of add-on boards.
Pin = Annotated[int, Field(ge=2, le=27)]
