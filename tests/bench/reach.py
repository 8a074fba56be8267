"""How soon does a danger reach the sounder and a person, whatever else goes on?

    .venv/bin/python tests/bench/reach.py [--fires 200] [--pages 50] [--nice -15] [--json]

A real `stillair run`; its detectors' contacts are tripped one after another, each at a moment
of the second that chance gives, and each is seen before the next. From the contact's word in
the loop's queue it is timed

- until the sounder's output is asked for the fire's first tone, and the relay's to stop the
  machine, whose countdown is none here (`OUTPUTS` says how each notes it),
- until the peer of each route has all of the message: a mail server, a push service with one
  telephone that has joined, a broker, a web address, as far as this version knows such routes.

Three times over: as on any day; with the disk stalled by the kernel (FIFREEZE; needs root);
and with the disk stalled and every peer swallowing what is sent, when there is nothing but
sounder and relay. All the while pages are open, in a process of their own. `--nice -15` puts the
service before what else this computer does (needs root), as on a board of its own.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.util import find_spec
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests"), str(ROOT / "service")]
os.environ["PYTHONPATH"] = str(ROOT / "service")

from bench.figures import Figure, share, show  # noqa: E402 - the paths above come first
from bench.service import first_reading  # noqa: E402
from bench.viewers import be_viewers, put_first  # noqa: E402
from disks import LoopDisk  # noqa: E402
from integration.mjpeg_server import MjpegServer, drawn_frames  # noqa: E402
from push_service import Pushed, PushService, StandIn  # noqa: E402
from running import RunningService  # noqa: E402
from servers import Broker, MailServer  # noqa: E402

if TYPE_CHECKING:
    from aiosmtpd.smtp import SMTP, Envelope, Session

CHAMBER = """
[chamber]
name = "North bench"
enclosure = ["plywood"]
target_c = 45

[camera]
source = "{stream}"

[sounder]
driver = "gpio"
pin = 18

[stop]
on = ["fire", "detector"]
countdown_s = 0
pin = 24

[[person]]
name = "bench captain"
routes = [{routes}]

[mail]
host = "{host}"
port = {port}
security = "none"
"""
SENSOR = """
[[sensor]]
name = "{name}"
driver = "simulated"
"""
GIVE_UP_S = 30.0
LONGEST_REST_S = 0.7
# In the service's process: outputs that only note when they were asked, and a thread that
# trips a detector, or has all alarms seen and cleared, as a line of the pipe says.
NOTES = """
import os, sys, threading, time

notes = os.open(os.environ["NOTES"], os.O_WRONLY | os.O_APPEND | os.O_CREAT)

def note(what, t_s=None):
    os.write(notes, f"{what} {time.monotonic() if t_s is None else t_s}\\n".encode())

class NotingSounder:
    def on(self, sounding):
        if sounding.value == "fire":
            note("sounder")
    def off(self): pass
    def silence(self): pass
    def describe(self): return "a sounder that notes"
    def close(self): pass

class NotingRelay:
    is_cut = None
    def let_run(self): self.is_cut = False
    def cut(self):
        note("relay")
        self.is_cut = True
    def look(self, *, is_cut):
        assert self.is_cut is is_cut
        return ""
    def describe(self): return "a relay that notes"
    def close(self): pass

from stillair.alarms import stopping
from stillair.runtime import supervisor as loops, switching, wiring
from stillair.model import Acknowledge, ContactKind, ContactState, Reset, ResetStop, StopPhase

OUTPUTS = {  # by what makes it, and where that is
    (wiring, "sounder_of"): lambda *given: NotingSounder(),
    (switching, "relay_output"): lambda *given: NotingRelay(),
}
stopping.in_the_way = lambda *_: False  # it is reset without waiting for what is over for a minute
for (module, name), make in OUTPUTS.items():
    assert hasattr(module, name), name
    setattr(module, name, make)
start = loops.Supervisor.start

def obey(self):
    def now_s():
        return self._clock.now_s()
    for line in open(os.environ["ORDERS"]):
        order, _, detector = line.strip().partition(" ")
        if order == "trip":
            state = ContactState(detector, ContactKind.DETECTOR, now_s(), True)
            note("evidence")
            self.put(state)
        else:
            self.put(ContactState(detector, ContactKind.DETECTOR, now_s(), False))
            until_s = time.monotonic() + 5.0
            while time.monotonic() < until_s:
                if not any(c.contact == detector and not c.active for c in self.view.contacts):
                    time.sleep(0.005)  # this view is older
                    continue
                for alarm in self.view.alarms:
                    for command in (Acknowledge, Reset):
                        try:
                            self.submit(command(t_s=now_s(), by="bench", alarm=alarm.id)).result(5)
                        except Exception:
                            pass  # it isn't over yet
                if any(detector in event.sensors for event in self.view.events):
                    time.sleep(0.02)
                elif self.view.stop.phase is StopPhase.STOPPED:
                    try:
                        self.submit(ResetStop(t_s=now_s(), by="bench")).result(5)
                    except Exception:
                        pass
                elif self.view.sounding.value == "silent":
                    break
            note("seen")

