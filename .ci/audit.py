"""Known weaknesses of the locked libraries, as the package registry tells them.

    python .ci/audit.py

Asks PyPI's page of each locked version (``/pypi/<name>/<version>/json``, "vulnerabilities"),
which is where pip-audit looks too. Exit code 1 when one is known. Where the registry is away or
keeps no such pages nothing was looked at: that is said, and is no failure.
"""

from __future__ import annotations

import json
import sys
import tomllib
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

LOCK = Path(__file__).parents[1] / "uv.lock"
_SECONDS = 15.0
_FIRST = 3
"""When it tells of none of so many, it is away."""

Ask = Callable[[str, str], dict[str, Any]]
"""Name and version -> the registry's page. Raises OSError or ValueError when there is none."""


def locked(text: str) -> list[tuple[str, str]]:
    """Name and version of every library in a lock file that comes from the registry."""
    return [(entry["name"], entry["version"]) for entry in tomllib.loads(text)["package"]
            if "registry" in entry.get("source", {})]


def page_of(name: str, version: str) -> dict[str, Any]:
    """The registry's page of one version."""
    with urllib.request.urlopen(
            f"https://pypi.org/pypi/{name}/{version}/json", timeout=_SECONDS) as answer:
        found: dict[str, Any] = json.load(answer)
    return found


def audit(libraries: list[tuple[str, str]], ask: Ask, say: Callable[[str], None]) -> int:
    """Look up ``libraries``; says what was found and returns the exit code."""
    weak = 0
    unseen: list[str] = []
    for place, (name, version) in enumerate(libraries, start=1):
        try:
            known = ask(name, version)["vulnerabilities"]
        except (OSError, ValueError, KeyError) as error:
            unseen.append(name)
            if len(unseen) == place == _FIRST:
                say(f"Dependencies were not audited: the registry does not tell ({error}).")
                return 0
            continue
        for item in known:
            if not item.get("withdrawn"):
                weak += 1
                mended = ", ".join(item.get("fixed_in", ())) or "no version yet"
                say(f"{name} {version}: {item.get('id')}, mended in {mended}. {item.get('link')}")
    say(f"{len(libraries) - len(unseen)} of {len(libraries)} locked libraries looked up, "
        f"{weak} known weaknesses."
        + (f" Not told of: {', '.join(unseen)}." if unseen else ""))
    return 1 if weak else 0


if __name__ == "__main__":
    sys.exit(audit(locked(LOCK.read_text(encoding="utf-8")), page_of, print))
