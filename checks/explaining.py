"""How a finding is put to a person: one plain sentence of what is odd, one of what to do."""

from __future__ import annotations

from string import Formatter

from checks.rule import Case, Limits, Probe, Rule, shown
from shared.fields import FIELDS, Kind
from shared.taxa import TAXA
from shared.units import convert

_KIND_WORDS = {
    Kind.NUMBER: "a number",
    Kind.WHOLE: "a whole number",
    Kind.DATE: "a date",
    Kind.TIME: "a time of day",
    Kind.CHOICE: "one of the known words",
    Kind.TAXON: "a name of an animal",
    Kind.TEXT: "text",
}


def span_in_words(low: float | None, high: float | None, field_id: str, unit: str | None) -> str:
    """A range as a person says it, in the unit of the sheet: "between -1 and 28 degC"."""
    home = FIELDS[field_id].unit

    def written(value: float) -> str:
        if unit is not None and home is not None and unit != home:
            value = convert(value, home, unit)
        return shown(value, field_id, unit or home)

    if low is not None and high is not None:
        first = written(low).split(" ")[0]
        return f"between {first} and {written(high)}"
    if low is not None:
        return f"{written(low)} or more"
    return f"{written(high or 0.0)} or less"


def words_for(case: Case, limits: Limits) -> dict[str, str]:
    """Everything a message template may use, as text."""
    entry = FIELDS[case.field]
    unit = case.unit or entry.unit
    written = case.written
    words: dict[str, str] = {name: f"{value:g}" for name, value in limits.items()}
    words |= {name: "" if value is None else str(value) for name, value in case.facts.items()}
    taxon = case.facts.get("taxon")
    what = TAXA[str(taxon)].vernacular if taxon in TAXA else ""
    stage = case.facts.get("life_stage")
    words |= {
        "field": entry.title,
        "raw": case.raw or ("" if written is None else f"{written:g}"),
        "unit": unit or "",
        "kind": _KIND_WORDS[entry.kind],
        "value": "" if case.value is None else f"{case.value:g}",
        "written": case.raw if written is None else shown(written, case.field, unit),
        "what": f"{what} ({stage})" if what and stage else (what or "animals"),
    }
    for name in ("was", "then"):
        beside = case.fact(name) if name in case.facts else None
        if beside is not None and entry.unit is not None:
            written_so = convert(beside, entry.unit, unit or entry.unit)
            words[f"{name}_written"] = shown(written_so, case.field, unit or entry.unit)
        elif name in case.facts:
            words[f"{name}_written"] = "nothing"
    if "low" in case.facts or "high" in case.facts:
        span = span_in_words(case.fact("low"), case.fact("high"), case.field, unit)
        words["bounds"] = f"it lies {span}" if span.startswith("between") else f"it is {span}"
        words["bounds_usual"] = span
    choices = case.facts.get("choices")
    words["choices_known"] = f" (known: {choices})" if choices else ""
    twin_sheet, other_file = case.facts.get("twin_sheet"), case.facts.get("other_file")
    elsewhere = bool(twin_sheet) and twin_sheet != case.facts.get("sheet")
    apart = f" of sheet {twin_sheet}" if elsewhere else ""
    words["twin_place"] = f"{apart} in {other_file}" if other_file else apart
    return words


def explain(
    rule: Rule, probe: Probe, case: Case, limits: Limits, instead: str | None = None
) -> str:
    """The finding's message: what is odd, then what to do.

    ``instead`` is a suggestion's own story, whole, in place of the rule's.
    """
    words = words_for(case, limits)
    if instead is not None:
        return instead.format_map(words)
    template = probe.message or rule.message
    return f"{template.format_map(words)} {rule.remedy.format_map(words)}"


def template_names(template: str) -> set[str]:
    """Names that a message template uses."""
    return {name for _, name, _, _ in Formatter().parse(template) if name}