def started(self):
    start(self)
    threading.Thread(target=obey, args=(self,), daemon=True).start()

loops.Supervisor.start = started
"""


class Peer:
    """Where messages of one kind arrive, and when each did."""

    def __init__(self, name: str, route: str) -> None:
        self.name = name
        self.route = route
        self.came_s: list[float] = []

    def arrived(self) -> None:
        self.came_s.append(time.monotonic())


class NotingMailServer(MailServer):
    """Notes when it has a mail."""

    def __init__(self, peer: Peer) -> None:
        super().__init__()
        self._peer = peer

    async def handle_DATA(  # noqa: N802 - aiosmtpd looks the handler up by this name
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        self._peer.arrived()
        return await super().handle_DATA(server, session, envelope)


def web_address(peer: Peer, stack: ExitStack) -> None:
    """A server of its own for what is posted; its address is the peer's route."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            self.rfile.read(int(self.headers.get("Content-Length", "0")))
            peer.arrived()
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    peer.route = f"http://127.0.0.1:{server.server_address[1]}/boat-shed"
    threading.Thread(target=server.serve_forever, daemon=True).start()
    stack.callback(server.shutdown)


class NotingPushService(PushService):
    """Notes when it has a message."""

    def __init__(self, folder: Path, peer: Peer) -> None:
        super().__init__(folder)
        self._peer = peer

    def take(self, pushed: Pushed) -> None:
        self._peer.arrived()


def topic(peer: Peer, broker: Broker, stack: ExitStack) -> None:
    """Listen to the topic that is the peer's route."""
    from paho.mqtt.client import Client, MQTTMessage
    from paho.mqtt.enums import CallbackAPIVersion

    client = Client(CallbackAPIVersion.VERSION2)
    subscribed = threading.Event()

    def came(_client: Client, _data: object, _message: MQTTMessage) -> None:
        peer.arrived()

    client.on_message = came
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.subscribe(peer.route.partition(":")[2] + "/#")
    client.subscribe(peer.route.partition(":")[2])
    assert subscribed.wait(10.0)
    stack.callback(client.loop_stop)


