"""deploy/install step by step in a folder of its own.

STILLAIR_UNDER puts a folder in the place of /, and small scripts in the place of what
changes a system: users, units, an environment and the program in it. What is tried is the
order of things, what is written, and what is asked. The real ones are tried in a Debian of
its own by test_install_debian.py.
"""

from __future__ import annotations

import os
import pty
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from running import wait_until

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
BOOT = "arm_64bit=1\n[cm4]\notg_mode=1"  # its last line lacks its end
BLOCK = "\n# stillair: begin\n[all]\n{}# stillair: end\n"

# Each writes down that it was called. `health-VERSION` says how that version is.
STAND_INS = {
    "id": "echo 0",
    "getent": 'case $2 in stillair) [ -e "$STAND/user" ] ;; audio) exit 2 ;; esac',
    "groupadd": 'echo "groupadd $*" >>"$STAND/calls"',
    "useradd": ': >"$STAND/user"',
    "usermod": 'echo "usermod $*" >>"$STAND/calls"',
    "userdel": 'rm "$STAND/user"',
    "udevadm": "exit 0",
    "sync": "exit 0",
    "sleep": "exit 0",
    "hostname": 'case $1 in -I) echo "192.168.7.20 fd00::2" ;; *) echo boatshed ;; esac',
    "runuser": 'shift 3; exec "$@"',
    # There is no user of that name where tests run.
    "install": """
        n=$#
        while [ "$n" -gt 0 ]; do
            case $1 in
            -o | -g) shift 2; n=$((n - 2)) ;;
            *) set -- "$@" "$1"; shift; n=$((n - 1)) ;;
            esac
        done
        exec /usr/bin/install "$@" """,
    "systemctl": """
        now=$(readlink "$STILLAIR_UNDER/opt/stillair/current")
        echo "systemctl $*" >>"$STAND/calls"
        while :; do case $1 in -*) shift ;; *) break ;; esac; done
        case $1 in
        start | restart) [ ! -e "$STAND/dead-$now" ] || exit 1; echo "$now" >"$STAND/up" ;;
        stop | disable) rm -f "$STAND/up" ;;
        is-active) [ "$2" = stillair ] && [ -e "$STAND/up" ] ;;
        esac""",
    "python3": """
        case $* in
        "-m venv "*) mkdir -p "$3/bin"; ln -s "$STAND/bin/python3" "$3/bin/python" ;;
        *" pip "*--version*) echo pip ;;
        *" pip "*requirements.txt*) echo "pip fetches" >>"$STAND/calls" ;;
        *" pip "*) cp --remove-destination "$STAND/program" "$(dirname "$0")/stillair" ;;
        *installed.py*health*)
            echo "asked how it is" >>"$STAND/calls"
            [ ! -e "$STAND/slow" ] || /bin/sleep 2
            [ -e "$STAND/up" ] || exit 0
            if [ -e "$STAND/health-$(cat "$STAND/up")" ]; then
                cat "$STAND/health-$(cat "$STAND/up")"
            else echo ok; fi ;;
        *) exec "$PYTHON" "$@" ;;
        esac""",
}
PROGRAM = """#!/bin/sh
echo "stillair $*" >>"$STAND/calls"
cd "${STATE_DIRECTORY:-/}" || exit 1
case $* in
--version) [ ! -e "$STAND/will-not-run" ] ;;
backup) mkdir -p backups && cp journal.db backups/one.tar && echo "$PWD/backups/one.tar: 1 files" ;;
"restore "*) cp "$2" journal.db ;;
"owner list") cat owners 2>/dev/null ;;
"owner add "*) read -r typed; [ "$typed" = "a long phrase" ] && echo "$3: owner" >>owners ;;
"certificate make") mkdir certificates ;;
"certificate show") [ -e certificates ] && echo AB:CD ;;
esac
"""


