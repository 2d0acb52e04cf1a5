"""What the documents promise exists."""

from __future__ import annotations

import re
import runpy
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from legibility.api import model_card
from legibility.cli import cli
from legibility.report.record import FIELDS

ROOT = Path(__file__).parent.parent
README = ROOT / "README.md"


def shell_lines(text: str) -> list[str]:
    """Steps of all ``sh`` and ``console`` blocks, continuation lines joined."""
    blocks = re.findall(r"^```(?:sh|console)\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    joined = "\n".join(blocks).replace("\\\n", " ")
    return [step.strip().removeprefix("$ ") for step in re.split(r"\n|&&|\|", joined)]


def program_calls(text: str) -> list[list[str]]:
    """Arguments of every call of this program in a document."""
    calls = []
    for line in shell_lines(text):
        words = shlex.split(line, comments=True) if line else []
        if words and Path(words[0]).name == "legibility":
            calls.append(words[1:])
    return calls


@pytest.mark.parametrize("document", [README, ROOT / "DEVELOPERS.md"], ids=lambda path: path.name)
def test_only_commands_and_options_that_exist_are_called(document: Path) -> None:
    calls = program_calls(document.read_text("utf-8"))
    assert calls
    for words in calls:
        if not words or words[0].startswith("-"):
            continue
        assert words[0] in cli.commands, words
        command = cli.commands[words[0]]
        deeper = words[1:]
        while isinstance(command, click.Group) and deeper:
            assert deeper[0] in command.commands, words
            command, deeper = command.commands[deeper[0]], deeper[1:]
        known = {
            option
            for parameter in command.params
            if isinstance(parameter, click.Option)
            for option in (*parameter.opts, *parameter.secondary_opts)
        } | {"--help", "-h"}
        used = {word.split("=")[0] for word in words[1:] if re.match(r"--?[a-z]", word)}
        assert used <= known, words


def command_names() -> list[str]:
    """Of all commands, those of groups as ``herd check``."""
    names = list(cli.commands)
    for name, command in cli.commands.items():
        if isinstance(command, click.Group):
            names += [f"{name} {inner}" for inner in command.commands]
    return names


@pytest.mark.parametrize("name", command_names())
def test_every_command_is_in_the_readme(name: str) -> None:
    assert f"legibility {name}" in README.read_text("utf-8")


def test_every_field_of_the_contract_is_in_the_readme() -> None:
    text = README.read_text("utf-8")
    assert [field for field in FIELDS if f"`{field}`" not in text] == []


def test_the_card_has_no_experiments() -> None:
    assert "# Findings of experiments" in DOCUMENTS[-1].read_text("utf-8")
    card = model_card()
    assert "# Model card" in card
    assert "# Findings of experiments" not in card


@pytest.mark.parametrize(("number", "wanted"), [("1", "legibility demo"), ("2", "pytest")])
def test_set_up_begins_with_the_demo_and_the_tests(number: str, wanted: str) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "readme_command.py"), str(README), number],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert wanted in done.stdout


def test_links_between_documents_lead_somewhere() -> None:
    for document in [*sorted(ROOT.glob("*.md")), ROOT / "sample_images" / "README.md"]:
        for address in re.findall(r"\]\(([^)#\s]+)", document.read_text("utf-8")):
            if "://" not in address and not address.startswith("mailto:"):
                assert (document.parent / address).exists(), f"{document.name}: {address}"


PACKAGE = ROOT / "legibility"
DOCUMENTS = (README, ROOT / "DEVELOPERS.md", PACKAGE / "models" / "findings.md")
NAMED = re.compile(r"(?:legibility[./])?[a-z_]+(?:[./][A-Za-z_0-9]+)+(?:\.[a-z]+)?")
"""A module, what it defines, or a file: ``read.fusion``, ``web/seen.py``, ``models/card.md``."""
DATA = re.compile(r"herd\.(?:db|web)\b|(?:dies|mark)\.json|read\.pickle")
"""Files that are called like a package: a herd's record, the server's folder, a fit."""


