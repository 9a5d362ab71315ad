"""A mailbox at a real IMAP server: attachments of known senders, answers, bounces, strangers."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from email.message import EmailMessage

import pytest

from flows.collecting.mailbox import MailRound, holds, look_into_mailbox
from flows.secrets import MAILBOX_PASSWORD as VARIABLE
from flows.sending.writing import Outbox, write_answers
from shared.settings import Network
from tests.flows.real_servers import (
    MAILBOX_PASSWORD,
    Authority,
    MailIn,
    dovecot_missing,
    mail_in,
)
from warehouse import letters
from warehouse.arrivals import arrivals
from warehouse.store import Warehouse

pytestmark = pytest.mark.skipif(bool(dovecot_missing()), reason=dovecot_missing())

NOW = dt.datetime(2026, 4, 19, 12, 0)
SHEET = b"Date,Glass eels\n2026-04-18,12\n"


@pytest.fixture(scope="module")
def server(authority: Authority) -> Iterator[MailIn]:
    with mail_in(authority) as running:
        yield running


@pytest.fixture
def box(server: MailIn, monkeypatch: pytest.MonkeyPatch) -> MailIn:
    monkeypatch.setenv(VARIABLE, MAILBOX_PASSWORD)
    for part in ("new", "cur"):
        for path in (server.maildir / part).iterdir():
            path.unlink()
    return server


@pytest.fixture
def settled(network: Callable[..., Network], server: MailIn) -> Network:
    return network(
        '[mail]\nserver = "localhost"\nsecurity = "none"\nfrom = "count@lantern.example"\n'
        + server.settings,
        alder='collect = { senders = ["ada@example.org"] }',
        hobnail='collect = { senders = ["hob@example.org"] }')


def _mail(sender: str = "Ada <ada@example.org>", name: str = "counts.csv",
          content: bytes | None = SHEET, id_: str = "<1@example.org>", **headers: str
          ) -> EmailMessage:
    mail = EmailMessage()
    mail["From"], mail["To"], mail["Subject"] = sender, "count@lantern.example", "This week"
    mail["Message-ID"] = id_
    for header, value in headers.items():
        mail[header.replace("_", "-")] = value
    mail.set_content("Here it is.")
    if content is not None:
        mail.add_attachment(content, maintype="application", subtype="octet-stream",
                            filename=name)
    return mail


def _look(warehouse: Warehouse, network: Network) -> MailRound:
    found = look_into_mailbox(warehouse, network.operating, NOW)
    assert [trouble for trouble in found.troubles if trouble.code != "stranger"] == []
    return found


def test_an_attachment_of_a_known_sender_is_that_sites_sheet(
    warehouse: Warehouse, box: MailIn, settled: Network
) -> None:
    box.arrives(_mail())
    box.arrives(_mail("HOB@Example.org", id_="<2@example.org>", name="../../hob.csv"))
    found = _look(warehouse, settled)
    assert found.taken == [("alder-creek", "alder-creek/counts.csv"),
                           ("hobnail-brook", "hobnail-brook/hob.csv")]
    assert [(item.channel, item.source, item.ref) for item in arrivals(warehouse)] == [
        ("mail", "ada@example.org", "<1@example.org>"),
        ("mail", "hob@example.org", "<2@example.org>")]
    assert _look(warehouse, settled).taken == []
    # Nothing was marked or moved: people may use the mailbox too.
    assert len(list((box.maildir / "new").iterdir())) + len(
        list((box.maildir / "cur").iterdir())) == 2


def test_the_same_mail_delivered_twice_counts_once(
    warehouse: Warehouse, box: MailIn, settled: Network
) -> None:
    box.arrives(_mail())
    box.arrives(_mail())
    assert len(_look(warehouse, settled).taken) == 1


def test_a_mailbox_that_numbers_anew_brings_nothing_twice(
    warehouse: Warehouse, box: MailIn, settled: Network
) -> None:
    box.arrives(_mail())
    _look(warehouse, settled)
    with warehouse.transaction() as connection:
        connection.execute("UPDATE sources SET mark = '{\"of\": \"1\", \"last\": 9999}'")
    box.arrives(_mail(id_="<3@example.org>", content=SHEET + b"2026-04-19,1\n"))
    assert len(_look(warehouse, settled).taken) == 1


@pytest.mark.parametrize(("mail", "why"), [
    (_mail(content=None), "nothing was attached to it"),
    (_mail(name="net.jpg"), '"net.jpg" is no sheet'),
    (_mail(name="counts.xlsx", content=b"PK\x03\x04half"), 'of "counts.xlsx" only a part'),
])
def test_a_mail_without_a_sheet_is_answered_once(
    warehouse: Warehouse, box: MailIn, settled: Network, mail: EmailMessage, why: str
) -> None:
    box.arrives(mail)
    found = _look(warehouse, settled)
    assert [(item.site, item.address) for item in found.to_answer] == [
        ("alder-creek", "ada@example.org")]
    assert why in found.to_answer[0].why
    write_answers(Outbox(warehouse, settled, NOW), found.to_answer)
    write_answers(Outbox(warehouse, settled, NOW), found.to_answer)
    (letter,) = letters.letters(warehouse)
    assert (letter.kind, letter.address) == ("answer", "ada@example.org")
    text = letters.letter_path(warehouse.network_dir, letter.id).read_text(encoding="utf-8")
    assert "In-Reply-To: <1@example.org>" in text and "Auto-Submitted: auto-replied" in text


@pytest.mark.parametrize("headers", [
    {"Auto_Submitted": "auto-replied"}, {"Precedence": "bulk"}, {"List_Id": "<l.example.org>"},
])
def test_machines_are_not_answered(
    warehouse: Warehouse, box: MailIn, settled: Network, headers: dict[str, str]
) -> None:
    box.arrives(_mail(content=None, **headers))
    assert _look(warehouse, settled).to_answer == []


def test_a_stranger_is_told_of_and_neither_answered_nor_believed(
    warehouse: Warehouse, box: MailIn, settled: Network
) -> None:
    box.arrives(_mail("Mallory <mallory@example.net>"))
    found = _look(warehouse, settled)
    assert (found.taken, found.to_answer) == ([], [])
    (trouble,) = found.troubles
    assert "mallory@example.net" in trouble.what
    assert not (warehouse.network_dir / "inbox").exists()


def test_a_mail_too_large_is_not_fetched_and_is_answered(
    warehouse: Warehouse, box: MailIn, network: Callable[..., Network]
) -> None:
    settled = network('[collect]\nmegabytes = 0.05\n' + box.settings,
                      alder='collect = { senders = ["ada@example.org"] }')
    box.arrives(_mail(content=b"x" * 400_000))
    (item,) = _look(warehouse, settled).to_answer
    assert "larger than a sheet can be" in item.why


@pytest.mark.parametrize("raw", [
    b"From: ada@example.org\nContent-Type: multipart/mixed; boundary=\n\n--\nx",
    b"From: \xff\xfe <ada@example.org\nMessage-ID: <" + b"x" * 5000 + b">\n\n",
    b"From: ada@example.org\nContent-Disposition: attachment; filename*=nope'x\n"
    b"Content-Transfer-Encoding: base64\n\n!!!!",
    b"From: ada@example.org\nSubject: =?utf-8?q?=ff?=\nReferences: <a\n b>\n"
    b"Content-Type: text/plain; charset=none-such\n\n\xff",
    b"\n", b"From: ada@example.org\nDate: never\n\n",
])
def test_a_broken_mail_stands_in_nobodys_way(
    warehouse: Warehouse, box: MailIn, settled: Network, raw: bytes
) -> None:
    from tests.flows.real_servers import deliver

    deliver(box.maildir, raw)
    box.arrives(_mail())
    found = look_into_mailbox(warehouse, settled.operating, NOW)
    assert ("alder-creek", "alder-creek/counts.csv") in found.taken
    assert look_into_mailbox(warehouse, settled.operating, NOW).taken == []


def test_a_name_longer_than_a_disk_takes_does_not_stop_the_mailbox(
    warehouse: Warehouse, box: MailIn, settled: Network
) -> None:
    """Names are counted in letters by people and in bytes by file systems."""
    box.arrives(_mail(name="数" * 120 + ".csv"))
    box.arrives(_mail(id_="<2@example.org>"))
    (first, second) = _look(warehouse, settled).taken
    assert first[1].endswith("数.csv") and second[1] == "alder-creek/counts.csv"
    assert (warehouse.network_dir / "inbox" / first[1]).read_bytes() == SHEET


def _bounce(of: str) -> EmailMessage:
    """A delivery status notification as RFC 3464 lays it out."""
    import email
    import email.policy

    text = f"""From: MAILER-DAEMON@lantern.example
