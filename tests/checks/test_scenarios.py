"""Every rule, five questions: fine rows, the odd row, missing values, edges, thresholds.

All scenarios share three judgements: under the catalogue's own thresholds, and with each
scenario's changed ones (scenarios of one rule that change the same threshold go apart).
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass

import pytest

from checks.catalogue import CATALOGUE
from shared.findings import Finding
from tests.checks import scenarios, scenarios_of_series, scenarios_of_water_and_fish
from tests.checks.made_up_sheets import MadeUpSheet, judged, network_with, of_sheet, sites_of
from tests.checks.scenarios import Scenario

SCENARIOS = (scenarios.SCENARIOS + scenarios_of_series.SCENARIOS
             + scenarios_of_water_and_fish.SCENARIOS)
NEIGHBOURS = (scenarios.NEIGHBOURS | scenarios_of_series.NEIGHBOURS_HERE
              | scenarios_of_water_and_fish.NEIGHBOURS_HERE)

RELAXATIONS = {"relaxed": "limits", "unoffered": "offers"}
"""Kind of value -> where a scenario says which thresholds it is judged by."""


@dataclass(frozen=True)
class Laid:
    """A sheet of a scenario, the row looked at, and what its rule found in that row."""

    sheet: MadeUpSheet
    row: int
    found: list[Finding]


def _values(scenario: Scenario) -> list[tuple[str, object]]:
    values: list[tuple[str, object]] = [("fine", value) for value in scenario.fine]
    values.append(("odd", scenario.odd))
    if scenario.blank is not ...:
        values.append(("blank", scenario.blank))
    if scenario.edge is not None:
        values += [("inside", scenario.edge[0]), ("beyond", scenario.edge[1])]
    return values


def _judge(
    wanted: list[tuple[Scenario, str, object]], thresholds: dict[str, dict[str, float]]
) -> dict[tuple[str, str], list[Laid]]:
    laid = [(scenario, kind, *scenario.sheet(value)) for scenario, kind, value in wanted]
    sheets = [sheet for _, _, sheet, _ in laid]
    findings = judged(
        sheets, network_with(thresholds=thresholds, sites=sites_of(sheets)), NEIGHBOURS)
    out: dict[tuple[str, str], list[Laid]] = defaultdict(list)
    for scenario, kind, sheet, row in laid:
        found = [f for f in of_sheet(findings, sheet)
                 if f.rule == scenario.rule and f.field == scenario.field and f.row == row]
        out[scenario.id, kind].append(Laid(sheet, row, found))
    return out


@pytest.fixture(scope="module")
def laid() -> dict[tuple[str, str], list[Laid]]:
    """(scenario id, kind of value) -> what was laid and found."""
    plain = [(s, kind, value) for s in SCENARIOS for kind, value in _values(s)]
    out = _judge(plain, {})
    waves: list[tuple[list[tuple[Scenario, str, object]], dict[str, dict[str, float]]]] = []
    changed = [(s, kind, getattr(s, name)) for s in SCENARIOS for kind, name in RELAXATIONS.items()]
    for scenario, kind, limits in changed:
        if not limits:
            continue
        free = [wave for wave in waves if scenario.rule not in wave[1]]
        if not free:
            waves.append(([], {}))
        wanted, thresholds = free[0] if free else waves[-1]
        wanted.append((scenario, kind, scenario.odd))
        thresholds[scenario.rule] = dict(limits)
    for wanted, thresholds in waves:
        out |= _judge(wanted, thresholds)
    return out


def _with(kind: str) -> list[Scenario]:
    if kind in RELAXATIONS:
        return [s for s in SCENARIOS if getattr(s, RELAXATIONS[kind])]
    return [s for s in SCENARIOS if kind in [k for k, _ in _values(s)]]


def test_every_rule_has_a_scenario() -> None:
    assert {s.rule for s in SCENARIOS} == set(CATALOGUE)


def test_every_threshold_is_changed_by_some_scenario() -> None:
    changed = {(s.rule, name) for s in SCENARIOS for name in (*s.limits, *s.offers)}
    assert changed == {(r.id, name) for r in CATALOGUE.values() for name in r.thresholds}


def test_scenarios_have_names_of_their_own() -> None:
    assert len({s.id for s in SCENARIOS}) == len(SCENARIOS)


@pytest.mark.parametrize("scenario", _with("fine"), ids=lambda s: s.id)
def test_a_fine_row_passes(scenario: Scenario, laid: dict[tuple[str, str], list[Laid]]) -> None:
    assert [one.found for one in laid[scenario.id, "fine"]] == [[] for _ in scenario.fine]


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda s: s.id)
def test_the_odd_row_is_found(scenario: Scenario, laid: dict[tuple[str, str], list[Laid]]) -> None:
    (one,) = laid[scenario.id, "odd"]
    (finding,) = one.found
    assert (finding.effect, finding.flag) == (scenario.effect, scenario.flag)
    assert finding.message == scenario.message
    assert finding.suggestion == scenario.suggestion
    if scenario.cell is None:
        assert finding.cell == ""
    else:
        assert finding.cell == one.sheet.cell(
            one.row, scenario.cell or scenario.field, scenario.stage)


@pytest.mark.parametrize("scenario", _with("blank"), ids=lambda s: s.id)
def test_a_missing_value_does_not_fire(
    scenario: Scenario, laid: dict[tuple[str, str], list[Laid]]
) -> None:
    (one,) = laid[scenario.id, "blank"]
    assert one.found == []


@pytest.mark.parametrize("scenario", _with("inside"), ids=lambda s: s.id)
def test_the_edge_is_where_it_is_said_to_be(
    scenario: Scenario, laid: dict[tuple[str, str], list[Laid]]
) -> None:
    (inside,), (beyond,) = laid[scenario.id, "inside"], laid[scenario.id, "beyond"]
    assert inside.found == []
    assert len(beyond.found) == 1


@pytest.mark.parametrize("scenario", _with("relaxed"), ids=lambda s: s.id)
def test_a_changed_threshold_changes_the_outcome(
    scenario: Scenario, laid: dict[tuple[str, str], list[Laid]]
) -> None:
    (one,) = laid[scenario.id, "relaxed"]
    assert [f for f in one.found if f.effect is scenario.effect] == []


@pytest.mark.parametrize("scenario", _with("unoffered"), ids=lambda s: s.id)
def test_a_changed_threshold_changes_what_is_suggested(
    scenario: Scenario, laid: dict[tuple[str, str], list[Laid]]
) -> None:
    (one,) = laid[scenario.id, "unoffered"]
    assert scenario.suggestion
    assert [(f.effect, f.suggestion) for f in one.found] == [(scenario.effect, "")]


def test_rows_that_nothing_is_odd_about_pass_every_rule() -> None:
    fyke, seine, water = MadeUpSheet(), MadeUpSheet(protocol="seine"), MadeUpSheet(protocol="water")
    for day in range(8):
        fyke.row(day, water_temperature=4.0 + day / 4, salinity=8.0, ph=7.1,
                 dissolved_oxygen=11.5, tide_stage="ebb", observers=3.0,
                 catches=[{"count": 12.0, "released": 11.0, "mortality": 1.0, "kept": 0.0},
                          {"life_stage": "elver", "count": 0.0}])
        seine.row(day, haul_area=120.0)
        water.row(day, water_temperature=5.0, catches=[])
    assert judged([fyke, seine, water]) == []
