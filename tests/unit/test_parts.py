"""What lists the parts says the same as the pins, and each pin is a wheel that a board takes."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections import Counter
from itertools import chain
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.tags import Tag, compatible_tags, cpython_tags
from packaging.utils import canonicalize_name, parse_wheel_filename

ROOT = Path(__file__).resolve().parents[2]
DEPLOY = ROOT / "deploy"
RENEW = "deploy/renew-parts --accept writes them anew"

# Python and the C library of each system for boards, as Debian has them.
BOARDS = {"Debian 12": ((3, 11), 36), "Debian 13": ((3, 13), 41)}


def pinned(path: Path) -> dict[str, tuple[Requirement, set[str]]]:
    """Each requirement of a file of pins with its hashes."""
    found: dict[str, tuple[Requirement, set[str]]] = {}
    text = re.sub(r"^#.*\n", "", path.read_text("utf-8"), flags=re.MULTILINE)
    for entry in text.replace("\\\n", " ").splitlines():
        words, *hashes = entry.split("--hash=")
        requirement = Requirement(words)
        found[canonicalize_name(requirement.name)] = (
            requirement,
            {each.strip().removeprefix("sha256:") for each in hashes},
        )
    return found


PINS = pinned(DEPLOY / "requirements.txt")


def on(board: str) -> dict[str, str]:
    """What the markers of a requirement are judged by."""
    (major, minor), _ = BOARDS[board]
    return {
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
        "platform_machine": "aarch64",
        "platform_system": "Linux",
        "os_name": "posix",
        "sys_platform": "linux",
        "python_version": f"{major}.{minor}",
        "python_full_version": f"{major}.{minor}.0",
    }


def wanted(board: str) -> dict[str, str]:
    """Name and version of each package that is installed there."""
    return {
        name: str(requirement.specifier).removeprefix("==")
        for name, (requirement, _) in PINS.items()
        if requirement.marker is None or requirement.marker.evaluate(on(board))
    }


def taken() -> dict[str, list[tuple[str, str]]]:
    """File and hash of each wheel that a board takes."""
    found: dict[str, list[tuple[str, str]]] = {board: [] for board in BOARDS}
    for line in (DEPLOY / "wheels.txt").read_text("utf-8").splitlines():
        if not line.startswith("#"):
            file, hashed, boards = line.split(" ", 2)
            for board in boards.split(", "):
                found[board].append((file, hashed.removeprefix("sha256:")))
    return found


def installable(board: str) -> set[Tag]:
    """The tags of all wheels that pip installs on a 64-bit ARM board."""
    python, glibc = BOARDS[board]
    platforms = [f"manylinux_2_{minor}_aarch64" for minor in range(17, glibc + 1)]
    platforms += ["manylinux2014_aarch64", "linux_aarch64"]
    abi = f"cp{python[0]}{python[1]}"
    return set(
        chain(
            cpython_tags(python, [abi, "abi3", "none"], platforms),
            compatible_tags(python, abi, platforms),
        )
    )


@pytest.mark.parametrize("board", BOARDS)
def test_an_arm_board_installs_a_wheel_of_each_pinned_package(board: str) -> None:
    named = {}
    tags = installable(board)
    for file, hashed in taken()[board]:
        name, version, _, of_file = parse_wheel_filename(file)
        assert name not in named, f"two wheels of {name}"
        named[str(name)] = str(version)
        assert of_file & tags, f"{board} doesn't install {file}"
        assert hashed in PINS[name][1], f"{file} is no file that is pinned; {RENEW}"
    assert named == wanted(board), RENEW


def test_a_wheel_for_another_python_or_processor_is_not_taken_for_one_that_fits() -> None:
    for file in (
        "numpy-2.4.6-cp312-cp312-manylinux_2_28_aarch64.whl",
        "numpy-2.4.6-cp311-cp311-manylinux_2_28_x86_64.whl",
        "numpy-2.4.6-cp311-cp311-manylinux_2_39_aarch64.whl",
        "numpy-2.4.6-cp311-cp311-musllinux_1_2_aarch64.whl",
    ):
        assert not parse_wheel_filename(file)[3] & installable("Debian 12"), file


# --- the list of parts ------------------------------------------------------------------

SBOM: dict[str, Any] = json.loads((DEPLOY / "sbom.cdx.json").read_text("utf-8"))
VENDORED = json.loads((ROOT / "web/vendor/vendored.json").read_text("utf-8"))["packages"]


def components(of: dict[str, Any]) -> list[dict[str, Any]]:
    """All parts, with the parts of parts."""
    return [part for each in of.get("components", []) for part in (each, *components(each))]


def archives(part: dict[str, Any]) -> set[str]:
    """The hashes of the files in which a part comes."""
    return {each["hashes"][0]["content"] for each in part["externalReferences"]}


def test_the_list_of_parts_has_each_pinned_package_and_no_other() -> None:
    assert (SBOM["bomFormat"], SBOM["specVersion"]) == ("CycloneDX", "1.6")
    listed = {
        part["name"]: part for part in SBOM["components"] if part["purl"].startswith("pkg:pypi/")
    }
    for board in BOARDS:
        assert {name: part["version"] for name, part in listed.items()} == wanted(board), RENEW
    wheels = Counter(hashed for board in taken().values() for _, hashed in board)
    assert {hashed for part in listed.values() for hashed in archives(part)} == set(wheels), RENEW
    for name, part in listed.items():
        assert part["purl"] == f"pkg:pypi/{name}@{part['version']}"


def test_the_list_of_parts_has_the_third_party_files_of_the_page_as_they_are() -> None:
    listed = {
        part["name"]: part for part in SBOM["components"] if part["purl"].startswith("pkg:npm/")
    }
    assert {name: part["version"] for name, part in listed.items()} == {
        package["name"]: package["version"] for package in VENDORED
    }, RENEW
    for package in VENDORED:
        part = listed[package["name"]]
        assert archives(part) == {package["archive_sha256"]}, RENEW
        for file in part["components"]:
            content = (ROOT / file["name"]).read_bytes()
            assert file["hashes"][0]["content"] == hashlib.sha256(content).hexdigest(), RENEW
        assert {file["name"] for file in part["components"]} == {
            f"web/vendor/{file['file']}" for file in package["files"]
        }, RENEW


def test_the_list_of_parts_says_what_needs_what() -> None:
    needs = {each["ref"]: each.get("dependsOn", []) for each in SBOM["dependencies"]}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    asked = {canonicalize_name(Requirement(line).name) for line in project["dependencies"]}
    named = {ref.partition("@")[0].rpartition("/")[2] for ref in needs["stillair"]}
    assert named == asked | {package["name"] for package in VENDORED}
    assert set(needs["pkg:npm/preact@" + VENDORED[0]["version"]]) == set()
    references = {part["bom-ref"] for part in components(SBOM)}
    assert {ref for refs in needs.values() for ref in refs} <= references


# --- licences ------------------------------------------------------------------------------


def rows() -> list[list[str]]:
    """The cells of all tables in the page of licences, but for their heads."""
    lines = (DEPLOY / "licences.md").read_text("utf-8").splitlines()
    cells = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in lines
        if line.startswith("|")
    ]
    return [row for row in cells if row[0] not in ("package", "inside", "---")]


def licence(part: dict[str, Any]) -> str:
    [said] = part["licenses"]
    return str(said.get("expression") or said["license"].get("id"))


@pytest.mark.parametrize(
    "part", [pytest.param(part, id=part["bom-ref"]) for part in SBOM["components"]]
)
def test_each_part_has_a_licence_and_both_lists_say_the_same(part: dict[str, Any]) -> None:
    assert [part["name"], part["version"], licence(part)] in [row[:3] for row in rows()]
    spdx = r"\(*[A-Za-z0-9][A-Za-z0-9.+-]*\)*"
    for each in (part, *components(part)):
        assert re.fullmatch(rf"{spdx}(?: (?:AND|OR|WITH) {spdx})*", licence(each)), each["bom-ref"]
        assert licence(each).lower() not in ("unknown", "none", "noassertion")


def test_what_lies_inside_wheels_is_listed_with_its_licence() -> None:
    inside = [row for row in rows() if len(row) == 4]
    told = Counter((row[0], row[1].partition(" (")[0], row[3]) for row in inside)
    listed = Counter(
        (part["name"], each["name"], licence(each))
        for part in SBOM["components"]
        if part["purl"].startswith("pkg:pypi/")
        for each in components(part)
    )
    assert listed <= told
    assert ("opencv-python-headless", "FFmpeg", "LGPL-2.1-or-later") in listed
    assert ("cryptography", "openssl", "Apache-2.0") in listed


def test_what_needs_a_text_beside_it_brings_one() -> None:
    for row in rows():
        if len(row) == 5:
            assert row[4] != "none", f"{row[0]} brings no text of its licence"
