"""The catalogue of rules for people: on the terminal, as JSON, and as the page in docs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from checks.catalogue import CATALOGUE
from checks.rule import Rule
from shared.fields import FIELDS
from shared.settings import lone_site

if TYPE_CHECKING:
    from rich.console import Console

_EFFECTS = {
    "hold": "the row waits outside the clean table until someone decides",
    "mask": "the row loads and the value is withheld",
    "query": "the row loads, the value is marked suspect and the lead is asked",
    "note": "for information only",
}


def _fields(rule: Rule) -> list[str]:
    network = lone_site()
    probes = rule.probes(rule.limits(network), network)
    return sorted({probe.field for probe in probes}, key=list(FIELDS).index)


def example_message(rule: Rule) -> str:
    """The rule's message with its example's words."""
    words = {name: f"{spec.default:g}" for name, spec in rule.thresholds.items()}
    words |= {name: str(value) for name, value in rule.example.items()}
    return f"{rule.message.format_map(words)} {rule.remedy.format_map(words)}"


def catalogue_document() -> list[dict[str, Any]]:
    """Every rule as plain data."""
    return [
        {
            "id": rule.id, "title": rule.title, "about": rule.about, "effect": rule.effect.value,
            "fields": _fields(rule), "source": rule.source, "version": rule.version,
            "thresholds": {
                name: {"default": spec.default, "unit": spec.unit, "about": spec.about}
                for name, spec in rule.thresholds.items()},
            "example": example_message(rule),
        }
        for rule in CATALOGUE.values()
    ]


def print_catalogue(console: Console) -> None:
    """One short block a rule."""
    from rich.markup import escape

    for entry in catalogue_document():
        console.print(f"[bold]{entry['id']}[/bold]  {entry['effect']}")
        console.print(escape(f"  {entry['title']}. {entry['about']}"))
        for name, spec in entry["thresholds"].items():
            unit = f" {spec['unit']}" if spec["unit"] else ""
            console.print(escape(f"  {name} = {spec['default']:g}{unit}: {spec['about']}"))
        console.print(escape(f"  e.g. {entry['example']}"))
        console.print(escape(f"  source: {entry['source']}"))


def catalogue_markdown() -> str:
    """The page ``docs/rules.md``; a test holds the file to it."""
    lines = [
        "# The rule catalogue",
        "",
        "Made from the rules themselves by `python -m flows.catalogue_page`; do not edit.",
        "",
        "A rule has one of four effects:",
        "",
        *(f"- **{effect}**: {what}." for effect, what in _EFFECTS.items()),
        "",
        "Thresholds are set in `network.toml`, as in",
        "",
        "```toml",
        "[thresholds.soak-too-long]",
        "query_hours = 60",
        "```",
    ]
    for entry in catalogue_document():
        lines += ["", f"## {entry['id']}", "", f"*{entry['title']}* ({entry['effect']}). "
                  f"{entry['about']}", "", f"> {entry['example']}", "",
                  f"Looks at: {', '.join(entry['fields'])}.  ", f"Source: {entry['source']}."]
        if entry["thresholds"]:
            lines += ["", "| threshold | default | |", "| --- | --- | --- |"]
            lines += [f"| {name} | {spec['default']:g} {spec['unit']} | {spec['about']} |"
                      for name, spec in entry["thresholds"].items()]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    from pathlib import Path

    page = Path("docs") / "rules.md"
    page.write_text(catalogue_markdown(), encoding="utf-8", newline="\n")
