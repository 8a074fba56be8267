"""`inspect` on a new board: each fault of the first five minutes, with its one remedy.

The board is a tree of files like the kernel's; mail servers are real ones on loopback.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from boards import BoardTree
from chips import OneWireTree, scratchpad, w1_slave
from servers import Broker, MailServer, free_loopback_port
from stillair.access.certificates import Certificates
from stillair.alerts.addresses import public_form
from stillair.runtime import found as finding
from stillair.runtime.found import Found, State
from stillair.runtime.inspection import inspect_all
from web_receivers import receiving

NOW = datetime(2026, 11, 28, 14, 5, tzinfo=UTC)
ADDRESS = "28-0000075c2f11"
HEAD = '[chamber]\nname = "North bench"\nenclosure = ["metal"]\n'
SENSOR = f"""
[[sensor]]
name = "top"
driver = "onewire"
address = "{ADDRESS}"
bus_dir = "{{bus}}"
"""
SIMULATED = '[[sensor]]\nname = "top"\ndriver = "simulated"\n'
MAIL = """
[[person]]
name = "bench captain"
routes = ["mailto:captain@example.org"]

[mail]
host = "{host}"
port = {port}
security = "{security}"
username = "shed"
password = "not this one"
"""


def inspected(
    folder: Path, tree: BoardTree, text: str = SIMULATED, *, now_at: datetime = NOW
) -> dict[str, Found]:
    chamber = folder / "chamber.toml"
    chamber.write_text(HEAD + text)
    data = folder / "data"
    return {f.thing: f for f in inspect_all((chamber,), data, root=tree.root, now_at=now_at)}


@pytest.fixture
def tree(tmp_path: Path) -> BoardTree:
    return BoardTree(tmp_path / "root")


# --- the 1-Wire line -------------------------------------------------------------

POWER_ON = w1_slave(scratchpad(0x0550, byte_6=0x0C))
NOBODY, SHORTED = w1_slave(b"\xff" * 9), w1_slave(b"\0" * 9)
DISTURBED = w1_slave(scratchpad(0x0190)[:8] + b"\x00")


@pytest.mark.parametrize(
    ("names", "answer", "remedy"),
    [
        pytest.param(None, None, "switch the overlay on: write dtoverlay=w1-gpio", id="no overlay"),
        pytest.param(["00-800000000000"], None, "fit the pull-up: 4.7 kΩ", id="no pull-up"),
        pytest.param([], None, "look for swapped wires: red on 3.3 V (pin 1)", id="wires swapped"),
        pytest.param([], POWER_ON, "see that its red wire is on 3.3 V", id="it reads 85"),
        pytest.param([], DISTURBED, "check for the resistor of 4.7 kΩ", id="weak pull-up"),
        pytest.param([], SHORTED, "look whether data touches ground", id="held low"),
        pytest.param([], NOBODY, "look at its plug", id="unplugged"),
    ],
)
def test_what_ails_the_line_is_told_apart(
    tmp_path: Path, tree: BoardTree, names: list[str] | None, answer: str | None, remedy: str
) -> None:
    bus = tmp_path / "w1"
    if names is not None:
        chips = OneWireTree(bus)
        for name in names:
            (bus / name).mkdir()
        if answer is not None:
            chips.put(ADDRESS, answer)
    found = inspected(tmp_path, tree, SENSOR.format(bus=bus))["sensor top"]
    assert found.state is State.UNFIT
    assert found.remedy.startswith(remedy)
    assert remedy not in found.told, "what to do stands once"


def test_chips_that_nobody_named_are_listed(tmp_path: Path, tree: BoardTree) -> None:
    tree.one_wire("w1_bus_master1", ADDRESS, "28-0000075c30a4")
    found = inspected(tmp_path, tree, SENSOR.format(bus=tmp_path / "none"))["other 1-Wire sensors"]
    assert (found.state, found.told) == (
        State.NONE,
        "28-0000075c30a4 answers, in no chamber file",
    )
    assert found.remedy.startswith("warm one in your hand")


# --- the camera ------------------------------------------------------------------


def test_a_camera_that_changed_its_number_is_found_by_the_name_that_stays(
    tmp_path: Path, tree: BoardTree
) -> None:
    name = tree.camera(2, "usb-maker_webcam_1234-video-index0")
    text = f'{SIMULATED}[camera]\nsource = "/dev/video97"\n'
    found = inspected(tmp_path, tree, text)["camera"]
    assert (found.state, found.told.split(" (")[0]) == (State.UNFIT, "there is no such device")
    assert found.remedy == f"its number may have changed: name it {name} in camera.source"


def test_a_camera_that_works_by_its_number_is_told_its_lasting_name(tree: BoardTree) -> None:
    tree.camera(0, "usb-other-video-index0")
    name = tree.camera(2, "usb-maker_webcam_1234-video-index0")
    advice = f"its number may change: name it {name}"
    assert finding.lasting_name("/dev/video2", tree.root) == advice
    assert finding.lasting_name("/dev/video3", tree.root) == ""
    assert finding.lasting_name(f"/dev/v4l/by-id/{name.name}", tree.root) == ""


def test_a_camera_that_nobody_named_is_told_of(tmp_path: Path, tree: BoardTree) -> None:
    name = tree.camera(0, "usb-maker_webcam_1234-video-index0")
    found = inspected(tmp_path, tree)["camera"]
    assert found.state is State.NONE
    assert found.remedy == f"to watch by what is plugged in: camera.source = {name}"


# --- supply, heat, clock, disk -------------------------------------------------------


def test_a_board_that_is_well_is_fit(tmp_path: Path, tree: BoardTree) -> None:
    tree.throttled(0)
    tree.monitor(0)
    tree.zone(52.3)
    tree.own_clock(NOW.timestamp())
    found = inspected(tmp_path, tree)
    told = {thing: found[thing].told for thing in ("supply", "board's heat")}
    assert told == {"supply": "its voltage holds", "board's heat": "52.3 °C"}
    assert {found[t].state for t in ("supply", "board's heat", "clock", "disk")} == {State.FIT}


@pytest.mark.parametrize("thing", ["supply", "board's heat", "clock"])
def test_what_ails_the_board_is_unfit_with_a_remedy(
    tmp_path: Path, tree: BoardTree, thing: str
) -> None:
    tree.throttled(0x50001 if thing == "supply" else 0)
    tree.zone(84.0 if thing == "board's heat" else 50.0)
    tree.own_clock(NOW.timestamp())
    at = NOW - timedelta(days=400) if thing == "clock" else NOW
    found = inspected(tmp_path, tree, now_at=at)
    unfit = {name: f for name, f in found.items() if f.state is State.UNFIT}
    assert set(unfit) == {thing}
    assert unfit[thing].remedy


# --- mail ------------------------------------------------------------------------


@pytest.fixture
def refusing() -> Iterator[MailServer]:
    server = MailServer(password="three oars in water")
    server.start()
    yield server
    server.stop()


def test_a_refused_mail_password_is_told_without_sending(
    tmp_path: Path, tree: BoardTree, refusing: MailServer
) -> None:
    mail = MAIL.format(host=refusing.host, port=refusing.port, security="none")
    found = inspected(tmp_path, tree, SIMULATED + mail)["mail to bench captain"]
    assert found.state is State.UNFIT
    assert found.told.endswith("refused the name or password")
    assert found.remedy.startswith("put the right username and password into [mail]")
    assert refusing.sign_ins >= 1
    assert refusing.messages == []
    right = mail.replace("not this one", "three oars in water")
    assert inspected(tmp_path, tree, SIMULATED + right)["mail to bench captain"].state is State.FIT
    assert refusing.messages == []


@pytest.mark.parametrize(
    ("port_of", "host", "security", "remedy"),
    [
        pytest.param("none", "127.0.0.1", "none", "see whether mail.host and mail.port", id="off"),
        pytest.param("server", "127.0.0.1", "starttls", "set mail.security", id="no STARTTLS"),
        pytest.param("server", "127.0.0.1", "tls", "set mail.security", id="no TLS"),
    ],
)
def test_each_fault_of_the_mail_server_has_its_own_remedy(
    tmp_path: Path,
    tree: BoardTree,
    refusing: MailServer,
    port_of: str,
    host: str,
    security: str,
    remedy: str,
) -> None:
    port = refusing.port if port_of == "server" else free_loopback_port()
    mail = MAIL.format(host=host, port=port, security=security)
    found = inspected(tmp_path, tree, SIMULATED + mail)["mail to bench captain"]
    assert found.state is State.UNFIT
    assert found.remedy.startswith(remedy)


# --- the certificate -----------------------------------------------------------------

OWN = ("shed.local", "192.168.7.4")


@pytest.fixture
def kept(tmp_path: Path) -> Certificates:
    made = Certificates(tmp_path / "data")
    made.make("shed", OWN, NOW)
    return made


def test_without_a_certificate_there_is_none(tmp_path: Path, tree: BoardTree) -> None:
    found = inspected(tmp_path, tree)["certificate"]
    assert (found.state, found.remedy) == (State.NONE, "")


def test_a_certificate_for_this_machine_is_fit(kept: Certificates) -> None:
    found = finding.certificate(kept, OWN, NOW)
    assert found.state is State.FIT
    assert "/trust" in found.told


@pytest.mark.parametrize(
    ("own", "at", "told", "remedy"),
    [
        pytest.param(
            (*OWN, "192.168.7.9"),
            NOW,
            "it is not for 192.168.7.9",
            "stillair certificate make",
            id="another address",
        ),
        pytest.param(
            OWN, NOW + timedelta(days=400), "it ends on", "stillair certificate make", id="ended"
        ),
        pytest.param(
            OWN,
            NOW + timedelta(days=8000),
            "its authority ended on",
            "stillair certificate make --new-authority",
            id="authority ended",
        ),
        pytest.param(
            OWN, NOW - timedelta(days=90), "after today's date here", "set the clock", id="clock"
        ),
    ],
)
def test_a_certificate_that_telephones_refuse_is_unfit(
    kept: Certificates, own: tuple[str, ...], at: datetime, told: str, remedy: str
) -> None:
    found = finding.certificate(kept, own, at)
    assert found.state is State.UNFIT
    assert told in found.told
    assert found.remedy.startswith(remedy)


def test_a_public_address_that_no_such_authority_vouches_for_is_no_fault(
    kept: Certificates,
) -> None:
    own = (*OWN, "2001:db8::7", "odd_name")
    assert finding.certificate(kept, own, NOW).state is State.FIT


def test_a_damaged_authority_has_to_be_made_anew(kept: Certificates, tmp_path: Path) -> None:
    (tmp_path / "data/certificates/authority.pem").write_text("moth-eaten")
    found = finding.certificate(kept, OWN, NOW)
    assert found.state is State.UNFIT
    assert found.remedy.startswith("stillair certificate make --new-authority")


def test_a_certificate_is_inspected_with_everything_else(
    kept: Certificates, tmp_path: Path, tree: BoardTree
) -> None:
    found = inspected(tmp_path, tree, now_at=NOW + timedelta(days=8000))["certificate"]
    assert found.state is State.UNFIT


# --- other routes ----------------------------------------------------------------


def test_each_route_is_tried_without_sending(
    tmp_path: Path, tree: BoardTree, own_broker: Broker
) -> None:
    with receiving() as server:
        hook, service = server.address("/zqxsecret"), f"json://127.0.0.1:{server.port}/zqxsecret"
        text = SIMULATED + (
            f'[[person]]\nname = "cox"\nroutes = ["{hook}", "mqtt:shed/alarms", "{service}"]\n'
            f'[mqtt]\nhost = "{own_broker.host}"\nport = {own_broker.port}\n'
            '[webhook]\nsecret = "sixteen oars and more"\n'
        )
        found = inspected(tmp_path, tree, text)
        assert not server.posted
    by_hook, by_service = (f"{public_form(of, 'cox')} to cox" for of in (hook, service))
    assert (found[by_hook].state, found["MQTT to cox"].state) == (State.FIT, State.FIT)
    assert found[by_service].state is State.NOT_TRIED
    assert "only an alarm test" in found[by_hook].told
    heard = (
        f'{SIMULATED}{text[text.index("[mqtt]") : text.index("[webhook]")]}[jobs]\ntopic = "a/b"\n'
    )
    told = inspected(tmp_path, tree, heard)["broker"]
    assert (told.state, told.remedy) == (State.FIT, "") and "a/b can be listened to" in told.told
    assert "broker" not in found, "it is tried once"
    own_broker.stop()
    told = inspected(tmp_path, tree, heard)["broker"]
    assert (told.state, told.remedy) == (State.UNFIT, "see mqtt.host and mqtt.port")
    found = inspected(tmp_path, tree, text)
    assert (found[by_hook].state, found["MQTT to cox"].state) == (State.UNFIT, State.UNFIT)
    assert found[by_hook].remedy == "see that the address is right and that its server runs"
    assert found["MQTT to cox"].remedy == "see mqtt.host and mqtt.port"
    assert "zqxsecret" not in repr(found)


def test_a_broker_that_lets_nobody_in_asks_for_the_right_password(
    tmp_path: Path, tree: BoardTree
) -> None:
    broker = Broker(tmp_path, users={"shed": "three oars"})
    broker.start()
    text = (
        '[[sensor]]\nname = "top"\ndriver = "mqtt"\ntopic = "shed/top"\n'
        '[[contact]]\nname = "door"\nkind = "door"\ndriver = "mqtt"\ntopic = "shed/door"\n'
        'active = "open"\n'
        f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n'
        'username = "shed"\npassword = "two oars"\n'
    )
    try:
        found = inspected(tmp_path, tree, text)
    finally:
        broker.stop()
    for thing in ("sensor top", "switch door"):
        assert found[thing].told.endswith("it refuses: not authorized")
        assert found[thing].remedy == "put the right username and password into [mqtt]"


def test_a_topic_that_is_refused_asks_for_the_right_to_read_it() -> None:
    reason = "the broker 127.0.0.1:1883 refuses the topic: not authorized"
    told = finding.unfit("sensor top", reason, "see that something publishes on this topic")
    assert told.remedy == "let this user read the topic, in the broker's own settings"
