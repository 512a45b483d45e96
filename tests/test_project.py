"""The project's own rules: style, types, the direction of imports, what the README promises."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
BIN = Path(sys.executable).parent


@pytest.mark.parametrize(
    "call",
    [
        ("ruff", "check", "."),
        ("ruff", "format", "--check", "."),
        ("mypy",),
        ("lint-imports",),
    ],
    ids=" ".join,
)
def test_the_tools_agree(call: tuple[str, ...]) -> None:
    result = subprocess.run(
        [BIN / call[0], *call[1:]], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, result.stdout + result.stderr


def test_every_command_is_in_the_readme_and_has_help() -> None:
    call = [sys.executable, "-m", "extractor.cli"]
    top = subprocess.run([*call, "--help"], capture_output=True, text=True, check=True).stdout
    commands = re.findall(r"^  (\w+)  ", top.partition("Commands:")[2], flags=re.MULTILINE)
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert commands
    for command in commands:
        assert f"ocrlog {command}" in readme
        subprocess.run([*call, command, "--help"], capture_output=True, check=True)


def test_ci_runs_the_test_command_of_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"<!-- tests -->\n```\n(.+)\n```", readme)
    assert command.endswith("-m pytest -n auto")
    assert "README.md" in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_links_between_the_pages_lead_somewhere() -> None:
    for page in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")):
        text = page.read_text(encoding="utf-8")
        for link in re.findall(r"\]\(([^)#:]+)(?:#[^)]*)?\)", text):
            assert (page.parent / link).exists(), f"{page.name}: {link}"
        for named in re.findall(r"`(docs/[a-z0-9/.-]+\.md)`", text):
            assert (ROOT / named).exists(), f"{page.name}: {named}"
