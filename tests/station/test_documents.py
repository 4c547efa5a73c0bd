"""What the documents say is what the program does."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import click
import pytest

from control.diagram import draw_states
from station import cli
from station.cautions import CAUTIONS
from station.config.reference import reference_text
from station.record.result import EXIT_STATUS

ROOT = Path(__file__).parents[2]


def document(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def test_the_state_diagram_is_drawn_from_the_table() -> None:
    """When it fails: put the output of `python -m control.diagram` between the marks in DEVELOPERS.md."""
    text = document("DEVELOPERS.md")
    drawn = text.split("<!-- state diagram: begin -->")[1].split("<!-- state diagram: end -->")[0]
    assert drawn == f"\n```mermaid\n{draw_states()}```\n"


def test_the_configuration_reference_is_drawn_from_the_models() -> None:
    """When it fails: `python -m station.config.reference > docs/configuration.md`."""
    assert document("docs/configuration.md") == reference_text()


def test_the_readme_shows_the_cautions() -> None:
    words = " ".join(document("README.md").split())
    for caution in CAUTIONS:
        assert caution in words


def test_the_readme_starts_with_the_job_then_the_commands_then_the_cautions() -> None:
    text = document("README.md")
    places = [text.index(words) for words in ("You set lenses onto a laser beam", "make demo", "## Cautions")]
    assert places == sorted(places)
    assert places[0] < 50


def test_the_readme_lists_every_exit_status() -> None:
    text = document("README.md")
    for outcome, status in EXIT_STATUS.items():
        assert f"| {status} | `{outcome.value}` |" in text


def test_every_command_in_the_readme_exists() -> None:
    named = set(re.findall(r"(?:^|`|/|\\)coincide (\w+)", document("README.md"), re.MULTILINE))
    context = click.Context(cli.cli)
    assert named <= set(cli.cli.list_commands(context))
    assert {"demo", "align", "simulate"} <= named


def test_every_option_in_the_readme_exists() -> None:
    """Each `coincide COMMAND --option` line parses as far as its options go."""
    for line in re.findall(r"coincide (\w+ [^`\n#]*--[^`\n#]*)", document("README.md")):
        command = cli.cli.commands[line.split()[0]]
        known = {name for parameter in command.params for name in parameter.opts}
        assert set(re.findall(r"--[a-z-]+", line)) <= known, line


def test_files_named_in_the_documents_are_there() -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        for link in re.findall(r"\]\(([^)#]+)\)", document(name)):
            assert (ROOT / link).exists(), f"{name} links to {link}"


def test_python_files_named_for_developers_are_there() -> None:
    text = document("DEVELOPERS.md")
    for path in re.findall(r"`((?:optics|driver|vision|control|sim|station)/[\w/]+\.py)`", text):
        assert (ROOT / path).is_file(), path


@pytest.mark.parametrize("room", ["optics", "driver", "vision", "control", "sim", "station"])
def test_every_room_is_in_the_wheel(room: str) -> None:
    found = tomllib.loads(document("pyproject.toml"))["tool"]["setuptools"]["packages"]["find"]["include"]
    assert f"{room}*" in found
