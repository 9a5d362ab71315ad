"""What is done by itself, each thing from beginning to end, with nothing said about when.

Every chore can be cut off at any moment and done again. It is entered in the ledger when it
begins and when it ends; one that fails tells the coordinator.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from email.utils import parseaddr
from pathlib import Path

from flows.collecting import collect_round
from flows.keeping.backup import back_up, prune
from flows.network_folder import load_network
from flows.returns.wording import day, plain
from flows.scheduling.clock import aware, naive, utc_now
from flows.scheduling.turns import RUN, turn
from flows.secrets import cleared
from flows.sending.envelope import Words, message_id, seal
from flows.sending.monday import compose_monday, write_monday
from flows.sending.posting import Posted, post
from flows.sending.transport import MailServer
from flows.sending.writing import (
    COORDINATOR,
    DRY_RUN,
    Outbox,
    write_answers,
    write_overdue,
    write_reminders,
    write_week,
)
from flows.watching.log import LOG, event, log_to, run_id
from flows.weekly import Outcome, run_in_order
from flows.workplace import warehouse_of
from shared.identity import short_digest
from shared.operating import addresses
from shared.problems import NetworkBusy, Problem
from shared.settings import Network
from warehouse import activities, durable
from warehouse.activities import Done
from warehouse.slices import OF_THE_NETWORK
from warehouse.standing import Standing, read_standing
from warehouse.store import Warehouse


class ChoreFailed(Problem, RuntimeError):
    """A chore failed, was entered in the ledger and told; whoever asked for it hears it too."""

    code = "chore-failed"


WAIT_SECONDS = 1800.0
"""How long a chore waits for the one before it."""

Runner = Callable[[Path, Network, dt.date], Outcome]
"""Does the weekly run: under Prefect, or in order without it."""


@dataclass(frozen=True, slots=True)
class Chore:
    """What a chore has to work with. ``due`` is aware, in the network's zone."""

    network_dir: Path
    network: Network
    due: dt.datetime
    run: Runner

    @property
    def day(self) -> dt.date:
        """The day it was due, at the network: what it is done as of."""
        return self.due.date()


def perform(
    activity: str, network_dir: Path, run: Runner = run_in_order, *, anew: bool = False,
) -> Done | None:
    """Do ``activity`` for the time it was last due, if that has not been done (or ``anew``).

    Returns how it ended, None when there was nothing to do. Raises :class:`Problem` only
    where nothing could be begun.
    """
    network = load_network(network_dir)
    log_to(network_dir)
    with turn(network_dir, RUN, WAIT_SECONDS):
        now = utc_now()
        cron = network.operating.schedule.cron(activity)
        due = (cron.last_until(aware(now)) if cron is not None else None) or aware(now)
        if not anew and activities.done_for(network_dir, activity, naive(due)):
            return None
        id_ = short_digest(network.id, activity, due, time.time_ns())
        with run_id(id_):
            return _performed(Chore(network_dir, network, due, run), activity, id_, now)


def _performed(chore: Chore, activity: str, id_: str, began: dt.datetime) -> Done:
    due = naive(chore.due)
    event(f"{activity} begins", activity=activity, due=chore.due.isoformat())
    failed: BaseException | None = None
    try:
        with open_patiently(chore.network_dir) as warehouse:
            activities.begin(warehouse, id_, activity, due, began)
        told = CHORES[activity](chore)
        outcome = "done"
    except Problem as problem:
        failed, outcome, told = problem, "failed", problem.trouble.sentence()
    except Exception as error:  # whatever it is, somebody must hear of it
        failed, outcome = error, "failed"
        told = (f"It failed on our side ({type(error).__name__}: {error}). Nothing that arrived "
                "is lost; it is tried again within the hour.")
    told = cleared(told)
    ended = utc_now()
    done = Done(id_, activity, due.isoformat(), began.isoformat(), ended.isoformat(), outcome,
                told)
    if failed is not None:
        LOG.error("%s failed: %s", activity, told, exc_info=failed)
        _tell_of_failure(chore, done)
    else:
        event(f"{activity} done", activity=activity, told=told)
    try:
        with open_patiently(chore.network_dir) as warehouse:
            activities.end(warehouse, id_, outcome, told, ended)
        activities.tell(chore.network_dir, done)
    except Exception:  # the next chore finds it cut off
        LOG.exception("the ledger could not be written")
    return done