class Board:
    """A folder that is taken for /, with one checkout that is installed from."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "root"
        self.stand = folder / "stand"
        self.checkout = folder / "checkout"
        self.place = self.root / "opt/stillair"
        self.data = self.root / "var/lib/stillair"
        self.options = self.root / "etc/stillair/options"
        self.boot = self.root / "boot/firmware/config.txt"
        for made in (
            "etc/systemd/system",
            "run/systemd/system",
            "boot/firmware",
            "usr/local/bin",
            "var/lib",
        ):
            (self.root / made).mkdir(parents=True)
        self.boot.write_text(BOOT)
        (self.stand / "bin").mkdir(parents=True)
        for name, script in STAND_INS.items():
            self._program(self.stand / "bin" / name, f"#!/bin/sh\n{script}\n")
        self._program(self.stand / "program", PROGRAM)
        shutil.copytree(DEPLOY, self.checkout / "deploy")
        for name in ("pyproject.toml", "README.md"):
            shutil.copy(ROOT / name, self.checkout)
        (self.checkout / "web").mkdir()
        migrations = self.checkout / "service/stillair/storage/migrations"
        migrations.mkdir(parents=True)
        self.migration = migrations / "j0001.py"
        self.migration.write_text("# the first tables\n")
        self.environment = {
            "PATH": f"{self.stand}/bin:/usr/sbin:/usr/bin:/sbin:/bin",
            "STILLAIR_UNDER": str(self.root),
            "STILLAIR_PROVE_S": "6",
            "STILLAIR_STEADY_S": "3",
            "STAND": str(self.stand),
            "PYTHON": sys.executable,
        }
        self.said = ""

    @staticmethod
    def _program(path: Path, text: str) -> None:
        path.write_text(text)
        path.chmod(0o755)

    def install(self, *options: str, typed: str | None = None, given: str = "") -> int:
        """Its exit status. With `typed` it runs at a terminal, at which that is typed."""
        (self.stand / "calls").write_text("")
        words = [str(self.checkout / "deploy/install"), *options]
        ours, theirs = pty.openpty()
        try:
            os.write(ours, (typed or "").encode())
            done = subprocess.run(
                words,
                input=given if typed is None else None,
                stdin=None if typed is None else theirs,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                check=False,
                timeout=60,
                env=self.environment,
            )
        finally:
            os.close(ours)
            os.close(theirs)
        self.said = done.stdout
        return done.returncode

    def calls(self) -> list[str]:
        return (self.stand / "calls").read_text().splitlines()

    def order(self, *beginnings: str) -> list[str]:
        """The calls that begin so, in the order in which they came."""
        return [b for call in self.calls() for b in beginnings if call.startswith(b)]

    def version(self) -> str:
        return str((self.place / "current").readlink())

    def renew(self, text: str) -> None:
        """Make the checkout another version."""
        with (self.checkout / "README.md").open("a") as file:
            file.write(text)

    def next_version(self) -> str:
        """How the checkout's version will be called."""
        script = '. deploy/venv.sh; eval "$(sed -n "/^name_version/,/^}/p" deploy/install)"'
        done = subprocess.run(
            ["sh", "-c", f"root=$PWD; {script}; root=$PWD; name_version; echo $version"],
            cwd=self.checkout,
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout.strip()


@pytest.fixture
def board(tmp_path: Path) -> Board:
    return Board(tmp_path)


@pytest.fixture
def installed(board: Board) -> Board:
    assert board.install() == 0, board.said
    (board.data / "journal.db").write_text("what was kept")
    return board


def test_a_first_install_starts_the_service_for_this_board_alone(board: Board) -> None:
    assert board.install() == 0, board.said
    assert board.order("systemctl enable", "systemctl restart") == [
        "systemctl enable",
        "systemctl restart",
    ]
    units = board.root / "etc/systemd/system"
    assert (units / "stillair.service").read_bytes() == (DEPLOY / "stillair.service").read_bytes()
    assert (units / "stillair-return.service").exists()
    assert (board.root / "usr/local/bin/stillair").stat().st_mode & 0o777 == 0o755
    assert "SIMULATED" in board.said
    assert "Only this board itself can open it" in board.said
    assert "STILLAIR_LISTEN" not in board.options.read_text()
    assert board.boot.read_text() == BOOT


def test_a_second_install_touches_nothing(installed: Board) -> None:
    assert installed.install() == 0, installed.said
    assert not installed.order("systemctl restart", "systemctl stop", "pip", "stillair backup")


def test_an_environment_that_runs_no_more_is_made_anew_in_its_place(installed: Board) -> None:
    """As after Debian went to another Python; the checkout may be long gone."""
    program = installed.place / installed.version() / "venv/bin/stillair"
    program.unlink()
    (installed.stand / "up").unlink()
    installed.checkout.rename(installed.checkout.with_name("gone"))
    installed.checkout = installed.place / installed.version() / "source"
    assert installed.install() == 0, installed.said
    assert program.exists()
    assert installed.order("pip fetches", "systemctl start") == ["pip fetches", "systemctl start"]


def test_overlays_are_shown_kept_and_taken_back(board: Board) -> None:
    assert board.install("--overlays", "w1-gpio i2c") == 0, board.said
    assert "+dtoverlay=w1-gpio" in board.said
    lines = "dtoverlay=w1-gpio\ndtparam=i2c_arm=on\n"
    assert board.boot.read_text() == BOOT + BLOCK.format(lines)
    assert (board.root / "etc/modules-load.d/stillair.conf").read_text() == "i2c-dev\n"
    assert board.install("--overlays", "spi") == 0, board.said
    assert board.boot.read_text() == BOOT + BLOCK.format(lines + "dtparam=spi=on\n")
    assert board.install("--remove") == 0
    assert board.boot.read_text() == BOOT + "\n"
    assert not (board.root / "etc/modules-load.d/stillair.conf").exists()


def test_an_overlay_is_switched_on_only_by_who_says_yes_twice(board: Board) -> None:
    # w1-gpio yes, spi no, i2c yes; but not what it then shows. Nor to be opened to others.
    assert board.install(typed="y\nn\ny\nn\nn\n") == 0, board.said
    assert "+dtoverlay=w1-gpio" in board.said
    assert board.boot.read_text() == BOOT
    assert not (board.root / "etc/modules-load.d/stillair.conf").exists()
    assert board.install("--overlays", "wine") == 1
    assert "There is no overlay wine" in board.said


def test_it_is_opened_to_the_network_only_with_owner_and_certificate(installed: Board) -> None:
    assert installed.install("--owner", "captain", given="short\n") == 1
    assert "STILLAIR_LISTEN" not in installed.options.read_text()
    assert not (installed.data / "certificates").exists()

    assert installed.install("--owner", "captain", given="a long phrase\n") == 0, installed.said
    assert "STILLAIR_LISTEN=--host 0.0.0.0\n" in installed.options.read_text()
    assert (installed.data / "owners").read_text() == "captain: owner\n"
    assert "https://192.168.7.20:8420/" in installed.said
    assert "fd00::2" not in installed.said
    assert "AB:CD" in installed.said
    assert not any("long phrase" in call for call in installed.calls())

    # A second one isn't thought to have been made.
    assert installed.install("--owner", "rigger", given="a long phrase\n") == 0, installed.said
    assert "It has an owner already" in installed.said
    assert (installed.data / "owners").read_text() == "captain: owner\n"


def test_a_person_at_the_terminal_is_asked_once(board: Board) -> None:
    # No overlays; no.
    assert board.install("--no-overlays", typed="n\n") == 0, board.said
    assert "STILLAIR_LISTEN=--host 127.0.0.1\n" in board.options.read_text()
    assert board.install("--no-overlays", typed="y\n") == 0, board.said
    assert "Open it to this network?" not in board.said
    # Who changes their mind: nobody wants a wrong password to end it.
    words = "--no-overlays", "--owner", "captain"
    assert board.install(*words, typed="short\na long phrase\n") == 0, board.said
    assert "STILLAIR_LISTEN=--host 0.0.0.0\n" in board.options.read_text()
    assert board.options.read_text().count("STILLAIR_LISTEN=") == 1


def test_what_somebody_wrote_about_listening_stays(installed: Board) -> None:
    installed.options.write_text("STILLAIR_OPTIONS=--behind-proxy shed.example.org\n")
    assert installed.install("--owner", "captain", given="a long phrase\n") == 0, installed.said
    assert "STILLAIR_LISTEN" not in installed.options.read_text()
    assert "proxy" in installed.said


def test_a_newer_version_is_watched_until_its_turn_and_backed_up_before(installed: Board) -> None:
    older = installed.version()
    installed.renew("newer\n")
    assert installed.install() == 0, installed.said
    assert installed.version() != older
    assert installed.order("stillair backup", "systemctl stop", "systemctl start", "pip") == [
        "stillair backup",
        "systemctl stop",
        "systemctl start",
    ]
    assert not (installed.place / "trial").exists()
    # The one before stays, those before that don't.
    installed.renew("newest\n")
    middle = installed.version()
    assert installed.install() == 0, installed.said
    left = {path.name for path in installed.place.glob("*-????????")}
    assert left == {middle, installed.version()}


def test_other_packages_are_fetched(installed: Board) -> None:
    with (installed.checkout / "deploy/requirements.txt").open("a") as file:
        file.write("# another\n")
    assert installed.install() == 0, installed.said
    assert installed.order("pip fetches") == ["pip fetches"]


def test_without_a_backup_nothing_is_changed(installed: Board) -> None:
    older = installed.version()
    (installed.data / "backups").write_text("no folder")
    installed.renew("newer\n")
    assert installed.install() == 1
    assert installed.version() == older
    assert not installed.order("systemctl stop", "systemctl start")
    # A history that can't be copied must not bar the way to a version that mends it.
    assert installed.install("--without-backup") == 0, installed.said
    assert installed.version() != older


@pytest.mark.parametrize("how", ["dead", "impaired"])
def test_a_version_that_is_not_well_is_taken_back(installed: Board, how: str) -> None:
    older = installed.version()
    installed.renew("worse\n")
    newer = installed.next_version()
    said = "dead" if how == "dead" else "health"
    (installed.stand / f"{said}-{newer}").write_text(how)
    assert installed.install() == 1
    assert f"Going back to {older}" in installed.said
    assert installed.version() == older
    assert (installed.stand / "up").read_text() == f"{older}\n"
    assert not (installed.place / "trial").exists()
    assert (installed.place / "install").readlink() == Path(f"{older}/source/deploy/install")
    assert not installed.order("stillair restore")


def test_one_that_answers_slowly_gets_no_more_time_for_that(installed: Board) -> None:
    installed.renew("slower\n")
    (installed.stand / f"health-{installed.next_version()}").write_text("impaired")
    (installed.stand / "slow").touch()
    assert installed.install() == 1
    # Once before, then for 6 s: not six times.
    assert len(installed.order("asked how it is")) <= 5


def test_with_other_tables_the_history_of_before_comes_back(installed: Board) -> None:
    installed.migration.write_text("# other tables\n")
    newer = installed.next_version()
    (installed.stand / f"dead-{newer}").touch()
    assert installed.install() == 1
    # Nothing that was written after the backup can be missed.
    assert installed.order("systemctl stop", "stillair backup", "stillair restore") == [
        "systemctl stop",
        "stillair backup",
        "systemctl stop",
        "stillair restore",
    ]
    assert (installed.data / "journal.db").read_text() == "what was kept"


def test_one_that_does_not_run_is_never_tried(installed: Board) -> None:
    older = installed.version()
    installed.renew("broken\n")
    (installed.stand / "will-not-run").touch()
    assert installed.install() == 1
    assert "does not run at all" in installed.said
    assert installed.version() == older
    assert not installed.order("systemctl stop")


def begin_trial(board: Board) -> tuple[str, subprocess.Popen[bytes]]:
    """Begin to try a newer version that never gets well; the older one, and the installer."""
    older = board.version()
    board.renew("newer\n")
    (board.stand / f"health-{board.next_version()}").write_text("impaired\n")
    installing = subprocess.Popen(
        [str(board.checkout / "deploy/install")],
        env={**board.environment, "STILLAIR_PROVE_S": "100000"},
        stdin=subprocess.DEVNULL,
    )
    wait_until(lambda: board.version() != older and (board.stand / "up").exists(), within_s=60)
    return older, installing


@pytest.mark.parametrize("how", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT])
def test_an_installer_that_is_ended_goes_back_first(installed: Board, how: int) -> None:
    """As when the connection to a board breaks off."""
    older, installing = begin_trial(installed)
    try:
        installing.send_signal(how)
        assert installing.wait(30) == 1
    finally:
        # One that goes on asks whether the service is well as fast as it can, for hours: where
        # tests are begun with a signal ignored, a shell can't trap that.
        installing.kill()
        installing.wait()
    assert installed.version() == older
    assert (installed.stand / "up").read_text() == f"{older}\n"
    assert not (installed.place / "trial").exists()


