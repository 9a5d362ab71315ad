"""Closing the loop: a season week by week, with simulated leads who answer, resend or do not.

Each site's lead is drawn by the seed: one fills in the workbook, one mends the own sheet and
sends it again, one does neither. Both who answer, answer truly: they know what was on the
paper. At the end the clean table is held against that of a season in which nobody ever made a
slip, event by event.

``python -m bench.closing_the_loop [--seeds 1 2 3] [--weeks 20] [--sites N] [--rebuild]``
"""

from __future__ import annotations

import argparse
import datetime as dt
import random
import re
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fixtures import lay_out
from fixtures.hand_errors import SeededError
from fixtures.lantern_bay import CURRENT_SEASON, SITES, opening
from flows.network_folder import load_network
from flows.rebuilding import rebuild
from flows.returns.gathering import Answer as Choice
from flows.weekly import WeeklyRun, receive_and_read
from warehouse.store import Warehouse

LEADS = (("workbook", 0.45), ("resend", 0.35), ("nobody", 0.20))

_ASIDE = frozenset({"site_id", "row_id", "decided", "vanished", "source_file_sha256",
                    "source_sheet", "source_row", "effort_from"})
"""Columns that tell where a value stands or who decided it, and not what it is."""


@dataclass
class Result:
    """What a season came to, for one way of answering (of one seed)."""

    slips: int = 0
    """Rows with a seeded slip."""
    asked: int = 0
    """Of these, rows that the site was asked about."""
    answered: int = 0
    true: int = 0
    """Of the answered, rows whose clean values are the true ones at the end."""
    untrue: list[str] = field(default_factory=list)
    others: int = 0
    """Events without a slip."""
    others_changed: list[str] = field(default_factory=list)
    """Of these, events that are not as they are without slips, and not for a question left open."""


@dataclass
class Season:
    """One seed's season."""

    seed: int
    leads: dict[str, str]
    by_lead: dict[str, Result]
    outcomes: Counter[str]
    rebuilt_equal: int = 0
    rebuilt: int = 0
    seconds: float = 0.0


def leads_of(sites: Sequence[str], seed: int) -> dict[str, str]:
    """Site -> how its lead answers."""
    rng = random.Random(f"{seed}/leads")
    kinds = [kind for kind, _ in LEADS]
    weights = [weight for _, weight in LEADS]
    drawn = {site: rng.choices(kinds, weights)[0] for site in sites}
    for kind, site in zip(("workbook", "resend"), sorted(sites), strict=False):
        drawn[site] = kind  # every seed shows both
    return drawn


def play(
    folder: Path, seed: int, weeks: int, sites: Sequence[str], *, every_week: bool = False,
    mixture: Sequence[str] | None = None,
) -> Season:
    """Play a season of ``weeks`` at ``sites``; ``every_week``: rebuild after each of them."""
    start = time.perf_counter()
    leads = leads_of(sites, seed)
    season = Season(seed, leads, {kind: Result() for kind, _ in LEADS}, Counter())
    bay = folder / "bay"
    laying: dict[str, Any] = {"seed": seed, "only_sites": tuple(sites), "history": False}
    if mixture is not None:
        laying["mixture"] = tuple(mixture)
    mended: set[str] = set()
    answered: dict[str, SeededError] = {}
    asked: dict[str, SeededError] = {}
    layout = lay_out(bay, weeks=1, **laying)
    whole: dict[str, SeededError] = {}
    network = load_network(bay)
    # The last two runs bring no new rows: what was answered in the last week comes home.
    for week in (*range(1, weeks + 1), weeks, weeks):
        layout = lay_out(bay, weeks=week, mended=mended, **laying)
        whole |= {error.name: error for error in layout.errors}
        rows = _by_row(layout.errors)
        as_of = opening(CURRENT_SEASON) + dt.timedelta(weeks=week)
        _run(bay, network, as_of)
        for site, lead in leads.items():
            for line in _lines(bay, site):
                errors = [rows.get(place, []) for place in line.places]
                named = {error.name: error for here in errors for error in here}
                asked |= named
                if lead == "resend":
                    mended |= named.keys()
                    answered |= named
                elif lead == "workbook":
                    answered |= line.answer(errors)
            if lead == "workbook":
                _save(bay, site, f"answers {as_of} {week}.xlsx")
        if every_week:
            season.rebuilt += 1
            season.rebuilt_equal += rebuild(bay, network).equal
    _judge(folder, bay, network, weeks, laying, season, whole, asked, answered)
    season.seconds = time.perf_counter() - start
    return season