@contextlib.contextmanager
def open_patiently(network_dir: Path, seconds: float = 300.0) -> Iterator[Warehouse]:
    """The warehouse, waiting a while for whoever has it open (a person's command, mostly).

    For what is written by chores: the ledger, sources and letters, and the record.
    """
    deadline = time.monotonic() + seconds
    with contextlib.ExitStack() as stack:
        while True:
            try:
                warehouse = stack.enter_context(
                    warehouse_of(network_dir, touches=[OF_THE_NETWORK]))
                break
            except NetworkBusy:
                if time.monotonic() >= deadline:
                    raise
                time.sleep(0.5)
        yield warehouse


# -- the chores ------------------------------------------------------------------------


def collect(chore: Chore) -> str:
    """Ask every source, answer whom there is to answer, send what waits."""
    with open_patiently(chore.network_dir) as warehouse:
        found = collect_round(warehouse, chore.network, utc_now())
        outbox = Outbox(warehouse, chore.network, utc_now())
        write_answers(outbox, found.to_answer)
        posted = post(warehouse, chore.network.operating, utc_now())
    for site, trouble in found.troubles:
        event("source in trouble", site=site, code=trouble.code, told=trouble.sentence())
    for site, path in found.taken:
        event("sheet taken", site=site, path=path)
    _log_posted(posted)
    return f"Collected: {found.sentence()}." + _mail_sentence(chore.network, posted)


def weekly(chore: Chore) -> str:
    """Collect, run, and send every site and the coordinator their letter."""
    with open_patiently(chore.network_dir) as warehouse:
        found = collect_round(warehouse, chore.network, utc_now())
        write_answers(Outbox(warehouse, chore.network, utc_now()), found.to_answer)
    outcome = chore.run(chore.network_dir, chore.network, chore.day)
    posted = send_week(chore.network_dir, chore.network, chore.day)
    version = read_standing(chore.network_dir)
    return (f"Week to {day(chore.day)}: {found.sentence()} collected; "
            f"{sum(site.redone for site in outcome.sites.values())} sites judged anew; release "
            f"{version.release if version else None}." + _mail_sentence(chore.network, posted))


def send_week(network_dir: Path, network: Network, as_of: dt.date) -> Posted:
    """Put the letters of the week of ``as_of`` into the outbox and send what is due."""
    standing = read_standing(network_dir)
    if standing is None:
        return Posted()
    with open_patiently(network_dir) as warehouse:
        outbox = Outbox(warehouse, network, utc_now())
        write_week(outbox, standing, as_of)
        posted = post(warehouse, network.operating, utc_now())
        # The coordinator's is written last: it tells what became of the others.
        monday, told = compose_monday(outbox, standing, as_of, _refused(standing),
                                      posted.resolved)
        write_monday(outbox, monday, told, as_of)
        last = post(warehouse, network.operating, utc_now())
    posted.sent += last.sent
    posted.refused += last.refused
    posted.waiting += last.waiting
    posted.trouble = last.trouble or posted.trouble
    _log_posted(posted)
    return posted


def show_week(network_dir: Path, network: Network, as_of: dt.date) -> list[Path]:
    """The letters of the week as .eml files in ``outbox/dry-run``; nothing is sent or noted."""
    standing = read_standing(network_dir)
    assert standing is not None
    shutil.rmtree(network_dir / "outbox" / DRY_RUN, ignore_errors=True)
    with open_patiently(network_dir) as warehouse:
        outbox = Outbox(warehouse, network, utc_now(), dry_run=True)
        write_week(outbox, standing, as_of)
        monday, told = compose_monday(outbox, standing, as_of, _refused(standing))
        write_monday(outbox, monday, told, as_of)
    return outbox.put_out


def _refused(standing: Standing) -> str:
    """Why the run left no release, as the gate told it; empty when it did."""
    if standing.release is not None:
        return ""
    return " ".join(standing.notices) or "The run could not build it."


def remind(chore: Chore) -> str:
    """Before the run: a line to sites whose sheet or answer is missing."""
    cron = chore.network.operating.schedule.cron("weekly")
    following = cron.next_after(chore.due) if cron is not None else None
    run_day = following.date() if following is not None else chore.day
    return _letters(chore, lambda outbox, standing: write_reminders(
        outbox, standing, chore.day, run_day))


def overdue(chore: Chore) -> str:
    """A line to sites whose sheet is late."""
    return _letters(chore, lambda outbox, standing: write_overdue(outbox, standing, chore.day))


def _letters(chore: Chore, write: Callable[..., None]) -> str:
    standing = read_standing(chore.network_dir)
    if standing is None:
        return "No run has been done yet; there is nobody to write to."
    with open_patiently(chore.network_dir) as warehouse:
        outbox = Outbox(warehouse, chore.network, utc_now())
        write(outbox, standing)
        posted = post(warehouse, chore.network.operating, utc_now())
    _log_posted(posted)
    return f"{outbox.queued + len(outbox.put_out)} written." + _mail_sentence(
        chore.network, posted)


