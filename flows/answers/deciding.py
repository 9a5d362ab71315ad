"""The coordinator's decisions: what a command names becomes decisions, tried and recorded.

A decision is tried first: the site's rows are judged again with it in a transaction that is
undone, so that what would change is known before anything is recorded.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flows.answers.settling import Came, Outcome, settle_answers, written_value
from flows.desk import pictures
from flows.returns.following_up import long_open, open_questions
from flows.weekly import WeeklyRun
from flows.workplace import warehouse_of
from shared.decisions import Action, Answer, Channel, Decision
from shared.fields import FIELDS
from shared.findings import Finding
from shared.flags import Effect
from shared.problems import BadSettings
from shared.settings import Network
from warehouse import decisions as kept
from warehouse.decisions import NothingToDecide
from warehouse.held import site_findings
from warehouse.standing import restate
from warehouse.store import Warehouse


@dataclass(frozen=True, slots=True)
class Wish:
    """What the coordinator asks for.

    ``what``: ids of findings or causes, or an event's id. Without any, the open findings
    that ``site``, ``rule``, ``field``, ``taxon`` and ``life_stage`` pick. ``value`` is in the
    unit of the sheet's column; None with :attr:`Action.CORRECT` takes the suggestions.
    """

    action: Action
    reason: str
    who: str
    what: tuple[str, ...] = ()
    site: str | None = None
    rule: str | None = None
    field: str | None = None
    taxon: str | None = None
    life_stage: str | None = None
    value: str | None = None


@dataclass(slots=True)
class Decided:
    """What came of a wish, for each question or event named."""

    outcomes: list[Outcome] = field(default_factory=list)
    events: list[tuple[str, str, str, str]] = field(default_factory=list)
    """Differences of the clean table: event, what, before, after."""
    totals: list[tuple[str, int, str, str, int, int]] = field(default_factory=list)
    """Season totals that differ: site, season, taxon, life stage, before, after."""
    recorded: list[Decision] = field(default_factory=list)

    @property
    def refused(self) -> list[Outcome]:
        """What was not applied."""
        return [item for item in self.outcomes if item.came not in (Came.APPLIED, Came.ALREADY)]


def decide(
    network_dir: Path, network: Network, wish: Wish, as_of: dt.date, *, dry_run: bool = False
) -> Decided:
    """Carry out ``wish``, or with ``dry_run`` find what it would change and record nothing.

    Raises :class:`NothingToDecide` when nothing is picked, :class:`BadSettings` when the
    wish contradicts itself.
    """
    if not wish.reason.strip():
        raise BadSettings("A decision needs its reason.", 'Add --reason "..." in a few words.')
    with warehouse_of(network_dir, network) as warehouse:
        run = WeeklyRun(network_dir, network, warehouse, as_of)
        run.compare_sites()
        done = Decided()
        for site_id, answers, direct in _picked(warehouse, network, wish, as_of):
            _at_site(run, site_id, answers, direct, as_of, done, dry_run)
        if done.recorded:
            sites = sorted({item.site for item in done.recorded})
            pictures.leave(warehouse, network, as_of, sites=sites)
            asks = {site: open_questions(warehouse, site, as_of) for site in sites}
            restate(warehouse, network,
                    asked={site: len(mine) for site, mine in asks.items()},
                    waiting={site: long_open(mine, as_of) for site, mine in asks.items()})
    return done


_Picked = list[tuple[str, list[Answer], list[Decision]]]


def _picked(
    warehouse: Warehouse, network: Network, wish: Wish, as_of: dt.date
) -> _Picked:
    sites = [wish.site] if wish.site else list(network.sites)
    unknown = [site for site in sites if site not in network.sites]
    if unknown:
        raise BadSettings(f'There is no site "{unknown[0]}".',
                          f"Sites are: {', '.join(network.sites)}.")
    if not wish.what and not any((wish.site, wish.rule, wish.field)):
        raise BadSettings("It is not said what is decided.",
                          "Name findings, causes or an event, or pick with --rule, --site, "
                          "--field.")
    found: dict[str, list[Finding]] = {site: site_findings(warehouse, site) for site in sites}
    out: _Picked = []
    left = list(wish.what)
    for site, findings in found.items():
        by_name: dict[str, list[Finding]] = {}
        for item in findings:
            for name in {item.id, item.cause}:
                by_name.setdefault(name, []).append(item)
        named = [name for name in wish.what if name in by_name]
        left = [name for name in left if name not in by_name]
        chosen = ([item for name in named for item in by_name[name]] if wish.what else findings)
        chosen = [item for item in chosen if _fits(item, wish) and item.row_id is not None
                  and (wish.what or item.effect is not Effect.NOTE)]
        direct: list[Decision] = []
        for name in wish.what:
            if name not in by_name and name.split(":")[0] == site and ":" in name:
                left = [other for other in left if other != name]
                found_here = [item for item in findings
                              if item.event_id == name and _fits(item, wish)
                              and (wish.field or wish.rule) and item.effect is not Effect.NOTE]
                if found_here and wish.action in (Action.CONFIRM, Action.CORRECT):
                    chosen += found_here
                else:
                    direct.append(_direct(warehouse, network, name, wish, as_of))
        answers = [Answer(site, item.id, wish.action, wish.value, wish.reason, wish.who, (item.id,))
                   for item in {item.id: item for item in chosen}.values()]
        if answers or direct:
            out.append((site, answers, direct))
    if left:
        raise NothingToDecide(f'There is no finding, cause or event "{left[0]}".',
                              "`tallyweir status --json` and `tallyweir query` show their ids.")
    if not out:
        raise NothingToDecide("No open finding fits.", "Pick with fewer conditions.")
    return out


def _fits(finding: Finding, wish: Wish) -> bool:
    return all(
        wanted is None or wanted == has
        for wanted, has in ((wish.rule, finding.rule), (wish.field, finding.field),
                            (wish.taxon, finding.taxon), (wish.life_stage, finding.life_stage)))


def _direct(
    warehouse: Warehouse, network: Network, event: str, wish: Wish, as_of: dt.date
) -> Decision:
    """A decision on a row, or a value of it, that no finding is about."""
    value = ""
    if wish.action is Action.CONFIRM:
        raise NothingToDecide(f"Nothing is asked about {event} that could be confirmed.",
                              "A row that no rule doubts needs no confirmation.", event)
    if wish.action is Action.CORRECT:
        if wish.field is None or wish.value is None:
            raise BadSettings("A correction needs --field and --correct VALUE.",
                              "Name the field, such as --field water_temperature.")
        if wish.field not in FIELDS:
            raise BadSettings(f'"{wish.field}" is no field.',
                              "Use a field id such as water_temperature.")
        begun = kept.decision_at(
            warehouse, network, event, Action.WITHDRAW, field=wish.field, taxon=wish.taxon or "",
            life_stage=wish.life_stage or "", reason=wish.reason, who=wish.who,
            channel=Channel.COORDINATOR, decided=as_of)
        read = written_value(warehouse, network, _as_finding(warehouse, begun), wish.value)
        if read is None:
            raise BadSettings(f'"{wish.value}" could not be read as '
                              f"{FIELDS[wish.field].title.lower()}.",
                              "Write it as the site's sheet would.")
        value = read
    return kept.decision_at(
        warehouse, network, event, wish.action,
        field=(wish.field or "") if wish.action in (Action.CORRECT, Action.WITHDRAW) else "",
        taxon=wish.taxon or "", life_stage=wish.life_stage or "", value=value,
        reason=wish.reason, who=wish.who, channel=Channel.COORDINATOR, decided=as_of)


def _as_finding(warehouse: Warehouse, decision: Decision) -> Finding:
    """Where the value of a decision stands, in the shape that says its column's unit."""
    found = warehouse.connection.execute(
        "SELECT file_sha256, sheet FROM staged_events WHERE site = ? AND event_id = ? "
        "ORDER BY row_id DESC LIMIT 1", [decision.site, decision.event_id]).fetchone()
    sha, sheet = found if found is not None else ("", "")
    return Finding(decision.site, "", str(sha), str(sheet), None, "", decision.field, "",
                   Effect.NOTE, 1, "", "", "", "",  # type: ignore[arg-type]
                   taxon=decision.taxon, life_stage=decision.life_stage)


