"""The project itself: what is pinned is what is needed, and two commands set it up."""

from __future__ import annotations

import ast
import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from stillair.api import linking

ROOT = Path(__file__).resolve().parents[2]
SERVICE = ROOT / "service" / "stillair"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
RUNTIME_PINS = ROOT / "deploy" / "requirements.txt"
CHECK_PINS = ROOT / "deploy" / "requirements-check.txt"

# --- packages ---------------------------------------------------------------


def pins(path: Path) -> dict[str, tuple[str, int]]:
    """Version and number of hashes of each package that a file of pins lists."""
    found: dict[str, tuple[str, int]] = {}
    name = ""
    for line in path.read_text("utf-8").splitlines():
        if line.lstrip().startswith("--hash=sha256:"):
            version, hashes = found[name]
            found[name] = (version, hashes + 1)
        elif line and not line.startswith("#"):
            name, version = re.fullmatch(r"(\S+)==([^\s;]+).*", line).groups()  # type: ignore[union-attr]  # an error is what the test is for
            found[name] = (version, 0)
    return found


def needed(names: list[str]) -> list[Requirement]:
    return [Requirement(name) for name in names]


RUNTIME = needed(PROJECT["project"]["dependencies"])
CHECK = needed(PROJECT["project"]["optional-dependencies"]["check"])
BUILD = needed(PROJECT["dependency-groups"]["build"])


@pytest.mark.parametrize(
    ("requirement", "path"),
    [
        *[pytest.param(r, RUNTIME_PINS, id=f"run: {r.name}") for r in RUNTIME + BUILD],
        *[pytest.param(r, CHECK_PINS, id=f"check: {r.name}") for r in RUNTIME + BUILD + CHECK],
    ],
)
def test_each_package_is_pinned_to_a_version_that_fits(
    requirement: Requirement, path: Path
) -> None:
    version, hashes = pins(path)[canonicalize_name(requirement.name)]
    assert requirement.specifier.contains(version)
    assert hashes >= 1


def test_what_is_checked_is_what_runs() -> None:
    run, check = pins(RUNTIME_PINS), pins(CHECK_PINS)
    assert {name: check[name] for name in run} == run


# Imported under a name of their own, but of one piece with what brings them.
PARTS = {"starlette": "fastapi", "pydantic-core": "pydantic", "annotated-types": "pydantic"}


def imported_packages() -> set[str]:
    """Names of the packages from the registry that the service imports anywhere."""
    owners = packages_distributions()
    found: set[str] = set()
    for path in SERVICE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            for name in (name.partition(".")[0] for name in names):
                if name not in sys.stdlib_module_names and name != "stillair":
                    found |= {canonicalize_name(owner) for owner in owners[name]}
    return {PARTS.get(name, name) for name in found}


def test_the_service_needs_what_it_imports_and_nothing_else() -> None:
    assert imported_packages() == {canonicalize_name(r.name) for r in RUNTIME}


# --- the dashboard's third-party files --------------------------------------

VENDOR = ROOT / "web" / "vendor"
VENDORED = json.loads((VENDOR / "vendored.json").read_text("utf-8"))["packages"]


def test_third_party_files_are_what_was_recorded() -> None:
    recorded = {file["file"]: file["sha256"] for p in VENDORED for file in p["files"]}
    found = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in VENDOR.iterdir()
        if path.name != "vendored.json"
    }
    assert found == recorded


@pytest.mark.parametrize("package", [pytest.param(p, id=p["name"]) for p in VENDORED])
def test_a_third_party_package_names_its_version_and_brings_its_licence(
    package: dict[str, object],
) -> None:
    assert re.fullmatch(r"\d+\.\d+\.\d+", str(package["version"]))
    licence = (VENDOR / f"{package['name']}.LICENSE.txt").read_text("utf-8")
    assert str(package["licence"]).partition("-")[0] in licence


def test_the_pages_are_read_with_the_declarations_of_the_files_they_come_with() -> None:
    tools = json.loads((ROOT / "deploy/page-tools/package.json").read_text("utf-8"))
    versions = {package["name"]: package["version"] for package in VENDORED}
    assert tools["devDependencies"].items() >= versions.items()


@pytest.mark.parametrize("path", sorted(VENDOR.glob("*.js")), ids=lambda path: path.name)
def test_a_third_party_module_imports_only_its_neighbours(path: Path) -> None:
    asked = re.findall(r"""(?:from|import)\s*\(?["']([^"'\n]+)["']""", path.read_text("utf-8"))
    assert all(Path(VENDOR, name).is_file() and name.startswith("./") for name in asked)


