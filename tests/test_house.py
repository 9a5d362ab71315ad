"""The house in order: imports point one way, style and types hold, docs keep up with code."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from flows.catalogue_page import catalogue_markdown
from flows.cli import COMMANDS

ROOT = Path(__file__).parents[1]


def _run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", *command], cwd=ROOT, text=True,
                          capture_output=True, check=False)


def test_style_holds() -> None:
    done = _run("ruff", "check", "--no-cache", ".")
    assert done.returncode == 0, done.stdout


def test_types_hold() -> None:
    done = _run("mypy")
    assert done.returncode == 0, done.stdout


def test_imports_point_one_way() -> None:
    done = subprocess.run([str(Path(sys.executable).with_name("lint-imports"))], cwd=ROOT,
                          text=True, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout


def test_the_top_level_holds_what_was_designed_and_no_more() -> None:
    done = subprocess.run(["git", "ls-files"], cwd=ROOT, text=True, capture_output=True,
                          check=True)
    top = {line.split("/")[0] for line in done.stdout.splitlines()}
    assert top <= {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "uv.lock",
        ".gitignore", ".ci", "flows", "checks", "warehouse", "shared", "tests", "fixtures",
        "bench", "docs",
    }


def test_no_module_is_a_drawer_for_oddments() -> None:
    names = {path.stem for package in ("flows", "checks", "warehouse", "shared", "fixtures",
                                       "bench")
             for path in (ROOT / package).rglob("*.py")}
    assert not names & {"utils", "util", "helpers", "helper", "common", "misc"}


@pytest.mark.parametrize("package", ["shared", "checks", "warehouse", "flows", "fixtures"])
def test_public_things_say_what_they_are(package: str) -> None:
    silent = []
    for path in (ROOT / package).rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if ast.get_docstring(tree) is None:
            silent.append(str(path.relative_to(ROOT)))
        for node in tree.body:
            if (isinstance(node, (ast.FunctionDef, ast.ClassDef))
                    and not node.name.startswith("_") and ast.get_docstring(node) is None):
                silent.append(f"{path.relative_to(ROOT)}: {node.name}")
    assert silent == []


def test_the_readme_names_every_command() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [c.name for c in COMMANDS if f"tallyweir {c.name}" not in readme] == []


def test_every_command_explains_itself() -> None:
    for command in COMMANDS:
        done = _run("flows.cli", command.name, "--help")
        assert done.returncode == 0
        assert command.help in " ".join(done.stdout.split())


def test_the_page_of_rules_is_made_from_the_rules() -> None:
    page = (ROOT / "docs" / "rules.md").read_text(encoding="utf-8")
    assert page == catalogue_markdown(), "run: python -m flows.catalogue_page"
