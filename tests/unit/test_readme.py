"""What the pages for people say is what the program takes."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer

from stillair.config import ChamberSettings
from stillair.config.forms import settings_table
from stillair.config.hall_file import HallSettings, hall_from_text
from stillair.config.materials import MATERIALS
from stillair.config.reading import chamber_from_text
from stillair.jobs.rules import RULES
from stillair.simulation.scenario import list_scenarios, load

ROOT = Path(__file__).parents[2]
PAGES = (
    "README.md",
    "hardware.md",
    *(f"deploy/{n}.md" for n in ("hall", "inspect", "jobs", "programs", "settings")),
)
DOCUMENTS = {name: (ROOT / name).read_text() for name in PAGES}
README = DOCUMENTS["README.md"]

CHAMBER = '[chamber]\nname = "north bench"\n'
SENSOR = '[[sensor]]\nname = "other"\ndriver = "onewire"\naddress = "28-0000075c0000"\n'
BROKER = '[mqtt]\nhost = "127.0.0.1"\n'


def rows_under(heading: str, page: str = "README.md") -> list[str]:
    """The rows of the table in the section of this heading, without its two head lines."""
    _, section = re.split(rf"^#+ {heading}\n", DOCUMENTS[page], flags=re.MULTILINE)
    section = re.split(r"^##", section, maxsplit=1, flags=re.MULTILINE)[0]
    return [line for line in section.splitlines() if line.startswith("| `")]


def test_every_setting_stands_in_the_table_and_nothing_else_does() -> None:
    expected = [setting.row() for setting in settings_table()]
    assert len(expected) > 50
    rows = rows_under("Every setting of a chamber file", "deploy/settings.md")
    assert rows == expected, "the table should be:\n" + "\n".join(expected)


def test_every_setting_of_a_hall_stands_in_its_table() -> None:
    """What a chamber file has as well is the same there, and stands in its own table."""
    tables = {field.alias or name for name, field in ChamberSettings.model_fields.items()}
    expected = [
        setting.row()
        for setting in settings_table(HallSettings)
        if setting.key.split(".")[0] not in tables
    ]
    rows = rows_under("The hall file", "deploy/hall.md")
    assert rows == expected, "it should be:\n" + "\n".join(expected)


def test_every_material_stands_with_what_it_bears() -> None:
    assert rows_under("What the box bears") == [
        f"| `{material}` | {facts.bears_c:g} °C | {'yes' if facts.combustible else 'no'}"
        f" | {facts.because} |"
        for material, facts in MATERIALS.items()
    ]


def test_every_rule_of_the_look_before_starting_stands_with_its_reason() -> None:
    assert rows_under("A look before starting", "deploy/jobs.md") == [
        f"| `{rule}` | {about.looks} | {about.because} |" for rule, about in RULES.items()
    ]


def test_every_scenario_stands_with_its_points_and_switches() -> None:
    assert rows_under("Simulated chambers") == [
        f"| `{name}` | {day.summary} | {', '.join(point.name for point in day.sensors)}"
        f" | {', '.join(switch.name for switch in day.contacts) or 'none'} |"
        for name in list_scenarios()
        for day in [load(name)]
    ]


EXAMPLES = [
    pytest.param(block, id=f"{name}-{number}")
    for name, text in DOCUMENTS.items()
    for number, block in enumerate(re.findall(r"```toml\n(.*?)```", text, re.DOTALL), start=1)
]


@pytest.mark.parametrize("block", EXAMPLES)
def test_every_example_is_a_good_chamber_file(block: str, tmp_path: Path) -> None:
    for name in ("mail-password", "webhook-secret", "broker-password", "hall-secret"):
        (tmp_path / name).write_text("three oars in the water\n")
    if "[store]" in block:
        (tmp_path / "store-password").write_text("three oars in the water\n")
        assert hall_from_text(block, "example", tmp_path).name == "boat shed"
        return
    text = "" if "[chamber]" in block else CHAMBER
    text += block
    text += "" if "[[sensor]]" in block else SENSOR
    speaks = '"mqtt"' in block or "mqtt:" in block or re.search(r"^\s*topic =", block, re.MULTILINE)
    text += BROKER if speaks and "[mqtt]" not in block else ""
    settings = chamber_from_text(text, "example", tmp_path)
    assert settings.name == "north bench"


def test_there_are_examples() -> None:
    assert len(EXAMPLES) >= 10


@pytest.mark.parametrize("name", DOCUMENTS)
def test_links_lead_somewhere(name: str) -> None:
    targets = re.findall(r"\]\((?!https?:)([^)]+)\)", DOCUMENTS[name])
    assert targets
    for target in targets:
        file, _, anchor = target.partition("#")
        path = (ROOT / name).parent / file if file else ROOT / name
        assert path.is_file(), target
        if anchor:
            headings = re.findall(r"^#+ (.+)$", path.read_text(), re.MULTILINE)
            known = {re.sub(r"[^a-z0-9 -]", "", h.lower()).replace(" ", "-") for h in headings}
            assert anchor in known, target


def test_the_command_line_stands_with_every_option() -> None:
    from stillair.cli import app

    group = typer.main.get_command(app)
    table = README.split("## Command line\n", 1)[1].split("\n## ", 1)[0].replace("\\|", "|")
    described = {
        " ".join(
            re.findall(r"^stillair ([a-z-]+(?: (?:add|list|remove|sign-out|make|show))?)", row)
        ): set(re.findall(r"--[a-z-]+", row))
        for row in re.findall(r"^\| `(.+?)` \|", table, re.MULTILINE)
    }
    assert isinstance(group, typer.core.TyperGroup)
    assert described == dict(_commands(group))


def _commands(group: typer.core.TyperGroup, before: str = "") -> list[tuple[str, set[str]]]:
    found: list[tuple[str, set[str]]] = []
    for name, command in group.commands.items():
        words = f"{before} {name}".strip()
        if isinstance(command, typer.core.TyperGroup):
            found.extend(_commands(command, words))
            continue
        options = {
            option
            for param in command.params
            for option in (*param.opts, *param.secondary_opts)
            if option.startswith("--") and option != "--help"
        }
        found.append((words, options))
    return found
