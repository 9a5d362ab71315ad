"""Made-up findings at an invented site of Lantern Bay."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest

from shared.findings import Finding
from shared.flags import EFFECT_FLAG, Effect
from shared.settings import Network, Site

Make = Callable[..., Finding]
AS_OF = dt.date(2026, 5, 18)


@pytest.fixture
def as_of() -> dt.date:
    return AS_OF


@pytest.fixture
def site() -> Site:
    return Site("sedge-creek", "Sedge Creek", "EST5EDT", protocols=("fyke", "seine"))


@pytest.fixture
def network(site: Site) -> Network:
    return Network(
        id="lantern-bay", name="The Lantern Bay count", season_start=(2, 1), season_end=(6, 15),
        licence="CC-BY-4.0", coordinator="", permit_note="Your permit's own terms come first.",
        sites={site.id: site}, thresholds={},
    )


@pytest.fixture
def account() -> dict[str, int]:
    return {"rows": 118, "clean": 101, "held": 3, "queried": 8, "masked": 6, "skipped": 1}


@pytest.fixture
def finding() -> Make:
    def make(row: int | None = 12, **changes: object) -> Finding:
        effect = changes.pop("effect", Effect.QUERY)
        assert isinstance(effect, Effect)
        column = str(changes.pop("column", "F"))
        date = "" if row is None else (dt.date(2026, 3, 1) + dt.timedelta(row)).isoformat()
        given: dict[str, object] = {
            "site": "sedge-creek", "file": "sedge.xlsx", "file_sha256": "0" * 64, "sheet": "Eels",
            "row": row, "cell": f"{column}{row}" if row is not None else "",
            "field": "water_temperature", "rule": "spike", "effect": effect,
            "flag": EFFECT_FLAG[effect], "value": "5.4", "suggestion": "", "suggested": "",
            "message": "It stands alone among its neighbours.", "local_date": date,
        }
        return Finding(**(given | changes))  # type: ignore[arg-type]

    return make


@pytest.fixture
def fahrenheit_column(finding: Make) -> list[Finding]:
    """Three hundred cells of one column in degF, which one answer would settle."""
    return [
        finding(
            row, effect=Effect.MASK, rule="temperature-unit", cause="column-in-degf",
            value=f"{41 + row / 100:.2f}", suggestion=f"{(9 + row / 100) / 1.8:.1f} degC",
            message=f"{41 + row / 100:.2f} in a column of degC reads like degF.",
        )
        for row in range(12, 312)
    ]
