"""No command without words: every command and option explains itself, and the README names every command."""

import re
from pathlib import Path

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from identify.command_line import app
from identify.commands.late_reference import REFERENCE_HELP
from identify.commands.reference import reference_app

README = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")
ABOUT_PHOTOS = "--reference --card-at --coin --scale-points --sheet --known --look-at --json --overlay --report"
DESIGNED = {
    "identify": ABOUT_PHOTOS,
    "measure": ABOUT_PHOTOS,
    "reference import": "--reference",
    "reference export": "--reference",
    "reference list": "--reference",
    "reference show": "--reference",
    "reference add": "--reference",
    "reference check": "--reference",
    "card": "--size --paper",
    "serve": "--host --port --reference --data --certificate --key",
    "users add": "--role --data",
    "users list": "--data",
    "users remove": "--data",
}
"""The outside interface that checks outside the project rely on."""


def commands():
    """(words of the command, command) of every command that can be run."""
    for name, command in get_command(app).commands.items():
        if name in ("reference", "users"):
            yield from ((f"{name} {sub}", c) for sub, c in command.commands.items())
        else:
            yield name, command


COMMANDS = dict(commands())


def test_the_outside_interface_is_all_there():
    assert set(COMMANDS) >= set(DESIGNED)
    for name, options in DESIGNED.items():
        offered = {option for parameter in COMMANDS[name].params for option in parameter.opts}
        assert offered >= set(options.split()), name


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_explains_itself_with_an_example(name):
    text = CliRunner().invoke(app, [*name.split(), "--help"], env={"COLUMNS": "80"}, terminal_width=80).stdout
    assert COMMANDS[name].help
    assert re.search(rf"Examples?:\n(.*\n)*\s+untagged {name}", text), text
    if not name.startswith("reference"):  # those list column names, which stay whole
        assert max(map(len, text.splitlines())) <= 80


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_option_has_help(name):
    for parameter in COMMANDS[name].params:
        if "--help" in parameter.opts:
            continue
        assert (getattr(parameter, "help", "") or "").strip(), f"{name}: {parameter.name} has no help"


@pytest.mark.parametrize("name", ["identify", "measure", "card", "serve"])
def test_every_option_shows_an_example(name):
    for parameter in COMMANDS[name].params:
        if parameter.param_type_name == "option" and "--help" not in parameter.opts:
            assert "Example" in parameter.help or "example" in parameter.help, f"{name} {parameter.opts}"


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_the_readme_names_every_command(name):
    group = name.split()[0]
    assert f"untagged {name}" in README or (group in ("reference", "users") and f"untagged {group} " in README)


def test_options_named_in_the_readme_exist():
    offered = {o for command in COMMANDS.values() for p in command.params for o in p.opts} | {
        "--help",
        "--version",
    }
    lines = [line for line in README.splitlines() if re.match(r"\s*untagged ", line)]
    assert lines
    for line in lines:
        for option in re.findall(r"(?<!\S)--[a-z-]+", line.split("#")[0]):
            assert option in offered, line


def test_the_short_help_of_a_late_command_matches_the_real_one():
    """Both open with the same words, although the real one is only built when it is called."""
    assert reference_app.info.help.split(":")[0].split()[:4] == REFERENCE_HELP.split()[:4]
