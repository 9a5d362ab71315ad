"""The catalogue as a document: every rule says what, why, whence and what to do."""

from __future__ import annotations

import re

import pytest

from checks.catalogue import CATALOGUE
from checks.explaining import span_in_words, template_names
from checks.judging import bind
from checks.relations import SCANNED
from checks.rule import Over, Rule, shown
from shared.fields import FIELDS
from shared.units import UNITS
from tests.checks.made_up_sheets import network_with

RULES = list(CATALOGUE.values())

CASE_WORDS = {
    "field", "raw", "unit", "kind", "value", "written", "what", "bounds", "bounds_usual",
    "choices_known", "twin_place", "was_written", "then_written",
}
"""What :func:`checks.explaining.words_for` gives every message besides facts and thresholds."""


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_a_rule_says_what_why_whence_and_what_to_do(rule: Rule) -> None:
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", rule.id)
    for text in (rule.title, rule.about, rule.source, rule.message, rule.remedy):
        assert text.strip() == text and len(text) >= 5
    for sentence in (rule.about, rule.message, rule.remedy):
        assert sentence.endswith((".", "?"))
    assert rule.version >= 1


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_the_example_fills_the_message(rule: Rule) -> None:
    names = template_names(rule.message) | template_names(rule.remedy)
    assert names == set(rule.example)
    assert "{" not in rule.message.format_map(rule.example)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_every_word_a_message_uses_is_brought_along(rule: Rule) -> None:
    network = network_with()
    for probe in rule.probes(rule.limits(network), network):
        brought = CASE_WORDS | set(rule.thresholds) | set(probe.facts)
        assert template_names(probe.message or rule.message) <= brought


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_it_yields_only_to_rules_there_are(rule: Rule) -> None:
    assert set(rule.yields_to) <= set(CATALOGUE) - {rule.id}


def test_no_two_rules_yield_to_each_other() -> None:
    # Else two findings would silence each other and nobody would hear of either.
    def stronger(rule: str, seen: frozenset[str] = frozenset()) -> set[str]:
        return {above for name in CATALOGUE[rule].yields_to if name not in seen
                for above in {name} | stronger(name, seen | {name})}

    assert [rule.id for rule in RULES if rule.id in stronger(rule.id)] == []


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.id)
def test_thresholds_have_units_we_know_and_words(rule: Rule) -> None:
    for name, threshold in rule.thresholds.items():
        assert re.fullmatch(r"[a-z_]+", name)
        assert threshold.unit == "" or threshold.unit in UNITS
        assert threshold.about


def test_probes_look_at_fields_of_the_dictionary() -> None:
    for item in bind(network_with()):
        assert item.probe.field in FIELDS
        if item.probe.rows is not None:
            assert item.probe.over in (Over.TALLIES, Over.WATER)
        if item.probe.guard is not None:
            assert item.probe.over in SCANNED | {Over.KINDS}
            assert "SELECT" not in str(item.probe.guard)


def test_stable_rule_ids_that_rows_are_judged_by_are_there() -> None:
    # The ids of the design contract that the catalogue holds; they never change.
    assert set(CATALOGUE) >= {
        "missing-required", "not-understood", "out-of-range", "implausible", "not-in-list",
        "temperature-unit", "conductivity-unit", "precipitation-unit", "oxygen-unit",
        "count-negative", "count-fractional", "subsample-expansion", "sum-of-parts",
        "fish-accounting", "effort-missing", "effort-mismatch", "set-after-check",
        "soak-too-long", "soak-overlap", "count-while-not-fishing", "zero-or-blank",
        "date-out-of-season", "date-in-future", "date-unreadable", "duplicate-event",
        "vanished-row",
    }


@pytest.mark.parametrize(("value", "field", "unit", "text"), [
    (5.0, "water_temperature", "degC", "5 degC"),
    (8.888, "water_temperature", "degC", "8.9 degC"),
    (48.02, "water_temperature", "degF", "48 degF"),
    (12.4, "specific_conductance", "mS/cm", "12.4 mS/cm"),
    (-0.04, "water_temperature", "degC", "0 degC"),
    (7.2, "ph", "1", "7.2"),
    (5270.0, "count", "1", "5270"),
    (44.63, "latitude", "deg", "44.63"),
])
def test_numbers_are_shown_as_people_write_them(
    value: float, field: str, unit: str, text: str
) -> None:
    assert shown(value, field, unit) == text


@pytest.mark.parametrize(("low", "high", "unit", "text"), [
    (-1.0, 28.0, None, "between -1 and 28 degC"),
    (-1.0, 28.0, "degF", "between 30.2 and 82.4 degF"),
    (0.0, None, "degC", "0 degC or more"),
    (None, 28.0, "degC", "28 degC or less"),
])
def test_ranges_are_said_in_the_sheets_unit(
    low: float | None, high: float | None, unit: str | None, text: str
) -> None:
    assert span_in_words(low, high, "water_temperature", unit) == text