class _Undone(Exception):
    """Ends a transaction whose work is only looked at."""


def _at_site(
    run: WeeklyRun, site_id: str, answers: Sequence[Answer], direct: Sequence[Decision],
    as_of: dt.date, done: Decided, dry_run: bool,
) -> None:
    warehouse = run.warehouse
    made: list[Decision] = []
    before: tuple[_Clean, dict[tuple[int, str, str], int]] = {}, {}
    after = before
    try:
        with warehouse.transaction():
            # A catalogue or a setting changed since the last run is no effect of this decision.
            run.load_with(site_id)
            before = _clean(warehouse, site_id), _totals(warehouse, site_id)
            findings, _ = run.judge_again(site_id)
            outcomes = settle_answers(
                warehouse, run.network, site_id, answers, findings,
                lambda extra: run.judge_again(site_id, extra), as_of=as_of,
                channel=Channel.COORDINATOR)
            made = [decision for outcome in outcomes for decision in outcome.decisions]
            made += direct
            done.outcomes += outcomes
            done.outcomes += [
                Outcome(Answer(site_id, item.event_id, item.action, item.new or None,
                               item.reason, item.who), Came.APPLIED, "", (item,))
                for item in direct]
            run.load_with(site_id, made)
            after = _clean(warehouse, site_id), _totals(warehouse, site_id)
            raise _Undone
    except _Undone:
        pass
    done.events += _differences(before[0], after[0])
    for key in sorted(before[1].keys() | after[1].keys()):
        was, now = before[1].get(key, 0), after[1].get(key, 0)
        if was != now:
            done.totals.append((site_id, *key, was, now))
    if not dry_run and made:
        done.recorded += run.decide(site_id, made)


