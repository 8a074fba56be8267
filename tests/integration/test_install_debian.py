"""deploy/install in a Debian of its own, with systemd: the life of an installed service.

Runs only where STILLAIR_DEBIAN_ROOT names a folder, because it takes minutes and a network:
a Debian root, which stays as it is, or an empty or missing folder in which debootstrap makes
one. Needs root and systemd-nspawn (Debian's packages systemd-container and debootstrap).
The test works in an overlay over that root, booted as a container: its systemd is PID 1, so
unit, sandbox, watchdog, journal and order at boot are the real ones. Its memory limit and
device rules are tried only where the host gives containers a part of its control groups.
"""

from __future__ import annotations

import os
import pty
import re
import shutil
import signal
import ssl
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from running import wait_until

ROOT = Path(__file__).parents[2]
PACKAGES = "--include=systemd-sysv,dbus,udev,python3,python3-venv,ca-certificates"
PORT = 18437  # below those that a kernel hands out by itself
# Simulated, and without a camera: drawing one takes what a busy computer hasn't.
CHAMBER = """[chamber]
name = "boat shed bench"

[[sensor]]
name = "top"
driver = "simulated"
"""
BOOT = "arm_64bit=1\n[cm4]\notg_mode=1\n"
DATA = "var/lib/stillair"


class Debian:
    """A booted Debian, whose network is this computer's own."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.said = ""
        self._container: subprocess.Popen[bytes] | None = None
        self._first = 0

    def boot(self) -> None:
        self._container = subprocess.Popen(
            [
                *("systemd-nspawn", "--quiet", "--boot", "--register=no", "--keep-unit"),
                *("--machine=boatshed", "--hostname=boatshed", "--link-journal=no"),
                *("--directory", self.root),
            ],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._first = wait_until(self._first_process, within_s=60)
        wait_until(self._is_up, within_s=120)

    def _first_process(self) -> int:
        """The container's PID 1, as this computer numbers it."""
        assert self._container is not None
        assert self._container.poll() is None, "systemd-nspawn has ended"
        children = Path(f"/proc/{self._container.pid}/task/{self._container.pid}/children")
        for child in children.read_text().split():
            if Path(f"/proc/{child}/comm").read_text().strip() == "systemd":
                return int(child)
        return 0

    def _is_up(self) -> bool:
        return self.say("systemctl", "is-system-running").strip() in ("running", "degraded")

    def cut_power(self) -> None:
        """Everything in it ends at once."""
        assert self._container is not None
        os.kill(self._first, signal.SIGKILL)
        self._container.wait(60)
        self._container = None

    def stop(self) -> None:
        if self._container is not None:
            self.cut_power()

    def write(self, path: str, text: str) -> None:
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text)

    def read(self, path: str) -> str:
        return (self.root / path).read_text()

    def entering(self, *words: str, **environment: str) -> list[str]:
        """A command line that runs `words` in there, with nothing of this test's surroundings."""
        kept = {k: v for k, v in os.environ.items() if k.startswith("PIP_") or "proxy" in k.lower()}
        kept |= {"PATH": "/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C.UTF-8"}
        kept |= {"STILLAIR_STEADY_S": "3", "HOME": "/root"} | environment
        given = [f"{name}={value}" for name, value in kept.items()]
        return ["nsenter", "--all", "-t", str(self._first), "env", "-i", *given, *words]

    def run(self, *words: str, given: str = "") -> int:
        """Its exit status; `said` is what it printed."""
        done = subprocess.run(
            self.entering(*words),
            input=given,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            timeout=900,
        )
        self.said = done.stdout
        return done.returncode

    def say(self, *words: str) -> str:
        self.run(*words)
        return self.said

    def install(self, *options: str, given: str = "") -> int:
        return self.run("/checkout/deploy/install", *options, given=given)

    def begin_install(self) -> subprocess.Popen[bytes]:
        """One whose new version has to prove itself for longer than anybody waits here."""
        words = self.entering("/checkout/deploy/install", STILLAIR_STEADY_S="600")
        return subprocess.Popen(words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)

    def at_a_terminal(self, *words: str, answers: str) -> None:
        """Run it at a terminal at which somebody types."""
        ours, theirs = pty.openpty()
        try:
            os.write(ours, answers.encode())
            done = subprocess.run(
                self.entering(*words),
                stdin=theirs,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                check=False,
                timeout=600,
            )
            self.said = done.stdout
        finally:
            os.close(ours)
            os.close(theirs)

    def version(self) -> str:
        return str((self.root / "opt/stillair/current").readlink())

    def health(self) -> str:
        words = "health", "/etc/stillair/options"
        return self.say("python3", "/checkout/deploy/installed.py", *words).strip()

    def main_process(self) -> int:
        return int(self.say("systemctl", "show", "--property=MainPID", "--value", "stillair"))

    def journal(self) -> str:
        return self.say("journalctl", "--no-pager", "-o", "cat", "-u", "stillair*")