WEB = ROOT / "web"
OUR_PAGES = [
    path
    for form in ("html", "js", "css")
    for path in sorted(WEB.rglob(f"*.{form}"))
    if VENDOR not in path.parents
]
PROGRAM_PARTS = {f"/web/{part}" for part in linking.PARTS}
LOADED = {  # what makes a browser fetch something
    ".html": r"""(?:\bsrc|<link\b[^>]*\bhref)\s*=\s*["']?([^"'\s>]+)""",
    ".js": r"""(?:\bfrom|\bimport)\s*\(?\s*["']([^"'\n]+)["']""",
    ".css": r"""(?:url\(|@import)\s*["']?([^"')\s;]+)""",
}


@pytest.mark.parametrize("path", OUR_PAGES, ids=lambda path: str(path.relative_to(WEB)))
def test_a_page_loads_only_what_comes_with_it(path: Path) -> None:
    """A shed has no internet, and nobody else is to learn when the page is open."""
    for target in re.findall(LOADED[path.suffix], path.read_text("utf-8")):
        if target.startswith(("data:", "#")) or target in PROGRAM_PARTS:
            continue  # the program is linked of modules that are read here, too
        assert "//" not in target, target
        if target.startswith("/web/"):
            assert (WEB / target.removeprefix("/web/")).is_file(), target
        elif not target.startswith("/"):
            assert (path.parent / target.partition("#")[0]).is_file(), target


# --- rooms that decide ------------------------------------------------------

PURE = [SERVICE / "fire" / "verdict.py"]
PURE += [
    path
    for room in ("watch", "thermal", "alarms", "jobs")
    for path in (SERVICE / room).glob("*.py")
]


@pytest.mark.parametrize("path", sorted(PURE), ids=lambda path: str(path.relative_to(SERVICE)))
def test_a_room_that_decides_never_asks_what_time_it_is(path: Path) -> None:
    asked = [
        f"line {node.lineno}: {node.attr}"
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Attribute)
        and ast.unparse(node.value) in ("datetime", "date")
        and node.attr in ("now", "utcnow", "today")
    ]
    assert asked == []


@pytest.mark.parametrize("path", sorted(SERVICE.rglob("__init__.py")), ids=lambda p: p.parent.name)
def test_a_package_says_what_it_is_for(path: Path) -> None:
    said = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
    assert len(said.split()) >= 3
    assert "TODO" not in said


ROOMS = sorted(
    path.stem + ("/" if path.is_dir() else ".py" if path.stem in ("watch", "cli") else "")
    for path in SERVICE.iterdir()
    if not path.name.startswith("_") and path.name != "py.typed"
)


LARGE = ("thermal", "fire", "alarms", "jobs", "storage", "runtime")
MODULES = [path for room in LARGE for path in sorted((SERVICE / room).glob("[a-z]*.py"))]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_each_module_of_a_large_room_is_on_the_developers_map(path: Path) -> None:
    page = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    table = page.partition("module by module:")[2].partition("**Why floors.**")[0]
    assert f"`{path.stem}`" in table


@pytest.mark.parametrize("room", ROOMS)
def test_each_room_is_on_the_developers_map(room: str) -> None:
    page = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    rows = [line for line in page.splitlines() if line.startswith("| `")]
    assert any(f"`{room}`" in row for row in rows)


# --- ./deploy/start ---------------------------------------------------------

# Stands in for a Python: tells its version, makes a .venv whose python notes what
# pip is asked and fails there while the file `no-network` exists. The programs in
# that .venv print what they are asked, and fail while a file `bad-NAME` exists.
FAKE_PYTHON = """#!/bin/sh
case "$*" in
    -c*) printf '%s\\n' "$VERDICT" ;;
    --version) echo 'Python 3.13.0' ;;
    '-m venv'*)
        for venv; do :; done
        rm -rf "$venv"
        mkdir -p "$venv/bin"
        echo "command = python3 $*" >"$venv/pyvenv.cfg"
        cp "$0" "$venv/bin/python"
        for name in stillair ruff mypy lint-imports; do
            cp "$NOTES/program" "$venv/bin/$name"
        done ;;
    '-m pip --version') echo pip ;;
    '-m pip'*)
        [ -e "$NOTES/no-network" ] && { echo 'no network' >&2; exit 1; }
        echo "$*" >>"$NOTES/pip" ;;
    '-m pytest'*) exec "$NOTES/program" "$@" ;;
esac
"""
PROGRAM = """#!/bin/sh
printf '%s\\n' "$@"
[ "$2" = pytest ] && exec test ! -e "$NOTES/bad-pytest"
test ! -e "$NOTES/bad-${0##*/}"
"""
TOOLS = ["basename", "cat", "chmod", "cksum", "cp", "dirname", "flock", "grep"]
TOOLS += ["mkdir", "nice", "readlink", "rm", "sh", "test"]