To: count@lantern.example
Subject: Undelivered Mail Returned to Sender
Message-ID: <bounce-1@lantern.example>
Auto-Submitted: auto-replied
MIME-Version: 1.0
Content-Type: multipart/report; report-type=delivery-status; boundary="B"

--B
Content-Type: text/plain

It did not work.
--B
Content-Type: message/delivery-status

Reporting-MTA: dns; lantern.example

Final-Recipient: rfc822; hob@example.org
Action: failed
Status: 5.1.1
Diagnostic-Code: smtp; 550 5.1.1 no such person

--B
Content-Type: message/rfc822

From: count@lantern.example
To: hob@example.org
Message-ID: {of}
Subject: your week

text
--B--
"""
    mail = email.message_from_string(text, policy=email.policy.default)
    assert isinstance(mail, EmailMessage)
    return mail


def test_a_letter_that_comes_back_is_noted_on_it(
    warehouse: Warehouse, box: MailIn, settled: Network
) -> None:
    letters.queue(warehouse, "week", "hobnail-brook", "hob@example.org", "2026-W16", "s",
                  "<abc.week@lantern.example>", b"x", NOW)
    box.arrives(_bounce("<abc.week@lantern.example>"))
    found = _look(warehouse, settled)
    assert found.bounces == ["<abc.week@lantern.example>"] and found.to_answer == []
    (letter,) = letters.letters(warehouse, "bounced")
    assert "550 5.1.1 no such person" in letter.answer


def test_the_copy_of_our_own_letter_is_looked_up_and_otherwise_left_alone(
    warehouse: Warehouse, box: MailIn, settled: Network
) -> None:
    box.arrives(_mail("count@lantern.example", id_="<abc.week@lantern.example>"))
    found = _look(warehouse, settled)
    assert (found.taken, found.to_answer, found.troubles) == ([], [], [])
    mailbox = settled.operating.collect.mailbox
    assert mailbox is not None
    assert holds(mailbox, "<abc.week@lantern.example>")
    assert not holds(mailbox, "<other.week@lantern.example>")


def test_a_wrong_password_is_told_without_it(
    warehouse: Warehouse, box: MailIn, settled: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, "wr0ng-s3cret")
    (trouble,) = look_into_mailbox(warehouse, settled.operating, NOW).troubles
    assert "refuses the password" in trouble.what and "wr0ng" not in trouble.sentence()


def test_a_server_nobody_vouches_for_gets_no_password(
    warehouse: Warehouse, box: MailIn, network: Callable[..., Network]
) -> None:
    settled = network(f'[collect.mailbox]\nserver = "localhost"\nport = {box.port}\n'
                      'user = "count"\n')
    (trouble,) = look_into_mailbox(warehouse, settled.operating, NOW).troubles
    assert "certificate does not hold" in trouble.what