@pytest.fixture(scope="module")
def debian(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Debian]:
    named = os.environ.get("STILLAIR_DEBIAN_ROOT")
    if not named:
        pytest.skip("STILLAIR_DEBIAN_ROOT names no folder with a Debian root, or for one")
    for needed in ("systemd-nspawn", "nsenter"):
        if os.geteuid() != 0 or shutil.which(needed) is None:
            pytest.fail(f"entering a Debian root needs root and {needed}")
    below = Path(named)
    if not below.exists() or not any(below.iterdir()):
        subprocess.run(
            ["debootstrap", "--variant=minbase", PACKAGES, "bookworm", below], check=True
        )
    assert (below / "lib/systemd/systemd").exists(), f"{below} has no systemd: {PACKAGES}"
    made = tmp_path_factory.mktemp("debian")
    for part in ("upper", "work", "root"):
        (made / part).mkdir()
    layers = f"lowerdir={below.absolute()},upperdir={made}/upper,workdir={made}/work"
    root = made / "root"
    subprocess.run(["mount", "-t", "overlay", "overlay", "-o", layers, root], check=True)
    debian = Debian(root)
    try:
        prepare(debian)
        debian.boot()
        yield debian
    finally:
        debian.stop()
        subprocess.run(["umount", root], check=False)


def prepare(debian: Debian) -> None:
    for part in ("service", "web", "deploy"):
        shutil.copytree(
            ROOT / part,
            debian.root / "checkout" / part,
            ignore=shutil.ignore_patterns("__pycache__", "node_modules"),
        )
    for part in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / part, debian.root / "checkout" / part)
    certificates = "etc/ssl/certs/ca-certificates.crt"  # a network may have one of its own
    shutil.copy(Path("/") / certificates, debian.root / certificates)
    debian.write("etc/stillair/options", f'STILLAIR_OPTIONS="--port {PORT}"\n')
    debian.write("boot/firmware/config.txt", BOOT)


@pytest.mark.timeout(1800)
def test_the_life_of_an_installed_service(debian: Debian) -> None:
    """One story, because each chapter stands on what the one before it left."""
    try:
        installed_on_a_bare_system(debian)
        again_changes_nothing(debian)
        opened_to_the_network(debian)
        held_by_the_service_manager(debian)
        nothing_was_complained_of(debian)
        broken_version_is_taken_back(debian)
        power_cut_in_the_trial(debian)
        renewed(debian)
        taken_away(debian)
    finally:
        print(debian.journal()[-5000:])  # pytest shows it where the test failed


