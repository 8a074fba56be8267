"""The page's address in a chamber file: an origin, private on its way, and one for all chambers."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillair.config.reading import chamber_from_text, load_chambers
from stillair.errors import SettingsError

CHAMBER = """
[chamber]
name = "{name}"

[[sensor]]
name = "top"
driver = "onewire"
address = "28-00000{number}2f11aa"
"""


def address_of(value: str) -> str | None:
    text = CHAMBER.format(name="north bench", number=1) + f"[page]\naddress = '{value}'\n"
    return chamber_from_text(text, "a chamber file").page.address


@pytest.mark.parametrize(
    ("value", "taken"),
    [
        ("https://shed.example.org", None),
        ("https://shed.example.org/", "https://shed.example.org"),
        ("https://shed.example.org:443", "https://shed.example.org"),
        ("HTTPS://Shed.Example.org:8443", "https://shed.example.org:8443"),
        ("https://[2001:db8::7]:8420", None),
        ("https://bücher.example", None),
        ("http://127.0.0.1:8420", None),
        ("http://[::1]:8420", None),
        ("http://192.168.7.20:8420", None),
        ("http://[fd00::7]:8420", None),
        ("http://shed.local:8420", None),
        ("http://shed", None),
        ("http://localhost:80", "http://localhost"),
    ],
)
def test_an_address_is_taken_as_an_origin(value: str, taken: str | None) -> None:
    assert address_of(value) == (taken or value)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ("", "more than blanks"),
        ("shed.local", "has to be an address such as"),
        ("shed.local:8420", "has to be an address such as"),
        ("ftp://shed.local", "has to be an address such as"),
        ("javascript:alert(1)", "has to be an address such as"),
        ("https://", "has to be an address such as"),
        ("https://[::1", "has to be an address such as"),
        ("https://shed.local:99999", "has to be an address such as"),
        ("https://shed.local:x", "has to be an address such as"),
        ("https://shed.local/page", "without a path"),
        ("https://shed.local/?a", "without a path"),
        ("https://shed.local?", "without a path"),
        ("https://shed.local#", "without a path"),
        ("https://cox@shed.local", "without a path and without who signs in"),
        ("https://she d.local", "bare name or address"),
        ("https://shed.local\\evil.example", "bare name or address"),
        ("http://shed.example.org", "has to begin with https://"),
        ("http://203.0.114.9", "has to begin with https://"),
        ("http://shed.local.evil.example", "has to begin with https://"),
    ],
)
def test_what_is_no_origin_or_would_be_read_along_is_refused(value: str, said: str) -> None:
    with pytest.raises(SettingsError) as refused:
        address_of(value)
    [fault] = refused.value.faults
    assert fault.startswith("page.address = ")
    assert said in fault


@pytest.mark.parametrize(
    ("addresses", "agree"),
    [
        pytest.param(("https://shed.local", "https://shed.local/"), True, id="the same"),
        pytest.param((None, "https://shed.local"), True, id="in one of them"),
        pytest.param((None, None), True, id="in none"),
        pytest.param(("https://shed.local", "https://jetty.local"), False, id="two"),
    ],
)
def test_all_chambers_have_one_page(
    tmp_path: Path, addresses: tuple[str | None, ...], agree: bool
) -> None:
    files = []
    for number, address in enumerate(addresses):
        file = tmp_path / f"{number}.toml"
        page = "" if address is None else f'[page]\naddress = "{address}"\n'
        file.write_text(CHAMBER.format(name=f"bench {number}", number=number) + page)
        files.append(file)
    if agree:
        assert len(load_chambers(files)) == 2
        return
    with pytest.raises(SettingsError, match="one service has one page"):
        load_chambers(files)
