"""The chores themselves, without a scheduler: what is done, once, and who hears of a failure."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
import json
from collections.abc import Iterator
from email.message import EmailMessage
from pathlib import Path

import pytest

from flows.cli import main
from flows.network_folder import load_network
from flows.scheduling import chores
from flows.scheduling.chores import perform
from flows.scheduling.clock import VARIABLE
from flows.scheduling.heartbeat import beat
from flows.scheduling.serving import Keeper
from flows.scheduling.turns import RUN, turn
from flows.secrets import MAIL_PASSWORD
from flows.sending.writing import Outbox, write_week
from flows.watching.health import matters
from shared.problems import NetworkBusy
from tests.flows.real_servers import PASSWORD, Authority, MailOut, mail_out
from warehouse import activities, letters
from warehouse.activities import Done, read_operations
from warehouse.standing import SiteStanding, Standing
from warehouse.store import Warehouse

SITES = ("cinderpath-brook", "hobnail-brook")

SUNDAY = dt.datetime(2026, 3, 16, 3, 5)
"""Five past eleven at night on 15 March at the network, in UTC."""


def _at(monkeypatch: pytest.MonkeyPatch, moment: dt.datetime) -> None:
    import time

    monkeypatch.setenv(VARIABLE, f"{moment.isoformat()}|1|{time.time()}")


@pytest.fixture
def server(authority: Authority, monkeypatch: pytest.MonkeyPatch) -> Iterator[MailOut]:
    monkeypatch.setenv(MAIL_PASSWORD, PASSWORD)
    with mail_out(authority) as running:
        yield running


def _add(bay: Path, text: str) -> None:
    with (bay / "network.toml").open("a", encoding="utf-8", newline="\n") as handle:
        handle.write(text)


def test_a_week_from_sheets_to_letters_and_not_twice(
    bay: Path, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    _add(bay, f'\n{server.settings}quiet_weeks = "one line"\n')
    _at(monkeypatch, SUNDAY)
    done = perform("weekly", bay)
    assert done is not None and done.outcome == "done", done
    assert done.due == "2026-03-16T03:00:00"
    people = sorted(person for person, _ in server.taken)
    assert people == ["cinderpath-brook@example.org", "coordinator@example.org",
                      "hobnail-brook@example.org"]
    (monday,) = server.letters_to("coordinator@example.org")
    text = monday.get_body(("plain",))
    assert text is not None
    said = text.get_content()
    assert "2 of 2 sites sent a sheet" in said and "CHANGES.md" in said
    assert "passed the gate" in said
    # A letter with questions has the workbook; its lines are the outbox's.
    asked = [mail for _, mail in server.taken if list(mail.iter_attachments())]
    assert asked and all(part.get_filename() == "please-answer.xlsx"
                         for mail in asked for part in mail.iter_attachments())
    assert perform("weekly", bay) is None
    again = perform("weekly", bay, anew=True)
    assert again is not None and again.outcome == "done"
    assert len(server.taken) == 3
    lines = [json.loads(line) for line in
             (bay / "warehouse" / "tallyweir.log").read_text(encoding="utf-8").splitlines()]
    assert {line["run"] for line in lines} == {done.id, again.id}
    with Warehouse.open(bay) as warehouse:
        assert [(entry.activity, entry.outcome) for entry in activities.ledger(warehouse)] == [
            ("weekly", "done"), ("weekly", "done")]
        runs = warehouse.connection.execute("SELECT id FROM runs ORDER BY seq").fetchall()
    assert [id_ for (id_,) in runs] == [done.id, again.id]


@pytest.mark.parametrize(("asked", "received", "said"), [
    (0, "2026-03-22", "the sheet of Hobnail Brook is in, 286 rows in all, and there is nothing"),
    (0, "2026-03-08", "no new sheet came from Hobnail Brook this week"),
    (2, "2026-03-22", "2 questions from before wait for an answer"),
])
def test_a_quiet_week_says_nothing_or_one_line(
    bay: Path, asked: int, received: str, said: str
) -> None:
    text = (bay / "network.toml").read_text(encoding="utf-8")
    (bay / "network.toml").write_text(text.replace(
        "[sites.hobnail-brook]", '[sites.hobnail-brook]\nquiet_weeks = "one line"')
        + '[mail]\nserver = "localhost"\nsecurity = "none"\nfrom = "a@example.org"\n',
        encoding="utf-8", newline="\n")
    sites = tuple(
        SiteStanding(site=site, name=site.replace("-", " ").title(), last_received=received,
                     files=1, rows=286, clean=286, masked=0, queried=0, held=0, skipped=0,
                     vanished=0, asked=asked, troubles=(), open_findings=0, by_rule={},
                     held_rows=())
        for site in SITES)
    standing = Standing("2026-03-22", "2026.12.0", "done", (), sites)
    with Warehouse.open(bay) as warehouse:
        write_week(Outbox(warehouse, load_network(bay), SUNDAY), standing, dt.date(2026, 3, 22))
        (letter,) = letters.letters(warehouse)
        content = letters.letter_path(bay, letter.id).read_bytes()
    assert letter.site == "hobnail-brook"
    mail = email.message_from_bytes(content, policy=email.policy.default)
    assert isinstance(mail, EmailMessage)
    (line,) = mail.get_content().strip().splitlines()
    assert said in line


def test_a_failure_is_entered_and_told_once_a_day(
    bay: Path, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    _add(bay, f"\n{server.settings}")
    _at(monkeypatch, SUNDAY)

    def broken(*_: object) -> None:
        raise RuntimeError(f"a planted fault that quotes {PASSWORD}")

    for _ in range(2):
        done = perform("weekly", bay, broken)  # type: ignore[arg-type]
        assert done is not None and done.outcome == "failed"
    (told,) = server.letters_to("coordinator@example.org")
    assert "weekly failed" in str(told["Subject"])
    assert "a planted fault" in told.as_string() and PASSWORD not in told.as_string()
    log = (bay / "warehouse" / "tallyweir.log").read_text(encoding="utf-8")
    assert "a planted fault" in log and PASSWORD not in log
    assert read_operations(bay)["weekly"]["last"].outcome == "failed"
    states = {matter.name: matter.state for matter in matters(bay, load_network(bay))}
    assert states["weekly"] == "bad"
    # It is not done: the keeper has it done again.
    assert perform("weekly", bay) is not None


def test_a_warehouse_that_cannot_be_used_is_told_by_mail_all_the_same(
    bay: Path, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    _add(bay, f"\n{server.settings}")
    (bay / "warehouse").mkdir()
    (bay / "warehouse" / "tallyweir.duckdb").write_bytes(b"no database")
    _at(monkeypatch, SUNDAY)
    done = perform("weekly", bay)
    assert done is not None and done.outcome == "failed"
    (told,) = server.letters_to("coordinator@example.org")
    assert "cannot be used" in told.as_string()


def test_one_thing_at_a_time(bay: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chores, "WAIT_SECONDS", 0.05)
    with turn(bay, RUN), pytest.raises(NetworkBusy):
        perform("collect", bay)
    assert perform("collect", bay) is not None


def test_reminders_go_to_those_who_are_missing(
    bay: Path, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (bay / "network.toml").read_text(encoding="utf-8")
    (bay / "network.toml").write_text(text.replace(
        "[sites.hobnail-brook]", "[sites.hobnail-brook]\nreminders = false")
        + server.settings, encoding="utf-8", newline="\n")
    _at(monkeypatch, SUNDAY)
    perform("weekly", bay)
    server.taken.clear()
    _at(monkeypatch, dt.datetime(2026, 3, 28, 12, 0))  # the Saturday of the week after next
    perform("remind", bay)
    perform("overdue", bay)
    assert {person for person, _ in server.taken} == {"cinderpath-brook@example.org"}
    assert "29 Mar 2026" in server.taken[0][1].as_string()


def test_backup_and_health_by_command(
    bay: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    _at(monkeypatch, SUNDAY)
    assert main(["collect", str(bay)]) == 0
    assert main(["backup", str(bay)]) == 0
    assert main(["restore", str(next((bay / "backups").glob("*.gz"))), str(bay.parent / "r")]) == 0
    capsys.readouterr()
    assert main(["health", str(bay), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["schedule"]["weekly"]["next"].startswith("2026-03-22 23:00")
    assert {matter["name"] for matter in found["matters"]} >= {"schedule", "backups", "disk"}


# -- the keeper ------------------------------------------------------------------------


def _keeper(bay: Path) -> tuple[Keeper, list[tuple[str, str]]]:
    made: list[tuple[str, str]] = []
    return Keeper(bay, load_network(bay), lambda activity, due, _: made.append(
        (activity, due.isoformat()))), made


def test_what_was_missed_while_the_machine_was_off_is_made_up_for_once(bay: Path) -> None:
    beat(bay, dt.datetime(2026, 3, 1))
    keeper, made = _keeper(bay)
    # Off from early March until a Wednesday three weeks on.
    keeper.look(dt.datetime(2026, 3, 25, 17, 30))
    assert made == [("weekly", "2026-03-23T03:00:00"), ("overdue", "2026-03-25T13:00:00"),
                    ("backup", "2026-03-25T06:30:00"), ("collect", "2026-03-25T17:00:00")]
    made.clear()
    keeper.look(dt.datetime(2026, 3, 25, 17, 40))
    assert made == []


def test_nothing_was_due_before_the_schedules_were_first_kept(bay: Path) -> None:
    keeper, made = _keeper(bay)
    assert keeper.look(dt.datetime(2026, 3, 25, 17, 30)) == [] and made == []


def test_prefect_comes_first_and_a_failed_chore_again_within_the_hour(
    bay: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from flows.scheduling import serving

    monkeypatch.setattr(serving, "_PATIENCE_SECONDS", 0.0)
    beat(bay, dt.datetime(2026, 3, 1))
    keeper, made = _keeper(bay)
    due = dt.datetime(2026, 3, 23, 3, 0)
    keeper.look(due + dt.timedelta(minutes=2))
    assert ("weekly", due.isoformat()) not in made
    for minutes in (6, 20, 67):
        keeper.look(due + dt.timedelta(minutes=minutes))
    assert made.count(("weekly", due.isoformat())) == 2
    activities.tell(bay, Done("x", "weekly", due.isoformat(), "", "", "done", ""))
    keeper.look(due + dt.timedelta(minutes=200))
    assert made.count(("weekly", due.isoformat())) == 2


def test_a_clock_that_ran_ahead_and_was_set_right_stops_nothing(bay: Path) -> None:
    beat(bay, dt.datetime(2026, 3, 1))
    ahead = dt.datetime(2027, 3, 22, 3, 0)
    activities.tell(bay, Done("x", "weekly", ahead.isoformat(), "", "", "done", ""))
    keeper, made = _keeper(bay)
    keeper.look(dt.datetime(2026, 3, 23, 4, 0))
    assert ("weekly", "2026-03-23T03:00:00") in made