def installed_on_a_bare_system(debian: Debian) -> None:
    assert debian.install("--overlays", "w1-gpio i2c") == 0, debian.said
    told = debian.said
    # "impaired" where this computer is too busy to draw the simulated camera's pictures.
    assert debian.health() in ("ok", "impaired")
    assert "SIMULATED chamber: nothing it shows is real" in told
    assert "Only this board itself can open it" in told
    assert "same network open" not in told
    assert re.search(r"The code [A-Z2-9]{4}-[A-Z2-9]{4} makes the owner", debian.journal())
    assert "+dtoverlay=w1-gpio" in told
    boot = debian.read("boot/firmware/config.txt")
    assert boot.endswith("[all]\ndtoverlay=w1-gpio\ndtparam=i2c_arm=on\n# stillair: end\n")
    groups = set(debian.say("id", "-nG", "stillair").split())
    assert {"gpio", "spi", "i2c", "video", "dialout"} <= groups
    assert debian.say("stat", "-c", "%U %a", f"/{DATA}") == "stillair 700\n"
    # What the kernel says of the sandbox.
    status = debian.say("cat", f"/proc/{debian.main_process()}/status")
    for line in ("NoNewPrivs:\t1", "Seccomp:\t2", "CapEff:\t0000000000000000"):
        assert line in status
    exposure = debian.say("systemd-analyze", "security", "--no-pager", "stillair.service")
    found = re.search(r"Overall exposure level for stillair.service: ([0-9.]+)", exposure)
    assert found, exposure
    assert float(found[1]) <= 2.0


def again_changes_nothing(debian: Debian) -> None:
    older, running = debian.version(), debian.main_process()
    boot = debian.read("boot/firmware/config.txt")
    assert debian.install("--overlays", "w1-gpio i2c") == 0, debian.said
    assert (debian.version(), debian.main_process()) == (older, running)
    assert debian.read("boot/firmware/config.txt") == boot
    # Another one later: what was switched on before stays.
    assert debian.install("--overlays", "spi") == 0, debian.said
    assert "dtoverlay=w1-gpio\ndtparam=i2c_arm=on\ndtparam=spi=on\n# stillair: end" in debian.read(
        "boot/firmware/config.txt"
    )


def opened_to_the_network(debian: Debian) -> None:
    debian.write("etc/stillair/chamber.toml", CHAMBER)
    debian.write(
        "etc/stillair/options",
        f'STILLAIR_OPTIONS="--port {PORT} --chamber /etc/stillair/chamber.toml"\n',
    )
    assert debian.run("/opt/stillair/install", "--owner", "captain", given="short\n") == 1
    assert "STILLAIR_LISTEN" not in debian.read("etc/stillair/options")
    # The second line makes sure that it is what was meant.
    typed = "a long enough pass phrase\n"
    assert debian.run("/opt/stillair/install", "--owner", "captain", given=typed) == 0, debian.said
    told = debian.said
    addresses = re.findall(rf"https://[0-9.]+:{PORT}/", told)
    assert addresses or not debian.say("hostname", "-I").strip()
    assert debian.health() == "ok"
    fingerprint = debian.say("stillair", "certificate", "show").splitlines()[-1]
    assert re.fullmatch(r"([0-9A-F]{2}:){31}[0-9A-F]{2}", fingerprint.strip()), fingerprint
    assert fingerprint in told
    assert "captain: owner" in debian.say("stillair", "owner", "list")
    # What a telephone that was given the authority finds.
    trusting = ssl.create_default_context(
        cadata=debian.say("stillair", "certificate", "show", "--pem")
    )
    for address in [f"https://127.0.0.1:{PORT}/", *addresses]:
        with httpx.Client(base_url=address, verify=trusting, timeout=20, trust_env=False) as web:
            assert web.get("/api/health").json() == {"status": "ok"}
            assert web.get("/api/now").status_code == 401
            assert "SHA-256" in web.get("/trust").text


def held_by_the_service_manager(debian: Debian) -> None:
    stuck = debian.main_process()
    assert debian.run("sh", "-c", f"kill -STOP {stuck}") == 0, debian.said
    wait_until(lambda: debian.main_process() not in (0, stuck), within_s=60)
    wait_until(lambda: debian.health() == "ok", within_s=60)


