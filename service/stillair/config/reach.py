"""Tables of the chamber file for what goes out: the sounder, people and the ways to reach them."""

from __future__ import annotations

import ipaddress
from pathlib import Path
from typing import Annotated, Literal, Protocol

from pydantic import Field, SecretStr, Strict, ValidationInfo, field_validator

from stillair.config.tables import Table
from stillair.config.values import (
    Contact,
    DayStretch,
    FilePath,
    Host,
    Line,
    MailAddress,
    Name,
    Origin,
    Otherwise,
    Pin,
    Port,
    Route,
    Server,
    Takes,
    certificates,
    command_line,
    context_of,
    read_secret,
    signing_secret,
)

COMMAND = 'one text, a program and its arguments, as in "aplay tone.wav"'


class GpioSounder(Table):
    driver: Literal["gpio"]
    pin: Pin = Field(description="GPIO number that switches the sounder.")


class CommandSounder(Table):
    driver: Literal["command"]
    # It may hold an address with a password.
    command: Annotated[str, Field(min_length=1, max_length=1000), Takes(COMMAND)] = Field(
        repr=False, description="A program that makes one tone; STILLAIR_SOUND tells it which."
    )

    @field_validator("command")
    @classmethod
    def _runnable(cls, command: str) -> str:
        return command_line(command)


AnySounder = Annotated[GpioSounder | CommandSounder, Field(discriminator="driver")]


class PersonTable(Table):
    name: Name = Field(description="Whom to reach; unlike every other person's.")
    account: Annotated[Name | None, Otherwise("the person's own name")] = Field(
        default=None, description="The name with which they sign in to the page."
    )
    routes: Annotated[tuple[Route, ...], Strict(False)] = Field(
        min_length=1,
        max_length=20,
        repr=False,  # an address may be a secret
        description="How to reach them, in this order: see the table of routes. Danger takes all.",
    )
    quiet_hours: DayStretch | None = Field(
        default=None,
        description="When only danger may wake them; the rest waits until then, if it still is so.",
    )
    after_min: Annotated[
        float | None,
        Field(ge=0, le=720),
        Otherwise("5, where there is time 15, after the person before; the first at once"),
    ] = Field(
        default=None,
        description="Told only if nobody has seen an alarm for so many minutes; danger sooner.",
    )


class Login(Table):
    """A name and a password, which is written here or in a file of its own."""

    username: Line | None = Field(default=None, description="Name to sign in with.")
    password_file: FilePath | None = Field(
        default=None, description="File whose one line is the password."
    )
    password: SecretStr | None = Field(
        default=None, description="The password; better kept in password_file."
    )

    @field_validator("password")
    @classmethod
    def _one_password(cls, password: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        file = info.data.get("password_file")
        if password is None and file is None:
            return None
        if password is not None and file is not None:
            raise ValueError("is given beside password_file; keep one of them")
        if "username" in info.data and info.data["username"] is None:
            raise ValueError("is of no use without username")
        if file is None or not context_of(info).files_count:
            return password
        return SecretStr(read_secret(file))


MAIL_PORTS = {"none": 25, "starttls": 587, "tls": 465}


def _on_this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


class MailTable(Login):
    host: Host = Field(description="The mail server.")
    security: Literal["none", "starttls", "tls"] = Field(
        default="starttls", description="How the connection is kept private."
    )
    port: Annotated[Port, Otherwise("25, 587 or 465, as security is")] = Field(
        default_factory=lambda data: MAIL_PORTS.get(data.get("security", ""), 25),
        description="The mail server's port.",
    )
    sender: Annotated[MailAddress | None, Otherwise("made from username or host")] = Field(
        default=None, description="The address that messages come from."
    )

    @field_validator("security")
    @classmethod
    def _private(cls, security: str, info: ValidationInfo) -> str:
        host = info.data.get("host", "localhost")
        if security == "none" and info.data.get("password") and not _on_this_machine(host):
            raise ValueError(
                "would send the password for all to read;"
                ' "starttls" or "tls" is right, or a server on this machine'
            )
        return security


class WebhookTable(Table):
    """What signs the messages to web addresses."""

    secret_file: FilePath | None = Field(
        default=None, description="File whose one line signs messages to web addresses."
    )
    secret: SecretStr | None = Field(
        default=None, description="What signs them itself; better kept in secret_file."
    )

    @field_validator("secret")
    @classmethod
    def _one_secret(cls, secret: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        return signing_secret(secret, info, beside="secret_file")


class PushTable(Table):
    contact: Contact = Field(
        default="mailto:nobody@stillair.invalid",
        description="Where those who run a push service may turn to; some want a real address.",
    )
    own_server: Server | None = Field(
        default=None,
        description="A push service of your own, the only one that may stand in a private network.",
    )
    trust_file: FilePath | None = Field(
        default=None, description="Certificates to check own_server by; else the machine's own."
    )

    @field_validator("trust_file")
    @classmethod
    def _of_own_server(cls, file: Path | None, info: ValidationInfo) -> Path | None:
        if file is not None and info.data.get("own_server", "") is None:
            raise ValueError("is of no use without own_server")
        return file


class MqttTable(Login):
    host: Host = Field(default="127.0.0.1", description="The broker.")
    tls: bool = Field(default=False, description="Whether the broker is spoken to under TLS.")
    port: Annotated[Port, Otherwise("1883, or 8883 with tls")] = Field(
        default_factory=lambda data: 8883 if data.get("tls") else 1883,
        description="The broker's port.",
    )
    trust_file: FilePath | None = Field(
        default=None, description="Certificates to check the broker by; else the machine's own."
    )

    @field_validator("trust_file")
    @classmethod
    def _of_the_broker(cls, file: Path | None, info: ValidationInfo) -> Path | None:
        if file is None:
            return None
        if not info.data.get("tls", True):
            raise ValueError("is of no use without tls")
        return certificates(file) if context_of(info).files_count else file

    @property
    def trust(self) -> str | None:
        """The file, as a connection takes it."""
        return None if self.trust_file is None else str(self.trust_file)


class Reaches(Protocol):
    """Settings that say how people are reached, of a chamber or of a hall."""

    @property
    def key(self) -> str: ...
    @property
    def timezone(self) -> str | None: ...
    @property
    def people(self) -> tuple[PersonTable, ...]: ...
    @property
    def mail(self) -> MailTable | None: ...
    @property
    def mqtt(self) -> MqttTable | None: ...
    @property
    def webhook(self) -> WebhookTable | None: ...
    @property
    def push(self) -> PushTable: ...


class PageTable(Table):
    address: Annotated[
        Origin | None, Otherwise("made from --host and --port, or the name of --behind-proxy")
    ] = Field(
        default=None,
        description="Where telephones open the page; the links in messages begin with it.",
    )