_Clean = dict[tuple[str, str], Any]


def _clean(warehouse: Warehouse, site_id: str) -> _Clean:
    """(event, column or catch) -> value, of the site's clean rows."""
    out: _Clean = {}
    # That it was decided goes without saying.
    aside = {"event_id", "row_id", "site_id", "decided"}
    for table, keys in (("clean_events", ()), ("clean_counts", ("taxon_id", "life_stage"))):
        cursor = warehouse.connection.execute(
            f"SELECT * FROM {table} WHERE site_id = ?", [site_id])
        names = [column[0] for column in cursor.description or ()]
        for row in cursor.fetchall():
            values = dict(zip(names, row, strict=True))
            what = " ".join(str(values[key]) for key in keys)
            for name, value in values.items():
                if name not in aside and name not in keys and not name.startswith("source_"):
                    out[values["event_id"], f"{what} {name}".strip()] = value
    return out


def _totals(warehouse: Warehouse, site_id: str) -> dict[tuple[int, str, str], int]:
    rows = warehouse.connection.execute(
        "SELECT e.season, c.taxon_id, c.life_stage, sum(c.count)::BIGINT FROM clean_counts AS c "
        "JOIN clean_events AS e USING (event_id) WHERE c.site_id = ? GROUP BY ALL", [site_id]
    ).fetchall()
    return {(int(row[0]), str(row[1]), str(row[2])): int(row[3]) for row in rows}


def _differences(before: _Clean, after: _Clean) -> list[tuple[str, str, str, str]]:
    """What changes in the clean table; an event that comes or goes is one line."""
    had, has = ({event for event, _ in side} for side in (before, after))
    out = [(event, "event", "in the record", "out") for event in sorted(had - has)]
    out += [(event, "event", "out", "in the record") for event in sorted(has - had)]
    for key in sorted(before.keys() | after.keys()):
        if key[0] in had and key[0] in has and before.get(key) != after.get(key):
            was, now = ("" if side.get(key) is None else str(side[key]) for side in (before, after))
            out.append((*key, was, now))
    return out