class Checkout:
    """A copy of deploy/ in a folder of its own, on a computer with the programs we say."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "a check out"
        self.programs = folder / "bin"
        shutil.copytree(ROOT / "deploy", self.folder / "deploy")
        shutil.copy(ROOT / "pyproject.toml", self.folder)
        self.notes = folder
        self.programs.mkdir()
        self.add_program("program", PROGRAM, folder)
        for tool in TOOLS:
            where = shutil.which(tool)
            assert where, f"{tool} is missing"
            (self.programs / tool).symlink_to(where)

    def add_program(self, name: str, text: str, folder: Path | None = None) -> None:
        path = (folder or self.programs) / name
        path.write_text(text)
        path.chmod(0o755)

    def start(self, *options: str) -> subprocess.CompletedProcess[str]:
        return self.run("start", *options)

    def run(self, command: str, *options: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [self.folder / "deploy" / command, *options],
            cwd="/",
            env={"PATH": str(self.programs), "NOTES": str(self.notes), "VERDICT": "ok"},
            capture_output=True,
            text=True,
            timeout=30,
            check=False,
        )

    def installs(self) -> list[str]:
        """What pip was asked since the last call."""
        notes = self.notes / "pip"
        asked = notes.read_text().splitlines() if notes.exists() else []
        notes.unlink(missing_ok=True)
        return asked


@pytest.fixture
def checkout(tmp_path: Path) -> Checkout:
    return Checkout(tmp_path)


@pytest.fixture
def ready(checkout: Checkout) -> Checkout:
    """A checkout on which start has run once."""
    checkout.add_program("python3", FAKE_PYTHON)
    assert checkout.start().returncode == 0
    checkout.installs()
    return checkout


def test_start_installs_once_with_hashes_and_runs_with_the_options_given(
    checkout: Checkout,
) -> None:
    checkout.add_program("python3", FAKE_PYTHON)
    first = checkout.start("--port", "8421")
    assert (first.returncode, first.stdout.split()) == (0, ["run", "--port", "8421"])
    packages, itself = checkout.installs()
    assert "--require-hashes" in packages
    assert "--only-binary :all:" in packages
    assert "--no-index" in itself

    second = checkout.start("--chamber", "a b.toml")
    assert second.stdout.splitlines() == ["run", "--chamber", "a b.toml"]
    assert second.stderr == ""
    assert checkout.installs() == []


@pytest.mark.parametrize("changed", ["pyproject.toml", "deploy/requirements.txt"])
def test_start_installs_again_when_the_list_has_changed(ready: Checkout, changed: str) -> None:
    with (ready.folder / changed).open("a") as file:
        file.write("# changed\n")
    assert ready.start().returncode == 0
    assert len(ready.installs()) == 2


def test_start_installs_anew_where_the_checkout_was_moved(ready: Checkout) -> None:
    ready.folder = ready.folder.rename(ready.folder.with_name("elsewhere"))
    assert ready.start().returncode == 0
    assert len(ready.installs()) == 2


def test_start_repairs_what_an_interruption_left_half_installed(ready: Checkout) -> None:
    (ready.folder / "pyproject.toml").write_text("# another version\n")
    no_network = ready.notes / "no-network"
    no_network.touch()
    failed = ready.start()
    assert failed.returncode == 1
    assert "Is there a network" in failed.stderr
    assert failed.stdout == ""

    no_network.unlink()
    assert ready.start().returncode == 0
    packages, _ = ready.installs()
    assert "--force-reinstall" in packages
    assert ready.start().returncode == 0
    assert ready.installs() == []


def test_start_makes_a_broken_venv_anew(ready: Checkout) -> None:
    (ready.folder / ".venv" / "bin" / "python").unlink()
    again = ready.start()
    assert again.returncode == 0
    assert "Making" in again.stderr


def lame_python(change: str) -> str:
    """A program that is this Python, with something about it changed before it is judged."""
    return f"""#!/bin/sh