def backup(chore: Chore) -> str:
    """A backup, looked at, and the oldest beyond the number to keep removed."""
    to = backup_folder(chore.network_dir, chore.network)
    made = back_up(chore.network_dir, to, chore.network.id, utc_now()).of_sound_files()
    prune(to, chore.network.id, chore.network.operating.schedule.keep_backups)
    return f"Backup {made.path.name}: {made.files} files, {made.size / 1e6:.1f} MB, looked at."


def backup_folder(network_dir: Path, network: Network) -> Path:
    """Where the network's backups go."""
    return network_dir / (Path(network.operating.schedule.backup_to or "backups").expanduser())


def close(chore: Chore) -> str:
    """The season is over: final from now on, a last run, a backup, a word to the coordinator."""
    from warehouse.closing import close_season

    # The close may fall into a later year than the season's name only by its two weeks.
    season = chore.network.season_of(chore.day - dt.timedelta(days=15))
    close_season(chore.network_dir, chore.network, season, chore.day)
    chore.run(chore.network_dir, chore.network, chore.day)
    kept = backup(chore)
    standing = read_standing(chore.network_dir)
    assert standing is not None  # a run leaves one
    held = sum(entry.held for entry in standing.sites)
    with open_patiently(chore.network_dir) as warehouse:
        outbox = Outbox(warehouse, chore.network, utc_now())
        outbox.put("close", "", chore.network.coordinator, f"season {season}", Words(
            f"{plain(chore.network.name, 60)}: the season {season} is closed",
            f"The last run of the season {season} was done on {day(chore.day)}. The release is "
            f"{standing.release}; {held:,} rows are still held and left out of it.\n\n{kept}\n\n"
            "Next: settle what is held (`tallyweir status`), then make the season's report and "
            "the permit report (`tallyweir season`).\n"))
        posted = post(warehouse, chore.network.operating, utc_now())
    return f"Season {season} closed with release {standing.release}. {kept}" + _mail_sentence(
        chore.network, posted)


CHORES: Mapping[str, Callable[[Chore], str]] = {
    "collect": collect, "weekly": weekly, "remind": remind, "overdue": overdue,
    "backup": backup, "close": close}


def _mail_sentence(network: Network, posted: Posted) -> str:
    return f" Mail: {posted.sentence()}." if network.operating.mail.set else ""


def _log_posted(posted: Posted) -> None:
    for letter in posted.sent:
        event("letter sent", site=letter.site, kind=letter.kind, message_id=letter.message_id)
    for word, found in (("letter refused", posted.refused), ("letter waits", posted.waiting)):
        for letter, said in found:
            event(word, site=letter.site, kind=letter.kind, message_id=letter.message_id,
                  said=said)
    for sentence in posted.resolved:
        event("letter settled", told=sentence)
    if posted.trouble is not None:
        LOG.error("mail in trouble: %s", posted.trouble.sentence())


def _tell_of_failure(chore: Chore, done: Done) -> None:
    """Tell the coordinator, once a day and chore; also where the warehouse cannot be used."""
    network = chore.network
    words = Words(
        f"{plain(network.name, 60)}: {done.activity} failed",
        f"{done.activity} (due {chore.due:%Y-%m-%d %H:%M}) failed.\n\n{done.told}\n\n"
        f"`tallyweir health {chore.network_dir}` says how things stand; the log has more under "
        f"run {done.id}.\n")
    period = f"{chore.day.isoformat()} {done.activity}"
    now = utc_now()
    try:
        with open_patiently(chore.network_dir, 30.0) as warehouse:
            outbox = Outbox(warehouse, network, now)
            outbox.put("failure", "", network.coordinator, period, words)
            post(warehouse, network.operating, now)
        return
    except Exception:
        LOG.exception("the failure could not be put into the outbox")
    with contextlib.suppress(OSError):
        durable.write_text(
            chore.network_dir / "outbox" / COORDINATOR / "letters" / "failure.txt",
            f"{words.subject}\n\n{words.text}")
    mail = network.operating.mail
    if not mail.set:
        return
    try:
        with MailServer(mail) as server:
            for address in addresses(network.coordinator):
                id_ = message_id(mail, "failure", "", address, period)
                server.hand_over(parseaddr(mail.sender)[1], address, "",
                                 seal(words, mail, address, id_, now), lambda: None)
    except Exception:
        LOG.exception("the failure could not be told by mail")
