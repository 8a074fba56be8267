"""What deploy/install is made of: its units, its questions to an installed service, its pip."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from stillair.api import commands

DEPLOY = Path(__file__).parents[2] / "deploy"
UNIT = DEPLOY / "stillair.service"

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed"
)


# --- the units, read by systemd's own tools ------------------------------------


@needs_systemd
def test_the_units_are_understood_whole(tmp_path: Path) -> None:
    for unit in (UNIT, DEPLOY / "stillair-return.service"):
        # The programs themselves are not installed where tests run.
        text = unit.read_text().replace("/opt/stillair/current/venv/bin/stillair", "/bin/true")
        (tmp_path / unit.name).write_text(text.replace("/opt/stillair/install", "/bin/true"))
    done = subprocess.run(
        ["systemd-analyze", "verify", *tmp_path.iterdir()],
        capture_output=True,
        text=True,
        check=False,
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


# --- its questions, and its pip ---------------------------------------------------


@pytest.mark.parametrize(
    ("options", "host", "port"),
    [
        pytest.param("", "127.0.0.1", "8420", id="none"),
        pytest.param("# --port 1\nSTILLAIR_OPTIONS=\n", "127.0.0.1", "8420", id="a comment"),
        pytest.param("STILLAIR_OPTIONS=--port 8421 --host ::", "::", "8421", id="plain"),
        pytest.param('STILLAIR_OPTIONS="--port=8421"', "127.0.0.1", "8421", id="quoted"),
        pytest.param("STILLAIR_OPTIONS='--port 8421", "127.0.0.1", "8420", id="half quoted"),
        pytest.param(
            "STILLAIR_LISTEN=--host 0.0.0.0\nSTILLAIR_OPTIONS=--host 192.168.7.20 --chamber x",
            "192.168.7.20",
            "8420",
            id="the later one",
        ),
    ],
)
def test_where_it_listens_is_read_from_its_options(
    tmp_path: Path, options: str, host: str, port: str
) -> None:
    (tmp_path / "options").write_text(options)
    code = "import sys, installed; print(*installed.listens(installed.read(sys.argv[1])))"
    words = [sys.executable, "-c", code, str(tmp_path / "options")]
    done = subprocess.run(words, cwd=DEPLOY, capture_output=True, text=True, check=True)
    assert done.stdout == f"{host} {port}\n"


def test_an_installed_service_names_its_own_command(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    assert str(tmp_path) in commands.command("owner", "add", "NAME", folder=tmp_path)
    unit = UNIT.read_text("utf-8")
    assert '"STILLAIR_COMMAND=sudo stillair"' in unit
    monkeypatch.setenv("STILLAIR_COMMAND", "sudo stillair")
    given = commands.command("owner", "add", "NAME", folder=tmp_path)
    assert given == "sudo stillair owner add NAME"
    assert commands.at(tmp_path) == ""


def index(folder: Path, content: str) -> tuple[str, str]:
    """An index with one wheel of `oarlock` in it: its address, and the wheel's SHA-256."""
    place = folder / "simple/oarlock"
    place.mkdir(parents=True)
    wheel = place / "oarlock-1.0-py3-none-any.whl"
    with zipfile.ZipFile(wheel, "w") as made:
        info = "oarlock-1.0.dist-info"
        made.writestr("oarlock.py", content)
        made.writestr(f"{info}/METADATA", "Metadata-Version: 2.1\nName: oarlock\nVersion: 1.0\n")
        made.writestr(f"{info}/WHEEL", "Wheel-Version: 1.0\nTag: py3-none-any\n")
        made.writestr(f"{info}/RECORD", "")
    sha256 = hashlib.sha256(wheel.read_bytes()).hexdigest()
    (place / "index.html").write_text(f'<a href="{wheel.name}#sha256={sha256}">{wheel.name}</a>')
    return (folder / "simple").as_uri(), sha256


@pytest.mark.parametrize("first", ["ours", "other"])
def test_another_index_with_its_own_builds_is_no_trouble(tmp_path: Path, first: str) -> None:
    """Raspberry Pi OS asks a second one, whose wheels of the same version have other hashes."""
    ours, sha256 = index(tmp_path / "ours", "whose = 'ours'\n")
    other, _ = index(tmp_path / "other", "whose = 'other'\n")
    pins = tmp_path / "pins.txt"
    pins.write_text(f"oarlock==1.0 --hash=sha256:{sha256}\n")
    indexes = (ours, other) if first == "ours" else (other, ours)
    script = f"""
        . "{DEPLOY}/venv.sh"
        venv={sys.prefix}
        pip install --index-url {indexes[0]} --extra-index-url {indexes[1]} \\
            --require-hashes --only-binary :all: --target "{tmp_path}/to" -r "{pins}"
    """
    alone = {k: v for k, v in os.environ.items() if not k.startswith("PIP_")}
    done = subprocess.run(
        ["sh", "-c", script, str(DEPLOY / "install")],
        capture_output=True,
        text=True,
        check=False,
        env={**alone, "PIP_CONFIG_FILE": os.devnull},
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "to/oarlock.py").read_text() == "whose = 'ours'\n"
