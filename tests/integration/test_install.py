"""deploy/install in a bare Debian: as a service, to a newer version, back, and away again.

The root is made by debootstrap and entered by chroot. No systemd runs in there: `systemctl`
is a stand-in that starts and stops the real service as its user and answers whether it runs,
so the unit's sandbox, watchdog and limits are not tried here; what systemd's offline tools
say of the unit is tried below. Needs root, debootstrap and a network; STILLAIR_DEBIAN_ROOT
names a root that was made before (`debootstrap --variant=minbase
--include=python3,python3-venv,ca-certificates bookworm DIR`).
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from running import wait_until

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "deploy" / "stillair.service"
CHAMBER = """# simulated, and without a camera: drawing one takes what a busy computer hasn't
[chamber]
name = "boat shed bench"

[[sensor]]
name = "top"
driver = "simulated"
"""
SYSTEMCTL = """#!/bin/sh
echo "$*" >>/stand-in/calls
quiet=; now=; word=
for each in "$@"; do case $each in --now) now=yes ;; -*) ;; *) word=${word:-$each} ;; esac; done
up() { [ -e /stand-in/pid ] && kill -0 "$(cat /stand-in/pid)" 2>/dev/null; }
stop() {
    up && { kill "$(cat /stand-in/pid)"; while up; do sleep 0.1; done; }
    rm -f /stand-in/pid
}
start() {
    up && return 0
    . /etc/stillair/options
    cd /var/lib/stillair
    program=$(sed -n 's/^ExecStart=\\([^ ]*\\) .*/\\1/p' /etc/systemd/system/stillair.service)
    STATE_DIRECTORY=/var/lib/stillair setsid setpriv --reuid stillair --regid stillair \\
        --init-groups "$program" run $STILLAIR_OPTIONS 8>&- >>/stand-in/log 2>&1 </dev/null &
    echo $! >/stand-in/pid
}
case $word in
start) start ;;
stop) stop ;;
restart) stop; start ;;
disable) [ -z "$now" ] || stop ;;
is-active) up ;;
esac
"""


# --- the unit, read by systemd's own tools ------------------------------------

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed"
)


@needs_systemd
def test_the_unit_is_understood_whole(tmp_path: Path) -> None:
    unit = tmp_path / "stillair.service"
    # The program itself is not installed where tests run.
    unit.write_text(
        UNIT.read_text().replace("/opt/stillair/current/venv/bin/stillair", "/bin/true")
    )
    done = subprocess.run(
        ["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False
    )
    assert (done.returncode, [x for x in done.stderr.splitlines() if "stillair" in x]) == (0, [])


@needs_systemd
def test_the_unit_is_exposed_no_more_than_it_has_to_be() -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=20", "--no-pager", UNIT],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout


# --- in a Debian of its own ---------------------------------------------------


class Debian:
    """A chroot with the checkout in it, and a stand-in for systemctl."""

    def __init__(self, root: Path, port: int) -> None:
        self.root = root
        self.port = port

    def prepare(self) -> None:
        for gone in ("opt/stillair", "var/lib/stillair", "etc/stillair", "stand-in", "checkout"):
            shutil.rmtree(self.root / gone, ignore_errors=True)
        (self.root / "stand-in").mkdir()
        self.write("usr/bin/systemctl", SYSTEMCTL)
        (self.root / "usr/bin/systemctl").chmod(0o755)
        self.write("etc/stillair/options", f'STILLAIR_OPTIONS="--port {self.port}"\n')
        for shared in ("etc/resolv.conf", "etc/hosts", "etc/ssl/certs/ca-certificates.crt"):
            if (Path("/") / shared).exists():
                self.write(shared, (Path("/") / shared).read_text())
        for part in ("service", "web", "deploy"):
            shutil.copytree(
                ROOT / part,
                self.root / "checkout" / part,
                ignore=shutil.ignore_patterns("__pycache__", "node_modules"),
            )
        for part in ("pyproject.toml", "README.md"):
            shutil.copy(ROOT / part, self.root / "checkout" / part)

    def write(self, path: str, text: str) -> None:
        target = self.root / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text)

    def read(self, path: str) -> str:
        return (self.root / path).read_text()

    def say(self, *words: str, given: str = "") -> subprocess.CompletedProcess[str]:
        kept = {k: v for k, v in os.environ.items() if k.startswith("PIP_") or "proxy" in k.lower()}
        return subprocess.run(
            ["chroot", self.root, *words],
            input=given,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
            timeout=900,
            env={
                **kept,
                "PATH": "/usr/sbin:/usr/bin:/sbin:/bin",
                "LC_ALL": "C.UTF-8",
                "STILLAIR_PROVE_S": "40",
                "STILLAIR_STEADY_S": "3",
            },
        )

    def install(self, *options: str) -> subprocess.CompletedProcess[str]:
        return self.say("/checkout/deploy/install", *options)

    def version(self) -> str:
        return str((self.root / "opt/stillair/current").readlink())

    def health_soon(self) -> str:
        """What it says once it answers; a service that was just begun takes some seconds."""
        return wait_until(self.health, within_s=30)

    def health(self) -> str:
        helper = "/checkout/deploy/installed.py"
        return self.say("python3", helper, "health", str(self.port)).stdout.strip()


@pytest.fixture(scope="module")
def debian(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Debian]:
    if os.geteuid() != 0:
        pytest.skip("making a Debian root and entering it needs root")
    made = os.environ.get("STILLAIR_DEBIAN_ROOT")
    root = Path(made) if made else tmp_path_factory.mktemp("debian")
    if not (root / "usr/bin/python3").exists():
        if shutil.which("debootstrap") is None:
            pytest.skip("debootstrap is not installed: apt-get install debootstrap")
        packages = "--include=python3,python3-venv,ca-certificates"
        done = subprocess.run(
            ["debootstrap", "--variant=minbase", packages, "bookworm", root],
            capture_output=True,
            text=True,
            check=False,
        )
        if done.returncode:
            pytest.skip(f"debootstrap made no Debian (no network?): {done.stdout[-200:]}")
    mounted: list[Path] = []
    for name in ("proc", "dev"):
        bound = subprocess.run(["mount", "--bind", f"/{name}", root / name], check=False)
        if bound.returncode:
            for each in mounted:
                subprocess.run(["umount", each], check=False)
            pytest.skip(f"/{name} can't be mounted into the Debian root here")
        mounted.append(root / name)
    # A number below those that a kernel hands out by itself.
    debian = Debian(root, 18437)
    debian.prepare()
    try:
        yield debian
    finally:
        debian.say("systemctl", "stop", "stillair")
        for each in mounted:
            subprocess.run(["umount", each], check=False)


@pytest.mark.timeout(2400)
def test_a_life_of_an_installed_service(debian: Debian) -> None:
    """One story, because each chapter stands on what the one before it left."""
    # Installed on a bare Debian.
    debian.write("boot/firmware/config.txt", "arm_64bit=1\n[cm4]\notg_mode=1\n")
    first = debian.install("--overlays", "w1-gpio i2c")
    if "Temporary failure in name resolution" in first.stdout:
        pytest.skip("the packages can't be fetched: no network")
    assert first.returncode == 0, first.stdout
    # "impaired" where this computer is too busy to draw the simulated camera's pictures.
    assert debian.health() in ("ok", "impaired")
    assert "SIMULATED chamber: nothing it shows is real" in first.stdout
    assert "owner add NAME" in first.stdout
    assert "Telephones in the same network open" not in first.stdout
    older = debian.version()
    boot = debian.read("boot/firmware/config.txt")
    assert "+dtoverlay=w1-gpio" in first.stdout
    assert boot.endswith("[all]\ndtoverlay=w1-gpio\ndtparam=i2c_arm=on\n# stillair: end\n")
    assert {"gpio", "spi", "i2c", "video", "dialout"} <= set(
        debian.say("id", "-nG", "stillair").stdout.split()
    )
    kept = debian.say("stat", "-c", "%U %a", "/var/lib/stillair").stdout
    assert kept == "stillair 700\n"

    # Again: nothing changes, and the watch isn't interrupted.
    running = debian.read("stand-in/pid")
    again = debian.install("--overlays", "w1-gpio i2c")
    assert again.returncode == 0, again.stdout
    assert (debian.version(), debian.read("stand-in/pid")) == (older, running)
    assert debian.read("boot/firmware/config.txt") == boot

    # With an owner, an address for telephones.
    made = debian.say(
        *["setpriv", "--reuid", "stillair", "--regid", "stillair", "--clear-groups", "stillair"],
        *["owner", "add", "captain", "--data-dir", "/var/lib/stillair"],
        given="a long enough pass phrase\n",
    )
    assert "is an owner now" in made.stdout
    debian.write("etc/stillair/chamber.toml", CHAMBER)
    debian.write(
        "etc/stillair/options",
        f'STILLAIR_OPTIONS="--port {debian.port} --host 0.0.0.0'
        ' --chamber /etc/stillair/chamber.toml"\n',
    )
    debian.say("systemctl", "restart", "stillair")
    told = debian.install()
    assert f":{debian.port}/" in told.stdout.partition("Telephones in the same network open")[2]

    # A newer version that does not come up: the older one runs again, with what it kept.
    service = "checkout/service/stillair/cli/service.py"
    whole = debian.read(service)
    debian.write(service, whole + "\nraise SystemExit('broken by the test')\n")
    refused = debian.install()
    assert refused.returncode == 1
    assert f"Going back to {older}" in refused.stdout
    assert (debian.version(), debian.health_soon()) == (older, "ok")
    assert not (debian.root / "opt/stillair/trial").exists()

    # Killed outright in the middle of an update: the next run goes back first, then on.
    debian.write("opt/stillair/trial", f"{older} /var/lib/stillair/before-19700101T000000Z\n")
    debian.write(service, whole + "\n# newer\n")
    newer = debian.install()
    assert newer.returncode == 0, newer.stdout
    assert f"Going back to {older}" in newer.stdout
    assert debian.version() != older
    assert debian.health() == "ok"
    copies = sorted((debian.root / "var/lib/stillair").glob("before-*/journal.db"))
    assert copies
    assert not list((debian.root / "var/lib/stillair").glob("before-*/*.half"))

    # Away, with the history kept; and once more does no harm.
    removed = debian.install("--remove")
    assert removed.returncode == 0, removed.stdout
    assert "still in /var/lib/stillair" in removed.stdout
    assert (debian.root / "var/lib/stillair/journal.db").exists()
    assert not (debian.root / "opt/stillair").exists()
    assert not (debian.root / "etc/systemd/system/stillair.service").exists()
    assert debian.read("boot/firmware/config.txt") == "arm_64bit=1\n[cm4]\notg_mode=1\n"
    assert debian.install("--remove").returncode == 0