def _run(bay: Path, network: Any, as_of: dt.date) -> None:
    """A weekly run but for the release, which nobody reads before the end."""
    with Warehouse.open(bay) as warehouse:
        run = WeeklyRun(bay, network, warehouse, as_of)
        receive_and_read(run)
        run.compare_sites()
        for site in network.sites:
            run.judge_and_load(site)
        for site in network.sites:
            run.return_to(site)
        run.finish()


Place = tuple[str, str, int]
"""File, sheet, 1-based row."""


def _by_row(errors: Sequence[SeededError]) -> dict[Place, list[SeededError]]:
    out: dict[Place, list[SeededError]] = {}
    for error in errors:
        out.setdefault((Path(error.file).name, error.sheet, error.row), []).append(error)
    return out


@dataclass
class _Line:
    """A line of a site's newest workbook, and the cells that it is about."""

    sheet: Any
    row: int
    places: list[Place]
    cells: list[str]
    suggestions: list[str]
    choices: str

    def answer(self, errors: Sequence[Sequence[SeededError]]) -> dict[str, SeededError]:
        """Answer truly, where the line has room for it; the slips that are answered so.

        ``errors``: the slips in each of its rows.
        """
        real = [error for here in errors for error in here]
        if not real:
            if Choice.RIGHT.value in self.choices:
                self._say(Choice.RIGHT)
            return {}
        if not all(errors):
            return {}
        said = {error.name: error for error in real}
        if all(error.kind.startswith("row-duplicated") for error in real):
            if Choice.STRIKE.value in self.choices:
                self._say(Choice.STRIKE)
                return said
            return {}
        # A slip that spans cells is answered where the line asks about all of them.
        of_cell = [next((error for error in here if error.cell in (cell, "")), None)
                   for here, cell in zip(errors, self.cells, strict=True)]
        true = [error.true_value for error in of_cell if error is not None]
        known = [value for value in true if value is not None]
        places = set(zip(self.places, self.cells, strict=True))
        if len(known) < len(errors) or any(
                error.cell and (place, error.cell) not in places
                for place, here in zip(self.places, errors, strict=True) for error in here):
            return {}
        if Choice.SUGGESTION.value in self.choices and all(
                map(_same, self.suggestions, known)):
            self._say(Choice.SUGGESTION)
            return said
        value = known[0]
        if Choice.MINE.value in self.choices and len(set(known)) == 1:
            self._say(Choice.MINE, value)
            return said
        return {}

    def _say(self, choice: Choice, value: str = "") -> None:
        self.sheet.cell(self.row, 7).value = choice.value
        if value:
            self.sheet.cell(self.row, 8).value = value
        self.sheet.cell(self.row, 10).value = "Robin"


def _same(suggestion: str, value: str) -> bool:
    number = re.match(r"-?\d+(?:\.\d+)?", suggestion.replace(",", ""))
    try:
        return number is not None and float(number[0]) == float(value.replace(",", "."))
    except ValueError:
        return suggestion.strip() == value.strip()


_books: dict[str, Any] = {}


def _lines(bay: Path, site: str) -> list[_Line]:
    import openpyxl

    found = sorted((bay / "outbox" / site).glob("*/please-answer.xlsx"))
    _books.pop(site, None)
    if not found:
        return []
    book = openpyxl.load_workbook(found[-1])
    _books[site] = book
    sheet, detail = book["Please answer"], book["Every row"]
    cells: dict[int, list[tuple[Place, str, str]]] = {}
    for number, file, name, cell, _, _, _, suggestion in detail.iter_rows(
            min_row=3, max_col=8, values_only=True):
        digits = re.search(r"(\d+)$", str(cell or ""))
        cells.setdefault(int(str(number)), []).append(
            ((str(file), str(name or ""), int(digits[1]) if digits else 0), str(cell or ""),
             str(suggestion or "")))
    lines = []
    head = next(cell.row for cell in sheet["A"] if cell.value == "No.")
    rules = {str(rule.sqref).split(":")[0]: str(rule.formula1)
             for rule in sheet.data_validations.dataValidation}
    for row in range(head + 1, sheet.max_row + 1):
        mine = cells.get(int(str(sheet.cell(row, 1).value or 0)), [])
        places, at, suggestions = (list(part) for part in zip(*mine, strict=True))
        lines.append(_Line(sheet, row, places, at, suggestions, rules.get(f"G{row}", "")))
    return lines


def _save(bay: Path, site: str, name: str) -> None:
    if site in _books:
        _books[site].save(bay / "inbox" / site / name)


# -- the clean table at the end -------------------------------------------------------------------

_Event = tuple[str, str, str, str]
"""Site, protocol, gear unit, date."""