def of_the_package(document: Path) -> list[str]:
    """Names in backticks, or run with ``python -m``, that begin as something of the package."""
    text = document.read_text("utf-8")
    prose = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    quoted = [name for name in re.findall(r"`([^`]+)`", prose) if NAMED.fullmatch(name)]
    first = {path.name.removesuffix(".py") for path in PACKAGE.iterdir()} - {"__pycache__"}
    names = quoted + re.findall(r"python\s-m\s(legibility\.[a-z_.]+)", text)
    names = [re.sub(r"^legibility[./]", "", name) for name in names]
    return [name for name in names if re.split(r"[./]", name)[0] in first and not DATA.match(name)]


def exists(name: str) -> bool:
    """Whether a file, a folder, a module, or a name that a module defines is there."""
    if (PACKAGE / name).exists():
        return True
    parts = re.split(r"[./]", name.removesuffix(".py"))
    for at in range(len(parts), 0, -1):
        path = PACKAGE.joinpath(*parts[:at])
        if path.is_dir():
            return at == len(parts)
        if (module := path.with_suffix(".py")).exists():
            source = module.read_text("utf-8")
            return all(
                re.search(rf"^\s*(def |class |){part}\b\s*[(:=\[]", source, re.MULTILINE)
                for part in parts[at:]
            )
    return False


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_modules_and_functions_that_documents_name_exist(document: Path) -> None:
    assert [name for name in of_the_package(document) if not exists(name)] == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.name)
def test_tests_and_programs_that_documents_name_exist(document: Path) -> None:
    named = re.findall(
        r"(?<![\w/])((?:tests|\.ci|notebooks)/[\w./]*\w)", document.read_text("utf-8")
    )
    assert [name for name in named if not (ROOT / name).exists()] == []


@pytest.mark.parametrize(
    ("name", "there"),
    [
        ("pipeline.poses.glance", True),
        ("web/seen.py", True),
        ("misreadings.RiskColumns.record", True),
        ("models/card.md", True),
        ("read", True),
        ("pipeline.poses.no_such_function", False),
        ("pipeline/no_such_module", False),
    ],
)
def test_what_counts_as_existing(name: str, there: bool) -> None:
    assert exists(name) is there


def test_every_dependency_has_its_reason() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    wanted = list(project["dependencies"])
    for extra in project["optional-dependencies"].values():
        wanted += extra
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    names = {re.split(r"[\[<>=;~ ]", requirement)[0] for requirement in wanted}
    assert {name for name in names if f"`{name}`" not in text} == set()


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("old\n", "head\n1\n2\n3\n"),
        ("old\nold\n...\n", "head\n1\n...\n"),
        ("...\n1\nold\n", "...\n1\n2\n3\n"),
        ("...\n1\nold\n...\n", "...\n1\n2\n...\n"),
    ],
)
def test_outputs_in_the_readme_keep_the_part_that_they_show(before: str, after: str) -> None:
    path = ROOT / ".ci" / "readme_output.py"
    shown = runpy.run_path(str(path))["shown"]
    assert shown("head\n1\n2\n3\n", before) == after


@pytest.mark.parametrize(
    "beginning", ["check", "read sample_images/upside-down.jpg", "registry sample_images"]
)
def test_examples_print_what_the_readme_shows(
    beginning: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Marks, animals and remedies; figures may differ a little between releases of libraries.

    After new networks or fits: ``python .ci/readme_output.py README.md``.
    """
    monkeypatch.chdir(ROOT)
    examples = re.findall(
        r"```sh\nlegibility ([^\n]*)\n```\n\n```text\n(.*?)```\n",
        README.read_text("utf-8"),
        flags=re.DOTALL,
    )
    ((arguments, shown),) = [found for found in examples if found[0].startswith(beginning)]
    done = CliRunner().invoke(cli, shlex.split(arguments))
    assert done.exit_code == 0, done.output

    def kept(text: str) -> list[str]:
        wanted = r"sample_images/|  Mark |  - |  Advice |    \*  \S|  [a-z].* [A-G] '"
        lines = [line.rstrip() for line in text.splitlines() if re.match(wanted, line)]
        return [re.sub(r"[\d.]+ %.*", "N %", line) for line in lines]

    printed = kept(done.stdout)
    assert kept(shown) == (printed[: len(kept(shown))] if shown.endswith("...\n") else printed)
    assert kept(shown)
