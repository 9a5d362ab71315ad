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

from checks import belonging
from checks.judging import Place, bind
from checks.neighbours import lay_out_evidence
from flows import closed_seasons, neighbourhood
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
from shared.settings import Network, Site, lone_site
from shared.taxa import TAXA
from warehouse import (
    arrivals,
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
from warehouse import neighbourhood as kept_evidence
from warehouse.decisions import Overlay
from warehouse.held import file_troubles, findings_of, site_account
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


_PASSES_OPEN = 8
"""Passes that a site is looked for a place in: few that are nearly full take one more."""

MOST_TOGETHER = 250_000
"""Events that are judged and loaded in one pass; a site that has more is judged by itself."""


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
        self._told = False
        """Whether it was asked of all sites at once what their judgement follows from."""
        self._here = tuple(network.sites)
        """Sites that are judged here."""
        self._files: dict[str, str] = {}
        self._evidence: dict[str, str] = {}
        self._ahead: set[str] = set()
        """Sites with rows that lie ahead of the day of the run."""
        self._stood: dict[str, str] = {}
        """Work digest of each site's last load."""
        self._answered: set[str] = set()
        """Sites whose answers wait to be settled."""
        self._together: dict[str, list[str]] = {}
        """Site that has something new -> those that it is judged and loaded with."""
        self._changed: frozenset[str] = frozenset()
        """Sites whose rows are to be judged and loaded."""
        self._loaded: set[str] = set()
        """Sites that were loaded with others in this run."""
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

    def tell_copies_apart(self) -> None:
        """Set aside each file that is, to the byte, another site's.

        Whose it is, its name says or the sheets sent before it under that name. Where neither
        does, every site keeps it, and the rows they share are asked about.
        """
        noted = staging.files_in_trouble(self.warehouse, belonging.COPY)
        found: dict[tuple[str, str], Trouble] = {}
        for copies in receipts.copies(self.warehouse):
            here = [copy for copy in copies if copy.site in self.network.sites]
            owner = self._owner(here)
            for copy in here:
                if owner is not None and copy.site != owner.id:
                    found[copy.site, copy.sha256] = belonging.copy_of_another(
                        copy.name, owner, self.network.sites[copy.site])
        if not found and not noted:
            return
        with self.warehouse.transaction():
            for site, sha256 in noted.keys() - found.keys():
                staging.forget(self.warehouse, site, [sha256])
            for (site, sha256), trouble in found.items():
                key = staging.reader_key(READER_VERSION, self.network, site)
                if noted.get((site, sha256)) != key:
                    staging.save_trouble(self.warehouse, site, sha256, trouble, key)

    def _owner(self, copies: Sequence[receipts.Copy]) -> Site | None:
        sites = [self.network.sites[copy.site] for copy in copies]
        named = {owner.id for copy in copies
                 if (owner := belonging.owner_named(copy.name, sites)) is not None}
        if not named:
            named = {copy.site for copy in copies if copy.goes_on}
        return self.network.sites[named.pop()] if len(named) == 1 else None

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
            neighbourhood.gather(self.warehouse, self.network)
            self._told = False
            self._tell_works()

    # -- judge, load -----------------------------------------------------------------

    def judge_and_load(self, site_id: str) -> bool:
        """Judge the rows that speak for the site and load them, in one transaction.

        Returns False when nothing that could change the outcome has changed.
        """
        outcome = self.outcome.sites[site_id]
        with self.warehouse.lock:
            self._tell_works()
            self._load_together(site_id)
            if site_id in self._loaded:
                return True
            if site_id not in self._changed and site_id not in self._answered:
                return False
        with self.warehouse.transaction():
            with self.timed("judge"):
                work = self._work_digest(site_id)
                books = home_coming.unsettled_books(self.warehouse, site_id)
                told = pending.waiting(self.network_dir, site_id)
                if not books and not told and work == self._stood.get(site_id):
                    return False
                before = self._open_before([site_id]).get(site_id, [])
                findings, _ = self.judge_again(site_id)
                resends.note_resent(self.warehouse, self.network, site_id, before, findings,
                                    self.as_of)
            if books or told:
                with self.timed("answers"):
                    findings = self._settle(site_id, books, told, findings)
                    work = self._work_digest(site_id)
            with self.timed("load"):
                clean.load_site(self.warehouse, site_id, findings, self.as_of, work)
        self._stood[site_id] = work
        pending.settled(self.network_dir, told)
        outcome.redone = True
        return True

    def _open_before(self, site_ids: Sequence[str]) -> dict[str, list[Finding]]:
        """The findings of each site's last load that were more than notes."""
        had = [site for site in site_ids if site in self._stood]
        return {site: [finding for finding in found if finding.effect is not Effect.NOTE]
                for site, found in findings_of(self.warehouse, had).items()}

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
        lay_out_evidence(self.warehouse.connection, [site_id])
        overlay = self._lay_out([site_id], extra)[site_id]
        found = self._judge({site_id: overlay}).get(site_id, [])
        findings = decisions.set_apart(self.warehouse, found)
        return decisions.settle(findings, overlay, RULE_VERSIONS), overlay

    def _lay_out(
        self, site_ids: Sequence[str], extra: Sequence[Decision] = ()
    ) -> dict[str, Overlay]:
        """Lay out the rows that speak for the sites, decisions and all: what is in force."""
        lineage.lay_out_sites(self.warehouse, site_ids)
        earlier.lay_out_earlier(self.warehouse, site_ids)
        decided = decisions.work_states(self.warehouse, lineage.named(site_ids)).keys()
        return {
            site: decisions.lay_over(self.warehouse, site, self.network, extra)
            if extra or site in decided else Overlay() for site in site_ids}

    def _load_together(self, site_id: str) -> None:
        """Judge and load the sites that are to be in one pass with ``site_id``, in one transaction.

        Whatever goes wrong here is passed over: the sites are then judged and loaded one by
        one, and one that cannot be fails alone.
        """
        sites = self._together.pop(site_id, [])
        for site in sites:
            self._together.pop(site, None)
        # Who answered has the answers settled in a judgement of its own.
        sites = [site for site in sites if site not in self._answered]
        if len(sites) < 2:
            return
        decided = decisions.work_states(self.warehouse, lineage.named(sites))
        works = {site: self._work(site, decided.get(site, "")) for site in sites}
        try:
            with self.warehouse.transaction() as con:
                with self.timed("judge"):
                    before = self._open_before(sites)
                    overlays = self._lay_out(sites)
                    lay_out_evidence(con, sites)
                    found = self._judge(overlays)
                    findings = {
                        site: decisions.settle(
                            decisions.set_apart(self.warehouse, found.get(site, [])),
                            overlays[site], RULE_VERSIONS) for site in sites}
                    departing = {site for (site,) in con.execute(
                        "SELECT DISTINCT site FROM judged_departed WHERE NOT noted").fetchall()}
                    for site in sites:
                        if before.get(site) or site in departing:
                            resends.note_resent(self.warehouse, self.network, site,
                                                before.get(site, []), findings[site], self.as_of)
                with self.timed("load"):
                    clean.load_sites(self.warehouse, [
                        one for of_site in findings.values() for one in of_site],
                        self.as_of, works)
        except Exception:
            LOG.exception("judging together failed; the sites are judged one by one")
            return
        self._stood |= works
        self._loaded |= set(works)
        for site in sites:
            self.outcome.sites[site].redone = True

    def _tell_works(self) -> None:
        """Ask of all sites at once what their judgement follows from, and lay out the passes.

        Once a run: what is asked site by site costs more than the few rows of most weeks.
        """
        if self._told:
            return
        con = self.warehouse.connection
        # A copy may turn out to be another site's without anything new from the site.
        self._files = dict(con.execute(
            "SELECT site, hash(list((seq, path, sha256, code) ORDER BY seq))::VARCHAR "
            "FROM receipts LEFT JOIN (FROM file_troubles WHERE code = ?) USING (site, sha256) "
            "GROUP BY site", [belonging.COPY]).fetchall())
        # Only the future rule looks at the day of the run; a run on another day changes
        # nothing for a site whose rows all lie before both.
        self._ahead = {site for (site,) in con.execute(
            "SELECT DISTINCT site FROM staged_events WHERE local_date > ?",
            [self.as_of]).fetchall()}
        self._evidence = kept_evidence.digests(self.warehouse)
        self._stood = clean.work_digests(self.warehouse)
        self._answered = home_coming.sites_with_unsettled_books(self.warehouse)
        self._answered |= pending.sites_waiting(self.network_dir)
        decided = decisions.work_states(self.warehouse)
        changed = [site for site in self._here
                   if self._work(site, decided.get(site, "")) != self._stood.get(site)]
        self._changed = frozenset(changed)
        self._loaded = set()
        self._together = {}
        for sites in self._passes(changed):
            self._together |= dict.fromkeys(sites, sites)
        self._told = True

    def _passes(self, changed: Sequence[str]) -> list[list[str]]:
        """``changed`` sites, those together that are judged and loaded in one pass.

        So many that their rows are few enough, and no two that have sent the same file: rows
        are known by their file.
        """
        sent: dict[str, tuple[int, set[str]]] = {
            site: (events, set(files)) for site, events, files in
            self.warehouse.connection.execute(
                "SELECT site, sum(events), list(DISTINCT sha256) FROM readings "
                "GROUP BY site").fetchall()}
        passes: list[tuple[list[str], int, set[str]]] = []
        for site in changed:
            events, files = sent.get(site, (0, set()))
            for place, (sites, had, of_files) in enumerate(passes[-_PASSES_OPEN:],
                                                           max(0, len(passes) - _PASSES_OPEN)):
                if had + events <= MOST_TOGETHER and not of_files & files:
                    passes[place] = ([*sites, site], had + events, of_files | files)
                    break
            else:
                passes.append(([site], events, files))
        return [sites for sites, _, _ in passes]

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
            clean.load_site(self.warehouse, site_id, findings, self.as_of,
                            self._work_digest(site_id))

    def _judge(self, overlays: Mapping[str, Overlay]) -> dict[str, list[Finding]]:
        """Findings of the rows that are laid out, by site."""
        con = self.warehouse.connection
        places = [Place(*row) for row in con.execute(
            "SELECT file_sha256, sheet, column_index, field, taxon, life_stage, unit "
            "FROM judged_places").fetchall()]
        # People know their files by name; the folder is the site, which they know too.
        names = {sha: path.removeprefix(f"{site}/") for site, sha, path in
                 con.execute("SELECT site, sha256, path FROM judged_files").fetchall()}
        instead = {cell: text for overlay in overlays.values() for cell, text in
                   corrected_texts(self.warehouse, overlay, places).items()}
        rows: dict[str, dict[tuple[str, int], list[str]]] = {}

        def raw_text(sha: str, sheet: str, row: int, column: int) -> str:
            if (sha, sheet, row, column) in instead:
                return instead[sha, sheet, row, column]
            # All files at a time: one question to the engine costs more than a sheet of rows.
            if not rows:
                rows.update(self._rows_laid_out())
            cells = rows.get(sha, {}).get((sheet, row), [])
            return cells[column] if column < len(cells) else ""

        versions = {site: self._version(site) for site in overlays}
        return closed_seasons.judge_laid_out(
            self.warehouse, self.network, self.as_of, places, raw_text, names, versions, instead)

    def _rows_laid_out(self) -> dict[str, dict[tuple[str, int], list[str]]]:
        """The cells of the rows that are laid out, by file, sheet and row."""
        rows: dict[str, dict[tuple[str, int], list[str]]] = {}
        for sha, sheet, number, cells in self.warehouse.connection.execute(
                "SELECT sha256, sheet, sheet_row, cells FROM raw_rows "
                "WHERE sha256 IN (SELECT sha256 FROM judged_files)").fetchall():
            rows.setdefault(sha, {})[sheet, number] = cells
        return rows

    def _version(self, site_id: str) -> str:
        """Changes whenever the site's rows would be read or judged otherwise."""
        return short_digest(
            staging.reader_key(READER_VERSION, self.network, site_id),
            self.network.digest(site_id), judge_version(), closed_seasons.LONG,
            self.network.season_of(self.as_of))

    def _work_digest(self, site_id: str) -> str:
        """Changes whenever judging or loading the site could come out otherwise."""
        self._tell_works()
        return self._work(site_id, decisions.work_states(
            self.warehouse, lineage.named([site_id])).get(site_id, ""))

    def _work(self, site_id: str, decided: str) -> str:
        return short_digest(
            self._files.get(site_id, ""), self._version(site_id),
            self._evidence.get(site_id, ""), self.as_of if site_id in self._ahead else "",
            decided)

    def judge_only(self, sites: Sequence[str]) -> None:
        """Of all sites whose evidence is gathered, judge these here from now on."""
        self._here = tuple(sites)
        self._told = False

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
            open_now = following_up.open_questions_of(
                self.warehouse, list(self.network.sites), self.as_of)
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


def receive_and_read(run: WeeklyRun) -> None:
    """Receive what stands in the inbox and read what was not read yet, site after site."""
    for site in run.network.sites:
        run.receive(site)
    run.tell_copies_apart()
    for site in run.network.sites:
        run.take_in(site)


def run_in_order(network_dir: Path, network: Network, as_of: dt.date) -> Outcome:
    """The whole run, one stage and one site after the other, with no scheduler.

    What :mod:`flows.orchestration` does side by side; benchmarks and tests use this.
    """
    with warehouse_of(network_dir, network) as warehouse:
        run = WeeklyRun(network_dir, network, warehouse, as_of)
        receive_and_read(run)
        run.compare_sites()
        for site in network.sites:
            run.judge_and_load(site)
        run.publish()
        for site in network.sites:
            run.return_to(site)
        return run.finish()
