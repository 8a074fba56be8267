"""The settings of a hall, frozen: everything that its file (`hall.toml`) says.

The tables that a chamber file has as well are the same ones, with the same limits and words.
"""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import Annotated, ClassVar
from urllib.parse import quote, urlsplit

from pydantic import (
    AfterValidator,
    Field,
    SecretStr,
    Strict,
    ValidationError,
    ValidationInfo,
    field_validator,
)

from stillair.config.company import HeartbeatTable
from stillair.config.faults import sentences
from stillair.config.hall import HallTable
from stillair.config.reach import (
    MailTable,
    MqttTable,
    PageTable,
    PersonTable,
    PushTable,
    WebhookTable,
)
from stillair.config.reading import parsed_text, text_of
from stillair.config.settings import REACH, mark_of
from stillair.config.tables import Table
from stillair.config.testing import AlarmTestTable
from stillair.config.together import faults_of_people
from stillair.config.values import (
    FileContext,
    FilePath,
    Hides,
    Name,
    Otherwise,
    Takes,
    Zone,
    context_of,
    read_secret,
    signing_secret,
)
from stillair.errors import SettingsError

WHAT = "hall file"
_SCHEME = "postgresql"
_TAKES = 'the address of a database, as in "postgresql://stillair@127.0.0.1/stillair"'
_ALONE = "a hall keeps what boards send in PostgreSQL, and in nothing else"


def _database(value: str) -> str:
    try:
        parts = urlsplit(value)
        host, password = parts.hostname, parts.password
        parts.port  # noqa: B018 - it raises for what is no port
    except ValueError:
        raise ValueError(f"has to be {_TAKES}") from None
    if parts.scheme != _SCHEME:
        raise ValueError(f"has to be {_TAKES}: {_ALONE}")
    if not host or len(parts.path) < 2 or parts.fragment:
        raise ValueError(f"has to be {_TAKES}")
    if password is not None:
        raise ValueError("has a password in it; it belongs into password_file, or password")
    if not value.isprintable() or " " in value:
        raise ValueError("has to be on one line, without blanks")
    return value


Database = Annotated[
    str,
    Field(max_length=1000),
    AfterValidator(_database),
    Takes(_TAKES),
    Hides(lambda _: "…"),
]


class StoreTable(Table):
    """The database in which the hall keeps what boards send."""

    address: Database = Field(description="The database, without its password.")
    pages_address: Annotated[Database | None, Otherwise("address")] = Field(
        default=None,
        description="A copy of it that may only be read, for all that pages show of the past.",
    )
    password_file: FilePath | None = Field(
        default=None, description="File whose one line is the password."
    )
    password: SecretStr | None = Field(
        default=None, description="The password; better kept in password_file."
    )
    keep_days: Annotated[int, Field(ge=1, le=36_500)] = Field(
        default=3_650,
        description="Readings older than this are given up, and what happened outside of jobs; "
        "jobs and dangers are not.",
    )

    @field_validator("password")
    @classmethod
    def _one_password(cls, password: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        file = info.data.get("password_file")
        if password is not None and file is not None:
            raise ValueError("is given beside password_file; keep one of them")
        if file is not None and context_of(info).files_count:
            return SecretStr(read_secret(file))
        return password

    @property
    def whole_address(self) -> str:
        """With the password: for whoever opens it, and for nowhere else."""
        return self._with_password(self.address)

    @property
    def whole_pages_address(self) -> str:
        """The same of what pages read."""
        return self._with_password(self.pages_address or self.address)

    def _with_password(self, address: str) -> str:
        if self.password is None:
            return address
        scheme, _, rest = address.partition("://")
        user, at, place = rest.rpartition("@")
        word = quote(self.password.get_secret_value(), safe="")
        return f"{scheme}://{user or 'stillair'}:{word}@{place}" if at else address


class AnswersTable(Table):
    """What signs the hall's orders to boards."""

    secret_file: FilePath | None = Field(
        default=None,
        description="File whose one line boards have as answers_secret, or one made of it for "
        "each.",
    )
    secret: SecretStr | None = Field(
        default=None, description="That secret itself; better kept in secret_file."
    )

    @field_validator("secret")
    @classmethod
    def _long_enough(cls, secret: SecretStr | None, info: ValidationInfo) -> SecretStr | None:
        return signing_secret(secret, info, beside="secret_file")


Prefix = HallTable.model_fields["topic"]


class HallSettings(Table):
    """Everything that a hall file says; `load_hall` makes it."""

    FILE: ClassVar[str] = WHAT

    name: Name = Field(description="What people call the hall.")
    topic: Annotated[str, *Prefix.metadata] = Field(
        default="stillair", description="What its boards have as topic under [hall]."
    )
    timezone: Annotated[Zone | None, Otherwise("the machine's own")] = Field(
        default=None, description="Zone of the times in messages; the page uses the reader's."
    )
    mqtt: MqttTable = MqttTable()
    store: StoreTable
    answers: AnswersTable | None = None
    people: Annotated[tuple[PersonTable, ...], Strict(False)] = Field(
        default=(), alias="person", max_length=100
    )
    mail: MailTable | None = None
    webhook: WebhookTable | None = None
    push: PushTable = PushTable()
    page: PageTable = PageTable()
    heartbeat: HeartbeatTable | None = None
    alarm_test: AlarmTestTable = AlarmTestTable()

    @property
    def key(self) -> str:
        """As it stands where a message needs a chamber's key."""
        return "hall"

    @property
    def sounder(self) -> None:
        """None: what is to be heard is heard at the boards."""

    @cached_property
    def reach_mark(self) -> str:
        """Twelve characters that change with any setting by which an alarm reaches somebody."""
        return mark_of(self.model_dump(mode="json", include=REACH & set(type(self).model_fields)))


def load_hall(path: Path) -> HallSettings:
    """Read a hall file.

    Raises `SettingsError` with one sentence for each fault.
    """
    return hall_from_text(text_of(path, WHAT), str(path), path.parent)


def hall_from_text(text: str, source: str, folder: Path = Path()) -> HallSettings:
    """Read a hall file's text; files that it names are looked for in `folder`."""
    raw = parsed_text(text, source)
    if "chamber" in raw and "store" not in raw:
        fault = (
            f"is a chamber file, not a hall file; start it with: stillair run --chamber {source}"
        )
        raise SettingsError(source, (fault,))
    context = FileContext(folder)
    faults: list[str] = []
    settings = None
    try:
        settings = HallSettings.model_validate(raw, context=context)
    except ValidationError as error:
        faults += sentences(error, HallSettings)
    faults += faults_of_people(raw, context)
    beat = raw.get("heartbeat")
    if isinstance(beat, dict) and {"topic", "url", "url_file"}.isdisjoint(beat):
        faults.append("heartbeat: needs a topic or a url, else nobody hears it")
    answers = raw.get("answers")
    if isinstance(answers, dict) and {"secret", "secret_file"}.isdisjoint(answers):
        faults.append("answers: needs secret_file or secret, else no board believes the hall")
    if settings is not None and settings.store.password is not None:
        for address in (settings.store.address, settings.store.pages_address):
            if address is not None and "@" not in address:
                faults.append("store.password: is of no use without a user in the address")
                break
    if settings is None or faults:
        raise SettingsError(source, tuple(faults[:100]))
    return settings