class Notes:
    """What the service's process notes, as it comes."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._read = 0

    def fresh(self) -> list[tuple[str, float]]:
        """Lines since the last call."""
        if not self._path.exists():
            return []
        with self._path.open() as file:
            file.seek(self._read)
            lines = file.readlines()
            self._read = file.tell()
        return [(what, float(t_s)) for what, t_s in (line.split() for line in lines)]


def fires(
    orders: Callable[[str], None], notes: Notes, peers: list[Peer], count: int, chance: Random
) -> Iterator[tuple[str, float]]:
    """Trip so many detectors; how long each output and each peer took."""
    wanted = {"sounder", "relay", *(peer.name for peer in peers)}
    for number in range(count):
        time.sleep(chance.uniform(0.3, 0.3 + LONGEST_REST_S))
        notes.fresh()
        had = [len(peer.came_s) for peer in peers]
        detector = f"detector {chance.getrandbits(40):x}"
        orders(f"trip {detector}")
        took: dict[str, float] = {}
        evidence_s = None
        give_up_s = time.monotonic() + GIVE_UP_S
        while time.monotonic() < give_up_s:
            for what, t_s in notes.fresh():
                if what == "evidence":
                    evidence_s = t_s
                elif what != "seen" and evidence_s is not None:
                    took.setdefault(what, t_s - evidence_s)
            if evidence_s is not None:
                for peer, before in zip(peers, had, strict=True):
                    if len(peer.came_s) > before:
                        took.setdefault(peer.name, peer.came_s[before] - evidence_s)
            if took.keys() >= wanted:
                break
            time.sleep(0.002)
        yield from took.items()
        missing = wanted - set(took)
        yield from ((f"{name} missing", GIVE_UP_S) for name in missing)
        orders(f"seen {detector}")
        while not any(what == "seen" for what, _ in notes.fresh()):
            time.sleep(0.01)
        print(f"\r{number + 1} fires", end="", file=sys.stderr, flush=True)


def black_hole(stack: ExitStack) -> int:
    """A port that takes connections and says nothing."""
    silent = stack.enter_context(closing(socket.create_server(("127.0.0.1", 0), backlog=512)))
    return int(silent.getsockname()[1])


def measure(options: argparse.Namespace, folder: Path, stream: str) -> Iterator[Figure]:
    chance = Random(options.seed)
    for scene in options.only or ("any day", "disk stalled", "disk and network stalled"):
        place = folder / scene.replace(" ", "-")
        place.mkdir()
        with ExitStack() as stack:
            yield from _scene(scene, options, place, stream, chance, stack)


def _scene(
    scene: str,
    options: argparse.Namespace,
    place: Path,
    stream: str,
    chance: Random,
    stack: ExitStack,
) -> Iterator[Figure]:
    peers = [Peer("mail", "mailto:captain@example.org")]
    routes, more = ['"mailto:captain@example.org"'], ""
    mail = NotingMailServer(peers[0])
    telephone: StandIn | None = None
    if "network" in scene:
        mail.port = black_hole(stack)
        peers = []
    else:
        mail.start()
        stack.callback(mail.stop)
        peers.append(Peer("telephone", "webpush:"))
        push = stack.enter_context(NotingPushService(place, peers[-1]))
        telephone = push.telephone("send/one")
        routes.append('"webpush:"')
        more += f'\n[push]\nown_server = "{push.server}"\ntrust_file = "{push.trust}"\n'
        if find_spec("stillair.alerts.webhook"):
            peers.append(Peer("web address", ""))
            web_address(peers[-1], stack)
            routes.append(f'"{peers[-1].route}"')
            more += '\n[webhook]\nsecret = "sixteen oars in a rack"\n'
        if find_spec("stillair.alerts.topic"):
            broker = Broker(place)
            broker.start()
            stack.callback(broker.stop)
            peers.append(Peer("topic", "mqtt:boat-shed/alarms"))
            topic(peers[-1], broker, stack)
            routes.append(f'"{peers[-1].route}"')
            more += f'\n[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\n'
    chamber = place / "chamber.toml"
    text = CHAMBER.format(stream=stream, routes=", ".join(routes), host=mail.host, port=mail.port)
    names = ("top", "middle", "bed side", "room")
    chamber.write_text(text + more + "".join(SENSOR.format(name=name) for name in names))
    memory = Path("/dev/shm") if Path("/dev/shm").is_dir() else place
    noted, pipe = memory / f"stillair-reach-{os.getpid()}", place / "orders"
    os.mkfifo(pipe)
    stack.callback(noted.unlink, missing_ok=True)
    disk = None
    if "disk" in scene:
        disk = LoopDisk.make(place)
        stack.callback(disk.remove)
    service = RunningService(
        (disk.path if disk else place) / "data",
        "--chamber",
        str(chamber),
        before=NOTES,
        environment={"NOTES": str(noted), "ORDERS": str(pipe)},
    )
    stack.callback(service.web.close)
    service.start()

    def end() -> None:
        if service.is_alive():
            service.kill()

    stack.callback(end)
    said = stack.enter_context(pipe.open("w", buffering=1))
    first_reading(service)
    if telephone is not None:
        joins = {"person": "bench captain", **telephone.subscription()}
        service.post("/api/telephones", joins)
    put_first(service.pid, options.nice)
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe()
    pages = context.Process(target=be_viewers, args=(service.port, options.pages, there))
    pages.start()
    live = here.recv()
    if disk is not None:
        disk.freeze()
        stack.callback(disk.thaw)
    took: dict[str, list[float]] = {}

    def order(words: str) -> None:
        said.write(f"{words}\n")

    for name, seconds in fires(order, Notes(noted), peers, options.fires, chance):
        took.setdefault(name, []).append(seconds)
    here.send("stop")
    counts = here.recv()
    pages.join(20.0)
    for name, values in sorted(took.items()):
        if name.endswith("missing"):
            yield Figure(f"{scene}: {name}", len(values), "", 0)
            continue
        ms = [1000.0 * seconds for seconds in values]
        goal_ms = 50.0 if name in ("sounder", "relay") else 1000.0
        yield Figure(f"{scene}: {name}, p50 of {len(ms)}", share(ms, 0.5), "ms")
        yield Figure(f"{scene}: {name}, p99", share(ms, 0.99), "ms", goal_ms)
        yield Figure(f"{scene}: {name}, greatest", max(ms), "ms")
    yield Figure(f"{scene}: live streams at the beginning", live, "")
    yield Figure(f"{scene}: live streams at the end", counts.get("live", 0), "")
    if not took.get("mail"):
        return
    more_than_once = len(mail.messages) - len({str(m["message-id"]) for m in mail.messages})
    yield Figure(f"{scene}: mails that came twice", more_than_once, "", 0)


def main() -> None:
    parser = argparse.ArgumentParser(description="how soon does a danger reach somebody?")
    parser.add_argument("--fires", type=int, default=200, help="in each scene")
    parser.add_argument("--pages", type=int, default=50)
    parser.add_argument("--nice", type=int, default=0, help="of the service")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", metavar="SCENE", help="of the three")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="stillair-reach-") as name,
        MjpegServer(drawn_frames(20), frames_per_s=10.0) as stream,
        suppress(KeyboardInterrupt),
    ):
        figures = list(measure(options, Path(name), stream.address))
        figures.append(Figure("programs that wanted a core at the end", os.getloadavg()[0], ""))
        show(figures, as_json=options.json)


if __name__ == "__main__":
    main()