exec '{sys.executable}' -c 'import sys; {change}; exec(sys.argv[1])' "$2"
"""


@pytest.mark.parametrize(
    ("program", "said"),
    [
        pytest.param(None, "apt-get install python3 python3-venv", id="no python3"),
        pytest.param("#!/bin/sh\nexit 127\n", "does not run", id="one that does not run"),
        pytest.param(
            lame_python("sys.version_info = (3, 9, 2)"),
            "is Python 3.9.2, and Stillair needs 3.11",
            id="too old",
        ),
        pytest.param(
            lame_python("sys.modules['ensurepip'] = None".replace("'", '"')),
            "apt-get install python3-venv",
            id="no venv module",
        ),
        pytest.param(lame_python("sys.maxsize = 2**31 - 1"), "32-bit", id="32-bit"),
    ],
)
def test_start_says_in_one_line_what_python_it_lacks(
    checkout: Checkout, program: str | None, said: str
) -> None:
    if program is not None:
        checkout.add_program("python3", program)
    ended = checkout.start()
    assert ended.returncode == 1
    assert said in ended.stderr
    assert len(ended.stderr.splitlines()) == 1
    assert ended.stdout == ""


def test_start_takes_a_later_python_where_python3_is_too_old(checkout: Checkout) -> None:
    checkout.add_program("python3", lame_python("sys.version_info = (3, 9, 2)"))
    checkout.add_program("python3.13", FAKE_PYTHON)
    assert checkout.start().returncode == 0


# --- ./deploy/check ---------------------------------------------------------


@pytest.fixture
def checked(checkout: Checkout) -> Checkout:
    """A checkout on a computer that has all that tests need, and no rights to install more."""
    checkout.add_program("python3", FAKE_PYTHON)
    checkout.add_program("id", "#!/bin/sh\necho 1000\n")
    programs = ("mosquitto", "chromium", "shellcheck", "nginx", "caddy", "openssl", "npm")
    for name in (*programs, "postgres"):
        checkout.add_program(name, PROGRAM)
    return checkout


def test_check_passes_when_every_step_does(checked: Checkout) -> None:
    ended = checked.run("check")
    assert (ended.returncode, ended.stderr.count("Failed")) == (0, 0)
    # They come last, but for what went on beside them.
    assert "== tests\n-m\npytest\n" in ended.stdout.split("== floors")[1]
    assert ended.stdout.rstrip().endswith("\n== types")


@pytest.mark.parametrize(
    ("program", "step"),
    [
        ("shellcheck", "shell scripts"),
        ("ruff", "lint\n  form"),
        ("mypy", "types"),
        ("lint-imports", "floors"),
        ("npm", "tools for the pages\n  types of the pages\n  lint of the pages"),
        ("pytest", "tests"),
    ],
)
def test_check_goes_on_after_a_failed_step_and_fails_at_the_end(
    checked: Checkout, program: str, step: str
) -> None:
    (checked.notes / f"bad-{program}").touch()
    ended = checked.run("check")
    assert ended.returncode == 1
    assert ended.stderr.endswith(f"Failed:\n  {step}\n")
    assert "== tests" in ended.stdout


def test_check_names_a_program_that_it_may_not_install_and_runs_the_rest(
    checked: Checkout,
) -> None:
    (checked.programs / "chromium").unlink()
    ended = checked.run("check")
    assert ended.returncode == 1
    assert "sudo apt-get install chromium\n" in ended.stderr
    assert "== tests" in ended.stdout
    assert ended.stderr.endswith("Failed:\n  Debian packages\n")


# --- what a test may not leave behind ---------------------------------------

LEAVERS = """
import asyncio
import threading

async def test_task():
    asyncio.get_running_loop().kept = asyncio.create_task(asyncio.sleep(60))

def test_thread():
    threading.Thread(target=threading.Event().wait, args=(4,)).start()

async def test_tidy():
    await asyncio.create_task(asyncio.sleep(0))
"""


def test_a_test_that_leaves_a_task_or_a_thread_fails(tmp_path: Path) -> None:
    shutil.copy(ROOT / "tests" / "servers.py", tmp_path)
    text = (ROOT / "tests" / "conftest.py").read_text()
    impatient = re.sub("^ENDING_S = .*", "ENDING_S = 1.0", text, flags=re.MULTILINE)
    assert impatient != text
    (tmp_path / "conftest.py").write_text(impatient)
    (tmp_path / "test_leavers.py").write_text(LEAVERS)
    (tmp_path / "pytest.ini").write_text("[pytest]\nasyncio_mode = auto\npythonpath = .\n")
    ended = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", str(tmp_path)],
        env={**os.environ, "COLUMNS": "200"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    told = re.findall(r"^ERROR \S+::(\w+)", ended.stdout, re.MULTILINE)
    assert sorted(told) == ["test_task", "test_thread"], ended.stdout