def _clean(bay: Path) -> dict[_Event, list[Any]]:
    """What the clean tables say of each net and day, without where it stands."""
    out: dict[_Event, list[Any]] = {}
    with Warehouse.open(bay) as warehouse:
        for table in ("clean_events", "clean_counts"):
            cursor = warehouse.connection.execute(
                f"SELECT t.*, e.protocol AS p, e.gear_unit AS g, e.local_date AS d "
                f"FROM {table} AS t JOIN clean_events AS e USING (event_id) ORDER BY ALL")
            names = [column[0] for column in cursor.description or ()]
            for row in cursor.fetchall():
                values = dict(zip(names, row, strict=True))
                key = (values["site_id"], values["p"], values["g"] or "", str(values["d"]))
                out.setdefault(key, []).append(tuple(
                    (name, round(value, 5) if isinstance(value, float) else value)
                    for name, value in values.items()
                    if name not in _ASIDE and not name.startswith("qc_")))
    return {key: sorted(rows, key=repr) for key, rows in out.items()}


def _judge(
    folder: Path, bay: Path, network: Any, weeks: int, laying: dict[str, Any], season: Season,
    whole: dict[str, SeededError], asked: dict[str, SeededError],
    answered: dict[str, SeededError],
) -> None:
    truth = folder / "truth"
    lay_out(truth, weeks=weeks, errors=False, **laying)
    as_of = opening(CURRENT_SEASON) + dt.timedelta(weeks=weeks)
    _run(truth, network, as_of)
    should, has = _clean(truth), _clean(bay)
    touched: dict[_Event, set[str]] = {}
    for error in whole.values():
        for key in should.keys() | has.keys():
            if key[0] == error.site and key[3] == error.event_date and (
                    # Readings stand alone while the row of their check is in doubt.
                    "water" in (error.protocol, key[1]) or (error.protocol, error.gear_unit)
                    == (key[1], key[2]) or error.gear_unit == ""):
                touched.setdefault(key, set()).add(error.name)
    for lead, result in season.by_lead.items():
        mine = {name for name, error in whole.items() if season.leads[error.site] == lead}
        result.slips = len(mine)
        result.asked = len(mine & asked.keys())
        result.answered = len(mine & answered.keys())
        for name in sorted(mine & answered.keys()):
            keys = [key for key, names in touched.items() if name in names]
            # A row with another slip, not answered, cannot be true as a whole.
            if any(touched[key] - answered.keys() for key in keys):
                result.answered -= 1
                continue
            if all(should.get(key) == has.get(key) for key in keys):
                result.true += 1
            else:
                result.untrue.append(name)
        for key in sorted(should.keys() | has.keys()):
            if season.leads[key[0]] == lead and key not in touched:
                result.others += 1
                if should.get(key) != has.get(key):
                    result.others_changed.append(" ".join(key))
    with Warehouse.open(bay) as warehouse:
        season.outcomes.update(dict(warehouse.connection.execute(
            "SELECT outcome, count(*) FROM answers WHERE outcome <> 'nothing' GROUP BY ALL"
        ).fetchall()))


def table(seasons: Sequence[Season]) -> str:
    """The printed table."""
    lines = ["| seed | lead | sites | rows with a slip | asked | answered truly | true at the end "
             "| events without a slip | changed |",
             "| --- | --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |"]
    for season in seasons:
        for lead, result in season.by_lead.items():
            sites = sum(kind == lead for kind in season.leads.values())
            lines.append(
                f"| {season.seed} | {lead} | {sites} | {result.slips} | {result.asked} | "
                f"{result.answered} | {result.true} | {result.others} | "
                f"{len(result.others_changed)} |")
    return "\n".join(lines)


def main() -> None:
    """Play the seasons and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, nargs="+", default=[20260301, 7, 42])
    parser.add_argument("--weeks", type=int, default=20)
    parser.add_argument("--sites", type=int, default=12)
    parser.add_argument("--rebuild", action="store_true", help="rebuild after every week")
    options = parser.parse_args()
    sites = [plan.slug for plan in SITES][: options.sites]
    seasons = []
    for seed in options.seeds:
        with tempfile.TemporaryDirectory() as folder:
            season = play(Path(folder), seed, options.weeks, sites, every_week=options.rebuild)
        seasons.append(season)
        print(f"seed {seed}: {season.seconds:.0f} s, answers {dict(season.outcomes)}, rebuilt "
              f"equal {season.rebuilt_equal} of {season.rebuilt}", flush=True)
        for lead, result in season.by_lead.items():
            for name in result.untrue:
                print(f"  not true ({lead}): {name}")
            for name in result.others_changed:
                print(f"  changed ({lead}): {name}")
    print(table(seasons))


if __name__ == "__main__":
    main()
