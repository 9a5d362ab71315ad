"""The weekly run: receive, read, recognise, standardize, judge, load, release, return.

The work of each stage, one site at a time where sites are independent, with nothing
said about who calls when: :mod:`flows.orchestration` does that with Prefect. Every
stage can be stopped at any moment and run again: what it makes is a function of the
bytes received, the settings and ``as_of``.
"""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from checks.judging import Place, bind
from checks.neighbours import lay_out_site_days, neighbour_evidence
from flows import closed_seasons
from flows.answers import home_coming, pending
from flows.answers.home_coming import RULE_VERSIONS
from flows.answers.showing import corrected_texts
from flows.desk import pictures
from flows.door import ContractBroken, GateShut, gate_of, guard_the_door
from flows.intake.reading_room import reading_room
from flows.intake.version import READER_VERSION
from flows.network_folder import NotReceived, inbox_bytes, inbox_files, strangers_in_inbox
from flows.returns import following_up
from flows.returns.outbox import return_to_site
from flows.returns.wording import days
from flows.watching.log import LOG, current_run
from flows.workplace import warehouse_of
from shared.decisions import Decision
from shared.findings import Finding
from shared.flags import Effect
from shared.identity import short_digest
from shared.problems import Problem, Trouble
from shared.settings import Network, lone_site
from shared.taxa import TAXA
from warehouse import (
    arrivals,
    aside,
    clean,
    decisions,
    earlier,
    ledger,
    lineage,
    receipts,
    record,
    resends,
    staging,
    standing,
)
from warehouse.decisions import Overlay
from warehouse.held import file_troubles, site_account, site_findings
from warehouse.protected_catches import newly_caught
from warehouse.release import Built, Release, build_release
from warehouse.store import Warehouse, told


@dataclass(slots=True)
class SiteOutcome:
    """What a run did for one site."""

    site: str
    received: int = 0
    """Files that were new or changed."""
    read: int = 0
    redone: bool = False
    """Whether the site's rows were judged and loaded again."""
    troubles: list[Trouble] = field(default_factory=list)
    returned: Path | None = None


@dataclass(slots=True)
class Outcome:
    """What a run did."""

    run_id: str
    as_of: dt.date
    sites: dict[str, SiteOutcome]
    release: Release | None = None
    standing: dict[str, Any] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def needs_people(self) -> bool:
        """Whether something waits for an answer (exit code 1)."""
        return any(entry["held"] or entry["asked"] or entry["troubles"]
                   for entry in self.standing.get("sites", {}).values())


@dataclass(slots=True)
class _Waiting:
    """A site that was judged together with others and is not loaded yet."""

    work: str
    findings: list[Finding]
    overlay: Overlay


MOST_TOGETHER = 100_000
"""Events that are judged in one pass; a site that has more is judged by itself."""

_TOLD_TOGETHER = 16
"""Sites whose evidence is gathered in one statement: memory is that of so many."""


@cache
def judge_version() -> str:
    """Changes whenever the catalogue would judge otherwise; the same in every process."""
    return short_digest(*(
        (b.rule.id, b.rule.version, b.probe.over.value, b.probe.field, b.probe.effect.value,
         int(b.probe.stands_for), b.probe.when, sorted(b.probe.facts.items()), b.probe.message,
         b.rule.message, b.rule.remedy, b.rule.yields_to)
        for b in bind(lone_site())))


