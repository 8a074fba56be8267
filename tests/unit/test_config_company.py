"""What is wrong with a heartbeat, or with the boards listened for, is told at the start."""

from __future__ import annotations

from pathlib import Path

import pytest

from stillair.config.reading import chamber_from_text
from stillair.errors import SettingsError

BENCH = (
    '[chamber]\nname = "north bench"\n[[sensor]]\nname = "top"\n'
    'driver = "onewire"\naddress = "28-0000075c2f11"\n'
)
BROKER = '[mqtt]\nhost = "127.0.0.1"\n'
NEIGHBOUR = '[[neighbour]]\nname = "south bench"\n'


def fault_of(text: str, folder: Path) -> str:
    with pytest.raises(SettingsError) as refused:
        chamber_from_text(BENCH + text, "shed.toml", folder)
    return str(refused.value)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        pytest.param("[heartbeat]\n", "heartbeat: needs a topic or a url", id="to nobody"),
        pytest.param(
            '[heartbeat]\ntopic = "shed"\n', "heartbeat.topic: needs a table [mqtt]", id="no broker"
        ),
        pytest.param(NEIGHBOUR, "neighbour[1]: needs a topic or a url", id="never heard"),
        pytest.param(
            f'{NEIGHBOUR}topic = "shed"\n', "neighbour[1].topic: needs a table [mqtt]", id="on none"
        ),
        pytest.param(
            f'{BROKER}{NEIGHBOUR}topic = "shed"\nurl = "https://192.0.2.7/"\n',
            "is given beside topic; keep one of them",
            id="both ways",
        ),
        pytest.param(
            f'{BROKER}[heartbeat]\ntopic = "shed"\n{NEIGHBOUR}topic = "shed"\n',
            "a board can't look after itself",
            id="itself",
        ),
        pytest.param(
            f'{BROKER}{NEIGHBOUR}topic = "a"\n{NEIGHBOUR}topic = "b"\n',
            "every neighbour needs its own",
            id="two of one name",
        ),
    ],
)
def test_what_nobody_would_hear_is_refused(text: str, fault: str, tmp_path: Path) -> None:
    assert fault in fault_of(text, tmp_path)


@pytest.mark.parametrize(
    "url", ["ftp://example.org/zqxsecret", "http://example.org/zqxsecret", "https://", "zqxsecret"]
)
@pytest.mark.parametrize("key", ["url", "url_file"])
def test_an_address_that_is_refused_is_not_shown(url: str, key: str, tmp_path: Path) -> None:
    (tmp_path / "address").write_text(f"{url}\n")
    told = fault_of(f'[heartbeat]\n{key} = "{url if key == "url" else "address"}"\n', tmp_path)
    assert "heartbeat.url" in told
    assert "zqxsecret" not in told