def nothing_was_complained_of(debian: Debian) -> None:
    """Under the sandbox things fail that work elsewhere."""
    journal = debian.journal()
    assert "Traceback" not in journal
    assert "not permitted" not in journal
    tried = debian.say("stillair", "inspect", "--chamber", "/etc/stillair/chamber.toml")
    assert "fit" in tried
    assert "UNFIT" not in tried, tried
    # Its user may not read the journal; the command hands it over.
    assert debian.run("stillair", "report", "--to", f"/{DATA}/report.zip") == 0, debian.said
    with zipfile.ZipFile(debian.root / DATA / "report.zip") as report:
        assert any("watches a heated chamber" in report.read(n).decode() for n in report.namelist())


def broken_version_is_taken_back(debian: Debian) -> None:
    older = debian.version()
    service = "checkout/service/stillair/cli/service.py"
    whole = debian.read(service)
    debian.write(service, whole + "\nraise SystemExit('broken by the test')\n")
    # One that can't even say its version is not tried.
    running = debian.main_process()
    assert debian.install() == 1, debian.said
    assert (debian.version(), debian.main_process()) == (older, running)
    started = "    from stillair.api import serving\n"
    assert started in whole
    debian.write(service, whole.replace(started, "    raise SystemExit('broken')\n"))
    assert debian.install() == 1, debian.said
    assert f"Going back to {older}" in debian.said
    debian.write(service, whole)
    assert debian.version() == older
    assert wait_until(debian.health, within_s=60) == "ok"
    assert not (debian.root / "opt/stillair/trial").exists()


def power_cut_in_the_trial(debian: Debian) -> None:
    """Also one whose tables are others: what was kept before comes back with the old ones."""
    older = debian.version()
    journal = debian.root / "checkout/service/stillair/storage/migrations/journal"
    (migration,) = journal.glob("j0001*.py")
    whole = migration.read_text()
    migration.write_text(whole + "\n# newer\n")
    installing = debian.begin_install()
    wait_until(lambda: debian.version() != older, within_s=300)
    wait_until(debian.health, within_s=60)
    (trial,) = debian.read("opt/stillair/trial").splitlines()
    assert trial.startswith(f"{older} /{DATA}/backups/backup-")
    debian.write(f"{DATA}/of-the-newer", "")
    debian.cut_power()
    installing.wait(60)
    debian.boot()
    assert wait_until(debian.health, within_s=60) == "ok"
    assert debian.version() == older
    assert not (debian.root / "opt/stillair/trial").exists()
    assert f"Going back to {older}" in debian.journal()
    assert "captain: owner" in debian.say("stillair", "owner", "list")
    # Set aside, not dropped.
    assert not (debian.root / DATA / "of-the-newer").exists()
    assert list((debian.root / DATA).glob("replaced-*/of-the-newer"))
    migration.write_text(whole)


def renewed(debian: Debian) -> None:
    older = debian.version()
    debian.write("checkout/README.md", debian.read("checkout/README.md") + "\nNewer.\n")
    backups = set((debian.root / DATA / "backups").iterdir())
    assert debian.install() == 0, debian.said
    assert debian.version() != older
    assert debian.health() == "ok"
    assert set((debian.root / DATA / "backups").iterdir()) - backups
    there = {path.name for path in (debian.root / "opt/stillair").glob("*-????????")}
    assert there == {older, debian.version()}
    assert debian.say("stillair", "--version").startswith("stillair ")


def taken_away(debian: Debian) -> None:
    assert debian.run("/opt/stillair/install", "--remove") == 0, debian.said
    assert f"still in /{DATA}" in debian.said
    assert (debian.root / DATA / "journal.db").exists()
    for gone in ("opt/stillair", "usr/local/bin/stillair", "etc/systemd/system/stillair.service"):
        assert not (debian.root / gone).exists()
    assert debian.read("boot/firmware/config.txt") == BOOT
    assert debian.install("--remove") == 0
    # For good only by a word at a terminal.
    assert debian.install("--remove", "--purge") == 0
    assert (debian.root / DATA).exists()
    debian.at_a_terminal("/checkout/deploy/install", "--remove", "--purge", answers="y\n")
    assert "with all it had kept" in debian.said
    assert not (debian.root / DATA).exists()
    assert not (debian.root / "etc/stillair").exists()
    assert debian.run("getent", "passwd", "stillair") == 2