def test_a_trial_that_was_cut_off_is_taken_back_at_the_next_start(installed: Board) -> None:
    older, installing = begin_trial(installed)
    returning = [str(installed.place / "install"), "--go-back"]
    try:
        # As the unit for it does whenever the service is begun: not while it is being tried.
        subprocess.run(returning, env=installed.environment, check=True)
        assert installed.version() != older
    finally:
        installing.kill()
        installing.wait()
    (installed.stand / "calls").write_text("")

    def taken_back() -> bool:
        # What the installer had begun may hold its lock for a moment longer.
        subprocess.run(returning, env=installed.environment, check=True)
        return not (installed.place / "trial").exists()

    wait_until(taken_back, within_s=60)
    assert installed.version() == older
    # What waits for it is started by who ordered it; a start from here would wait for itself.
    assert not installed.order("systemctl start", "systemctl stop", "systemctl restart")


def test_taken_away_it_leaves_what_it_kept(installed: Board) -> None:
    assert installed.install("--remove") == 0, installed.said
    assert not installed.place.exists()
    assert not (installed.root / "usr/local/bin/stillair").exists()
    assert not list((installed.root / "etc/systemd/system").iterdir())
    assert (installed.data / "journal.db").exists()
    assert installed.options.exists()
    assert installed.install("--remove", "--purge", typed="n\n") == 0
    assert (installed.data / "journal.db").exists()
    assert installed.install("--remove", "--purge", typed="y\n") == 0
    assert not installed.data.exists()
    assert not installed.options.exists()
    assert not (installed.stand / "user").exists()


def test_a_service_that_is_not_well_when_opened_is_shut_again(installed: Board) -> None:
    before = installed.options.read_text()
    (installed.stand / f"health-{installed.version()}").write_text("nothing")
    assert installed.install("--owner", "captain", given="a long phrase\n") == 1
    assert installed.options.read_text() == before
    assert not (installed.data / "certificates").exists()
    assert installed.order("systemctl restart") == ["systemctl restart"] * 2
