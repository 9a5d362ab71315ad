"""What decisions, a row's life and a rebuild look like on a terminal, and as JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

    from flows.answers.deciding import Decided
    from flows.history import Life
    from flows.rebuilding import Rebuilt

_SHOWN = 30


def decided_document(done: Decided, dry_run: bool) -> dict[str, Any]:
    """What ``decide --json`` prints."""
    return {
        "dry_run": dry_run,
        "answers": [
            {"about": item.answer.about, "outcome": item.came.value, "why": item.why,
             "decisions": [_plain(decision) for decision in item.decisions]}
            for item in done.outcomes],
        "recorded": [item.seq for item in done.recorded],
        "clean_table": [
            dict(zip(("event_id", "what", "before", "after"), row, strict=True))
            for row in done.events],
        "season_totals": [
            dict(zip(("site", "season", "taxon", "life_stage", "before", "after"), row,
                     strict=True)) for row in done.totals],
    }


def _plain(decision: Any) -> dict[str, Any]:
    return {key: value if isinstance(value, int) else str(value)
            for key, value in asdict(decision).items()}


def print_decided(console: Console, done: Decided, dry_run: bool) -> None:
    """The outcome of a wish, and what it changes."""
    from rich import box
    from rich.markup import escape
    from rich.table import Table

    for item in done.refused:
        console.print(escape(f"Not done: {item.answer.about}. {item.why}"), soft_wrap=True)
    made = sum(len(item.decisions) for item in done.outcomes)
    already = sum(item.came.value == "already" for item in done.outcomes)
    verb = "would be recorded" if dry_run else "recorded"
    console.print(f"{made} {'decision' if made == 1 else 'decisions'} {verb}"
                  + (f", {already} decided so before." if already else "."))
    for title, names, rows in (
        ("Clean table", ("Event", "What", "Before", "After"), done.events),
        ("Season totals", ("Site", "Season", "Taxon", "Life stage", "Before", "After"),
         done.totals),
    ):
        if not rows:
            console.print(f"{title}: no change.")
            continue
        table = Table(title=title, title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
        for name in names:
            table.add_column(name, overflow="fold")
        for row in rows[:_SHOWN]:
            table.add_row(*(escape(str(value)) for value in row))
        console.print(table)
        if len(rows) > _SHOWN:
            console.print(f"and {len(rows) - _SHOWN} more (--json lists all).")


def print_life(console: Console, life: Life) -> None:
    """The life of a row, a line a moment."""
    from rich.markup import escape

    console.print(escape(life.event_id), style="bold")
    for moment in life.moments:
        console.print(escape(f"{moment.when:<11} {moment.what}"), soft_wrap=True)
        if moment.detail:
            console.print(escape(f"{'':<11}   {moment.detail}"), soft_wrap=True)
    console.print(escape(f"now         {life.now}"), soft_wrap=True)


def rebuilt_document(made: Rebuilt) -> dict[str, Any]:
    """What ``rebuild --json`` prints."""
    return asdict(made) | {"as_of": made.as_of.isoformat(), "equal": made.equal,
                           "differ": list(made.differ),
                           "release_differs": list(made.release_differs)}


def rebuilt_words(made: Rebuilt) -> list[str]:
    """What a rebuild found, in sentences."""
    lines = [f"Rebuilt from {made.files} files and {made.decisions} decisions, as of "
             f"{made.as_of}: {made.events} events."]
    lines.append("There was no live database to compare with." if not made.had_live else
                 "The live warehouse releases the same bytes." if made.equal else
                 f"The live warehouse releases other bytes: {', '.join(made.differ)}. Do a run "
                 "first if settings or sheets have changed since; if it stays so, report it.")
    lines.append("So does the latest release as it was published." if not made.release_differs
                 else "The latest release as it was published differs "
                 f"({', '.join(made.release_differs)}): something came or was decided since.")
    if made.swapped:
        lines.append("The rebuilt database is in place" + (
            "; the one before is kept beside it." if made.had_live else "."))
    return lines
