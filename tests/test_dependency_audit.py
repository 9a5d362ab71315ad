"""The audit of dependencies fails for a known weakness, and never for a registry that is away."""

from __future__ import annotations

import runpy
import tomllib
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
AUDIT = runpy.run_path(str(ROOT / ".ci" / "audit.py"))
LIBRARIES = [("one", "1.0"), ("two", "2.0"), ("three", "3.0"), ("four", "4.0")]
WEAKNESS = {"id": "PYSEC-0", "fixed_in": ["2.1"], "link": "https://example.org", "withdrawn": None}


def _audited(ask: Any) -> tuple[int, str]:
    said: list[str] = []
    code = AUDIT["audit"](LIBRARIES, ask, said.append)
    return code, "\n".join(said)


@pytest.mark.parametrize(("item", "code", "words"), [
    (WEAKNESS, 1, "two 2.0: PYSEC-0, mended in 2.1"),
    (WEAKNESS | {"withdrawn": "2026-01-01"}, 0, "4 of 4 locked libraries looked up, 0 known"),
])
def test_a_known_weakness_fails_unless_it_was_withdrawn(
    item: dict[str, Any], code: int, words: str
) -> None:
    found = _audited(lambda name, _: {"vulnerabilities": [item] if name == "two" else []})
    assert found[0] == code and words in found[1]


@pytest.mark.parametrize("error", [OSError("no route"), ValueError("no JSON")])
def test_a_registry_that_does_not_tell_is_said_and_no_failure(error: Exception) -> None:
    def away(name: str, version: str) -> dict[str, Any]:
        raise error

    code, said = _audited(away)
    assert code == 0 and "were not audited" in said and str(error) in said


def test_a_library_that_is_not_told_of_is_named() -> None:
    def some(name: str, version: str) -> dict[str, Any]:
        if name == "three":
            raise OSError("404")
        return {"vulnerabilities": []}

    assert _audited(some) == (
        0, "3 of 4 locked libraries looked up, 0 known weaknesses. Not told of: three.")


def test_every_locked_library_is_asked_about() -> None:
    text = (ROOT / "uv.lock").read_text(encoding="utf-8")
    named = {entry["name"] for entry in tomllib.loads(text)["package"]}
    assert named - {name for name, _ in AUDIT["locked"](text)} == {"tallyweir"}