class WeeklyRun:
    """One run over one network. Methods are the stages, in the order they stand here."""

    def __init__(self, network_dir: Path, network: Network, warehouse: Warehouse,
                 as_of: dt.date) -> None:
        self.network_dir = network_dir
        self.network = network
        self.warehouse = warehouse
        self.as_of = as_of
        self.outcome = Outcome(
            run_id=current_run() or short_digest(network.id, as_of, time.time_ns()), as_of=as_of,
            sites={site: SiteOutcome(site) for site in network.sites})
        record.catch_up(warehouse)
        self.standing_paths: dict[str, set[str]] = {}
        """What stands in each site's inbox, once it has been looked at."""
        self._here = tuple(network.sites)
        """Sites that are judged here."""
        self._evidence: dict[str, str] = {}
        """Digest of what the other sites tell of each, once it was asked for."""
        self._together: list[list[str]] | None = None
        """Sites that are to be judged in one pass, by pass; None: not yet told."""
        self._waiting: dict[str, _Waiting] = {}
        self.notices = [
            f'The inbox holds "{name}", which is no site of network.toml. It was left where it '
            "is; move it into a site's folder, or add the site."
            for name in strangers_in_inbox(network_dir, network)]
        self.notices += [
            trouble.sentence() for trouble in arrivals.source_troubles(warehouse, "")]

    @contextmanager
    def timed(self, stage: str) -> Iterator[None]:
        """Add the time spent inside to the stage's seconds."""
        start = time.perf_counter()
        try:
            yield
        finally:
            spent = self.outcome.seconds.get(stage, 0.0) + time.perf_counter() - start
            self.outcome.seconds[stage] = spent

    # -- receive -------------------------------------------------------------------

    def receive(self, site_id: str) -> int:
        """Keep every byte that stands in the site's inbox; returns how many files changed."""
        outcome = self.outcome.sites[site_id]
        with self.timed("receive"):
            self.standing_paths[site_id] = set()
            for path, name in inbox_files(self.network_dir, site_id):
                self.standing_paths[site_id].add(name)
                try:
                    content = inbox_bytes(self.network_dir, site_id, path, name)
                except NotReceived as problem:
                    outcome.troubles.append(problem.trouble)
                    continue
                receipt = receipts.receive(self.warehouse, site_id, name, content, self.as_of)
                outcome.received += receipt.new
            outcome.troubles += arrivals.source_troubles(self.warehouse, site_id)
        return outcome.received

    # -- read, recognise, standardize ------------------------------------------------

    def take_in(self, site_id: str) -> int:
        """Read what the site sent and was not read yet; returns how many files were read.

        Reading needs no lock; what was read is then kept in one transaction.
        """
        key = staging.reader_key(READER_VERSION, self.network, site_id)
        known = staging.readings_present(self.warehouse, site_id, key)
        unread = [received for received in receipts.received_files(self.warehouse, site_id)
                  if received.sha256 not in known]
        readings: dict[str, staging.Reading] = {}
        troubles: dict[str, Trouble] = {}
        for received in unread:
            outcome = self._read(site_id, received)
            if isinstance(outcome, Trouble):
                troubles[received.sha256] = outcome
            else:
                readings[received.sha256] = outcome
        if unread:
            with self.warehouse.transaction(), self.timed("stage"):
                staging.save_readings(self.warehouse, site_id, readings, key)
                for sha256, trouble in troubles.items():
                    staging.save_trouble(self.warehouse, site_id, sha256, trouble, key)
        self.outcome.sites[site_id].read = len(unread)
        return len(unread)

    def _read(self, site_id: str, received: receipts.ReceivedFile) -> staging.Reading | Trouble:
        try:
            content = receipts.file_bytes(self.network_dir, received.sha256)
            taken = reading_room().take_in(content, Path(received.path).name,
                                           self.network.sites[site_id], self.network,
                                           received.sha256)
        except Problem as problem:
            return problem.trouble
        if isinstance(taken, Trouble):
            return taken
        for stage, spent in taken.seconds.items():
            self.outcome.seconds[stage] = self.outcome.seconds.get(stage, 0.0) + spent
        return staging.Reading(taken.workbook, taken.recognised_json, taken.staged)

    def compare_sites(self) -> None:
        """Gather what every site measured each day: evidence for the others' readings."""
        self.warehouse.fit_threads()
        with self.warehouse.lock, self.timed("judge"):
            lineage.lay_out_standing(self.warehouse)
            earlier.lay_out_standing_catches(self.warehouse)
            lay_out_site_days(self.warehouse.connection, lineage.STANDING_EVENTS,
                              earlier.STANDING_CATCHES)
            self._evidence = {}
            self._together = None
            self._waiting = {}

    # -- judge, load -----------------------------------------------------------------

    def judge_and_load(self, site_id: str) -> bool:
        """Judge the rows that speak for the site and load them, in one transaction.

        Returns False when nothing that could change the outcome has changed.
        """
        outcome = self.outcome.sites[site_id]
        with self.warehouse.lock, self.timed("judge"):
            self._judge_together(site_id)
        with self.warehouse.transaction():
            with self.timed("judge"):
                work = self._work_digest(site_id)
                books = home_coming.unsettled_books(self.warehouse, site_id)
                told = pending.waiting(self.network_dir, site_id)
                if not books and not told and work == clean.work_digest_of(
                        self.warehouse, site_id):
                    return False
                before = [finding for finding in site_findings(self.warehouse, site_id)
                          if finding.effect is not Effect.NOTE]
                findings = self._judged(site_id, work)
                resends.note_resent(self.warehouse, self.network, site_id, before, findings,
                                    self.as_of)
            if books or told:
                with self.timed("answers"):
                    findings = self._settle(site_id, books, told, findings)
                    work = self._work_digest(site_id)
            with self.timed("load"):
                clean.load_site(self.warehouse, self.network.sites[site_id], self.network,
                                findings, self.as_of, work)
        pending.settled(self.network_dir, told)
        outcome.redone = True
        return True

    def _settle(
        self, site_id: str, books: Sequence[home_coming.Book],
        told: Sequence[pending.Told], findings: list[Finding],
    ) -> list[Finding]:
        """Settle the answers that came; the findings as they are with them."""
        settled, troubles = home_coming.settle_all(
            self.warehouse, self.network, self.network_dir, site_id, books, told, findings,
            lambda extra: self.judge_again(site_id, extra), self.as_of)
        standing_here = self.standing_paths.get(site_id, set())
        self.outcome.sites[site_id].troubles += [
            trouble for trouble in troubles
            if trouble.code != home_coming.OF_ANOTHER_SITE
            or f"{site_id}/{trouble.where}" in standing_here]
        return settled

    def judge_again(
        self, site_id: str, extra: Sequence[Decision] = ()
    ) -> tuple[list[Finding], Overlay]:
        """The site's findings, its decisions (and ``extra``, not recorded) laid over its rows.

        Leaves the rows laid out, ready to load. Needs :meth:`compare_sites` in this run.
        """
        neighbour_evidence(self.warehouse.connection, [site_id])
        overlay = self._lay_out(site_id, extra)
        found = self._judge("judged", {site_id: overlay}).get(site_id, [])
        findings = decisions.set_apart(self.warehouse, found)
        return decisions.settle(findings, overlay, RULE_VERSIONS), overlay

    def _lay_out(self, site_id: str, extra: Sequence[Decision] = ()) -> Overlay:
        lineage.lay_out(self.warehouse, site_id)
        earlier.lay_out_earlier(self.warehouse, site_id)
        return decisions.lay_over(self.warehouse, site_id, self.network, extra)

    def _judged(self, site_id: str, work: str) -> list[Finding]:
        """The site's findings, its rows laid out: as judged together with others, or alone."""
        waiting = self._waiting.pop(site_id, None)
        if waiting is None or waiting.work != work:
            return self.judge_again(site_id)[0]
        aside.bring_back(self.warehouse, site_id)
        return decisions.settle(decisions.set_apart(self.warehouse, waiting.findings),
                                waiting.overlay, RULE_VERSIONS)

    def _judge_together(self, site_id: str) -> None:
        """Judge the sites that are to be judged in one pass with ``site_id``, unless it is done.

        What is found waits for each site's load. Whatever goes wrong here is passed over: the
        sites are then judged one by one, and one that cannot be fails alone.
        """
        if self._together is None:
            self._together = self._passes()
        sites = next((sites for sites in self._together if site_id in sites), None)
        if sites is None:
            return
        self._together.remove(sites)
        try:
            with self.warehouse.transaction() as con:
                works = {site: self._work_digest(site) for site in sites}
                sites = [site for site in sites
                         if works[site] != clean.work_digest_of(self.warehouse, site)]
                if len(sites) < 2:
                    return
                overlays = {}
                for site in sites:
                    overlays[site] = self._lay_out(site)
                    aside.put_aside(self.warehouse, site)
                aside.lay_together(self.warehouse, sites)
                neighbour_evidence(con, sites)
                found = self._judge("together", overlays)
                aside.sweep_together(self.warehouse)
        except Exception:
            LOG.exception("judging together failed; the sites are judged one by one")
            return
        self._waiting |= {site: _Waiting(works[site], found.get(site, []), overlays[site])
                          for site in sites}

    def _passes(self) -> list[list[str]]:
        """The sites, those together that are judged in one pass.

        So many that their rows are few enough, and no two that have sent the same file: rows
        are known by their file.
        """
        sent: dict[str, tuple[int, set[str]]] = {
            site: (events, set(files)) for site, events, files in
            self.warehouse.connection.execute(
                "SELECT site, count(*), list(DISTINCT file_sha256) FROM staged_events "
                "GROUP BY site").fetchall()}
        passes: list[tuple[list[str], int, set[str]]] = []
        for site in self._here:
            events, files = sent.get(site, (0, set()))
            for place, (sites, had, of_files) in enumerate(passes):
                if had + events <= MOST_TOGETHER and not of_files & files:
                    passes[place] = ([*sites, site], had + events, of_files | files)
                    break
            else:
                passes.append(([site], events, files))
        return [sites for sites, _, _ in passes]

    def _evidence_of(self, site_id: str) -> str:
        """Digest of what the other sites tell of ``site_id``: of all together, since it is asked
        of each in turn."""
        if site_id not in self._evidence:
            sites = self._here
            for first in range(0, len(sites), _TOLD_TOGETHER):
                self._evidence |= neighbour_evidence(
                    self.warehouse.connection, list(sites[first:first + _TOLD_TOGETHER]))
        return self._evidence[site_id]

    def decide(self, site_id: str, made: Sequence[Decision]) -> list[Decision]:
        """Record ``made``, then judge and load the site with them; they with their numbers."""
        with self.warehouse.transaction():
            recorded = decisions.append(self.warehouse, made)
            self.load_with(site_id)
        return recorded

    def load_with(self, site_id: str, extra: Sequence[Decision] = ()) -> None:
        """Judge and load the site as it stands, with ``extra`` that is not recorded."""
        with self.warehouse.transaction():
            findings, _ = self.judge_again(site_id, extra)
            clean.load_site(self.warehouse, self.network.sites[site_id], self.network, findings,
                            self.as_of, self._work_digest(site_id))

    def _judge(self, laid_out: str, overlays: Mapping[str, Overlay]) -> dict[str, list[Finding]]:
        """Findings of the rows that are laid out under this name, by site."""
        con = self.warehouse.connection
        places = [Place(*row) for row in con.execute(
            "SELECT file_sha256, sheet, column_index, field, taxon, life_stage, unit "
            f"FROM {laid_out}_places").fetchall()]
        # People know their files by name; the folder is the site, which they know too.
        names = {sha: path.removeprefix(f"{site}/") for site, sha, path in
                 con.execute(f"SELECT site, sha256, path FROM {laid_out}_files").fetchall()}
        instead = {cell: text for overlay in overlays.values() for cell, text in
                   corrected_texts(self.warehouse, overlay, places).items()}
        rows: dict[str, dict[tuple[str, int], list[str]]] = {}

        def raw_text(sha: str, sheet: str, row: int, column: int) -> str:
            if (sha, sheet, row, column) in instead:
                return instead[sha, sheet, row, column]
            # A file at a time: one question to the engine costs more than a sheet of rows.
            if sha not in rows:
                rows[sha] = {
                    (name, number): cells for name, number, cells in con.execute(
                        "SELECT sheet, sheet_row, cells FROM raw_rows WHERE sha256 = ?",
                        [sha]).fetchall()}
            cells = rows[sha].get((sheet, row), [])
            return cells[column] if column < len(cells) else ""

        versions = {site: self._version(site) for site in overlays}
        return closed_seasons.judge_laid_out(
            self.warehouse, self.network, self.as_of, laid_out, places, raw_text, names,
            versions, instead)

    def _version(self, site_id: str) -> str:
        """Changes whenever the site's rows would be read or judged otherwise."""
        return short_digest(
            staging.reader_key(READER_VERSION, self.network, site_id),
            self.network.digest(site_id), judge_version(), closed_seasons.LONG,
            self.network.season_of(self.as_of))

    def _work_digest(self, site_id: str) -> str:
        """Changes whenever judging or loading the site could come out otherwise."""
        con = self.warehouse.connection
        files = con.execute(
            "SELECT seq, path, sha256 FROM receipts WHERE site = ? ORDER BY seq",
            [site_id]).fetchall()
        # Only the future rule looks at the day of the run; a run on another day changes
        # nothing for a site whose rows all lie before both.
        latest = con.execute("SELECT max(local_date) FROM staged_events WHERE site = ?",
                             [site_id]).fetchone()
        ahead = latest is not None and latest[0] is not None and latest[0] > self.as_of
        return short_digest(
            files, self._version(site_id), self._evidence_of(site_id),
            self.as_of if ahead else "", decisions.work_state(self.warehouse, site_id))

    def judge_only(self, sites: Sequence[str]) -> None:
        """Of all sites whose evidence is gathered, judge these here from now on."""
        self._here = tuple(sites)
        self._together = None
        self._waiting = {}

    # -- release ---------------------------------------------------------------------

    def publish(self) -> Release | None:
        """Build a release if the clean table has changed, and move ``latest`` to it.

        Nothing that breaks the contract of the clean table, or that the gate refuses, is
        published: then ``latest`` stays where it is and the coordinator is told why.
        """
        gate = gate_of(self.network, self.network_dir)

        def timed_gate(built: Built) -> None:
            with self.timed("gate"):
                gate(built)

        try:
            with self.timed("release"), self.warehouse.lock:
                self.outcome.release = build_release(
                    self.warehouse, self.network, self.as_of, self.network_dir, guard_the_door,
                    timed_gate)
        except (ContractBroken, GateShut) as refused:
            self.notices.append(refused.trouble.sentence())
        # The gate's time is told apart from what building costs.
        seconds = self.outcome.seconds
        seconds["release"] -= seconds.get("gate", 0.0)
        return self.outcome.release

    # -- return ----------------------------------------------------------------------

    def return_to(self, site_id: str) -> Path | None:
        """Write the site's message and workbook, when there is anything new to say."""
        with self.timed("return"), self.warehouse.lock:
            site = self.network.sites[site_id]
            outcome = self.outcome.sites[site_id]
            troubles = [
                *file_troubles(self.warehouse, site_id, self.standing_paths.get(site_id)),
                *outcome.troubles]
            last = ledger.last_return(self.warehouse, site_id)
            asks = following_up.open_questions(self.warehouse, site_id, self.as_of)
            following_up.note_asked(self.warehouse, site_id, asks, self.as_of)
            echo = following_up.echo_since(self.warehouse, site_id, self.as_of)
            written = return_to_site(
                self.network_dir, site, self.network, asks,
                site_account(self.warehouse, site_id), troubles, as_of=self.as_of,
                version=self.outcome.release.version if self.outcome.release else "",
                last_digest=None if last is None else last[0],
                echo=echo.words(asks), due=following_up.due_again(asks, self.as_of))
            if written is not None:
                ledger.record_return(
                    self.warehouse, site_id, written.digest, self.as_of,
                    written.folder.relative_to(self.network_dir).as_posix())
                outcome.returned = written.folder
        return outcome.returned

    # -- finish ----------------------------------------------------------------------

    def _protected_bycatch(self) -> list[str]:
        """A sentence for each site and protected taxon among the rows that came today."""
        caught = newly_caught(self.warehouse, "protected-bycatch",
                              self.network.season_of(self.as_of), self.as_of)
        return [
            f"Protected bycatch at {self.network.sites[one.site].name}: {one.count} "
            f"{TAXA[one.taxon].vernacular} ({TAXA[one.taxon].scientific_name}), {one.dead} of "
            f"them dead, {days(one.first, one.last)}. Your permit says what must be reported."
            for one in caught if one.site in self.network.sites]

    def finish(self) -> Outcome:
        """Note the run and put what `status` shows in its place."""
        release = self.outcome.release.version if self.outcome.release else None
        failed = any(site.troubles for site in self.outcome.sites.values())
        with self.warehouse.lock:
            open_now = {site: following_up.open_questions(self.warehouse, site, self.as_of)
                        for site in self.network.sites}
            self.outcome.standing = standing.write_standing(
                self.warehouse, self.network, self.as_of, release,
                "done, with failures" if failed else "done",
                asked={site: len(asks) for site, asks in open_now.items()},
                waiting={site: following_up.long_open(asks, self.as_of)
                         for site, asks in open_now.items()},
                failures={site: [trouble.sentence() for trouble in outcome.troubles]
                          for site, outcome in self.outcome.sites.items()},
                notices=[*self._protected_bycatch(), *self.notices],
                standing_paths=self.standing_paths).as_dict()
            pictures.leave(self.warehouse, self.network, self.as_of, self.standing_paths)
            ledger.record_run(self.warehouse, self.outcome.run_id, self.as_of,
                              self.outcome.seconds, "done", release)
        return self.outcome


def trouble_of(stage: str, error: object) -> Trouble:
    """What a site is told when a stage failed for it."""
    if isinstance(error, BaseException):
        error = told(error, "") or error
    if isinstance(error, Problem):
        return error.trouble
    return Trouble(
        "run-fault", f"The stage '{stage}' failed on our side ({error}).",
        "Nothing was lost and what was loaded before still stands; the coordinator should "
        "send this line to whoever keeps Tallyweir running.")


def run_in_order(network_dir: Path, network: Network, as_of: dt.date) -> Outcome:
    """The whole run, one stage and one site after the other, with no scheduler.

    What :mod:`flows.orchestration` does side by side; benchmarks and tests use this.
    """
    with warehouse_of(network_dir, network) as warehouse:
        run = WeeklyRun(network_dir, network, warehouse, as_of)
        for stage in (run.receive, run.take_in):
            for site in network.sites:
                stage(site)
        run.compare_sites()
        for site in network.sites:
            run.judge_and_load(site)
        run.publish()
        for site in network.sites:
            run.return_to(site)
        return run.finish()
