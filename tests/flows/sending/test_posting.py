"""Letters through a real SMTP server that takes, refuses, puts off, and hangs up half-way."""

from __future__ import annotations

import datetime as dt
import email
import email.policy
from collections.abc import Callable, Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.secrets import MAIL_PASSWORD as VARIABLE
from flows.sending.envelope import Words, message_id, seal
from flows.sending.posting import GRACE, Posted, post
from flows.sending.writing import Outbox
from shared.operating import MailSettings
from shared.settings import Network
from tests.flows.real_servers import PASSWORD, Authority, MailOut, free_port, mail_out
from warehouse import letters
from warehouse.letters import Letter
from warehouse.store import Warehouse

NOW = dt.datetime(2026, 4, 19, 23, 0)
ALDER = "alder@example.org"


@pytest.fixture
def server(authority: Authority, monkeypatch: pytest.MonkeyPatch) -> Iterator[MailOut]:
    monkeypatch.setenv(VARIABLE, PASSWORD)
    with mail_out(authority) as running:
        yield running


@pytest.fixture
def settled(network: Callable[..., Network], server: MailOut) -> Network:
    return network(server.settings)


def _put(warehouse: Warehouse, network: Network, *sites: str, text: str = "hello\n") -> None:
    outbox = Outbox(warehouse, network, NOW)
    for site in sites or ("alder-creek",):
        outbox.put("week", site, network.sites[site].contact, "2026-W16",
                   Words("Your week", text, f"<p>{text}</p>"))


def _post(warehouse: Warehouse, network: Network, hours: float = 0.0,
          looked_up: Callable[[str], bool] | None = None) -> Posted:
    return post(warehouse, network.operating, NOW + dt.timedelta(hours=hours), looked_up)


def _only(warehouse: Warehouse) -> Letter:
    (letter,) = letters.letters(warehouse)
    return letter


def test_a_letter_goes_once_over_tls_with_a_password(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    text = "a line\n.\n.. two dots\nZürich µS\n"
    _put(warehouse, settled, text=text)
    assert [letter.address for letter in _post(warehouse, settled).sent] == [ALDER]
    _put(warehouse, settled, text="other words\n")
    assert _post(warehouse, settled, 5).sent == []
    ((_, mail),) = server.taken
    assert mail["Message-ID"] == _only(warehouse).message_id
    assert mail["Auto-Submitted"] == "auto-generated"
    body = mail.get_body(("plain",))
    assert body is not None and body.get_content().replace("\r\n", "\n") == text
    assert mail.get_body(("html",)) is not None


def test_newer_words_replace_a_letter_that_still_waits(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.stop()
    _put(warehouse, settled, text="old\n")
    trouble = _post(warehouse, settled).trouble
    assert trouble is not None and "cannot be reached" in trouble.what
    _put(warehouse, settled, text="new\n")
    server.start()
    _post(warehouse, settled, 1)
    ((_, mail),) = server.taken
    assert "new" in mail.as_string() and "old" not in mail.as_string()


def test_a_refused_address_is_told_and_the_others_get_theirs(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.manners[ALDER] = "refuse"
    _put(warehouse, settled, "alder-creek", "hobnail-brook")
    posted = _post(warehouse, settled)
    assert [(letter.site, said) for letter, said in posted.refused] == [
        ("alder-creek", "550 5.1.1 no such person here")]
    assert [letter.site for letter in posted.sent] == ["hobnail-brook"]
    assert _post(warehouse, settled, 48).refused == []


def test_one_put_off_is_tried_later_and_goes_once(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.manners[ALDER] = "greylist"
    _put(warehouse, settled)
    ((_, said),) = _post(warehouse, settled).waiting
    assert said.startswith("451")
    assert _post(warehouse, settled, 0.05).sent == []  # ten minutes have not gone by
    assert len(_post(warehouse, settled, 1).sent) == 1
    assert len(server.taken) == 1


def test_one_never_taken_is_given_up_after_days(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.manners[ALDER] = "greylist"
    _put(warehouse, settled)
    for hours in range(0, 24 * 7, 6):
        server._seen.clear()
        posted = _post(warehouse, settled, hours)
    assert _only(warehouse).state == "refused" and posted.waiting == []


def test_a_full_mailbox_is_refused_after_the_text(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.manners[ALDER] = "full"
    _put(warehouse, settled)
    ((_, said),) = _post(warehouse, settled).refused
    assert said == "552 5.2.2 mailbox full"


def test_cut_off_after_it_had_gone_it_is_found_by_its_id_and_not_sent_again(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.manners[ALDER] = "drop-after"
    _put(warehouse, settled)
    assert len(_post(warehouse, settled).waiting) == 1
    assert _only(warehouse).state == "sending"
    server.manners.clear()
    known = {str(mail["Message-ID"]) for _, mail in server.taken}
    assert _post(warehouse, settled, 0.1, known.__contains__).resolved == []  # too soon to tell
    (told,) = _post(warehouse, settled, 1, known.__contains__).resolved
    assert "It had gone" in told and ALDER in told
    assert len(server.taken) == 1 and _only(warehouse).state == "sent"


def test_cut_off_before_it_had_gone_it_goes_again(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.manners[ALDER] = "drop-before"
    _put(warehouse, settled)
    _post(warehouse, settled)
    assert server.taken == []
    server.manners.clear()
    posted = _post(warehouse, settled, 1, lambda _: False)
    assert "it goes again" in posted.resolved[0] and len(posted.sent) == 1
    assert len(server.taken) == 1


def test_with_nowhere_to_look_it_goes_again_under_the_same_id_and_is_told(
    warehouse: Warehouse, settled: Network, server: MailOut
) -> None:
    server.manners[ALDER] = "drop-after"
    _put(warehouse, settled)
    _post(warehouse, settled)
    server.manners.clear()
    (told,) = _post(warehouse, settled, 1).resolved
    assert "Nobody can say" in told
    assert len({str(mail["Message-ID"]) for _, mail in server.taken}) == 1


def test_a_stop_before_the_text_leaves_nothing_at_the_server(
    warehouse: Warehouse, settled: Network, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    _put(warehouse, settled)
    settle = letters.settle

    def disk_full(wh: Warehouse, id_: str, state: str, *more: object) -> None:
        if state == "sending":
            raise OSError(28, "No space left on device")
        settle(wh, id_, state, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(letters, "settle", disk_full)
    with pytest.raises(OSError, match="No space"):
        _post(warehouse, settled)
    monkeypatch.setattr(letters, "settle", settle)
    assert server.taken == [] and _only(warehouse).state == "queued"
    assert len(_post(warehouse, settled, 1).sent) == 1


def test_a_stop_after_the_servers_word_is_settled_by_id(
    warehouse: Warehouse, settled: Network, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    _put(warehouse, settled)
    settle = letters.settle

    def killed(wh: Warehouse, id_: str, state: str, *more: object) -> None:
        if state == "sent":
            raise KeyboardInterrupt
        settle(wh, id_, state, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(letters, "settle", killed)
    with pytest.raises(KeyboardInterrupt):
        _post(warehouse, settled)
    monkeypatch.setattr(letters, "settle", settle)
    assert len(server.taken) == 1 and _only(warehouse).state == "sending"
    _post(warehouse, settled, GRACE.total_seconds() / 3600 + 0.1, lambda _: True)
    assert len(server.taken) == 1 and _only(warehouse).state == "sent"


def test_a_wrong_password_stops_the_round_and_names_no_password(
    warehouse: Warehouse, settled: Network, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(VARIABLE, "wr0ng-s3cret")
    _put(warehouse, settled, "alder-creek", "hobnail-brook")
    trouble = _post(warehouse, settled).trouble
    assert trouble is not None and "refuses the password" in trouble.what
    assert "wr0ng" not in trouble.sentence()
    assert {letter.state for letter in letters.letters(warehouse)} == {"queued"}


def test_no_password_known_is_told_with_the_name_of_the_variable(
    warehouse: Warehouse, settled: Network, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv(VARIABLE)
    _put(warehouse, settled)
    trouble = _post(warehouse, settled).trouble
    assert trouble is not None and VARIABLE in trouble.remedy


def test_the_keyring_is_asked_where_the_environment_says_nothing(
    warehouse: Warehouse, settled: Network, server: MailOut, monkeypatch: pytest.MonkeyPatch
) -> None:
    import keyring

    monkeypatch.delenv(VARIABLE)
    asked: list[tuple[str, str]] = []

    def known(service: str, user: str) -> str:
        asked.append((service, user))
        return PASSWORD

    monkeypatch.setattr(keyring, "get_password", known)
    _put(warehouse, settled)
    assert len(_post(warehouse, settled).sent) == 1
    assert asked == [("tallyweir", "count@lantern.example@localhost")]


def test_a_server_without_starttls_gets_neither_password_nor_letter(
    warehouse: Warehouse, network: Callable[..., Network], authority: Authority,
    server: MailOut
) -> None:
    from aiosmtpd.controller import Controller

    said: list[str] = []

    class Plain:
        async def handle_DATA(self, *_: object) -> str:
            said.append("text")
            return "250 OK"

    port = free_port()
    controller = Controller(Plain(), hostname="127.0.0.1", port=port, auth_require_tls=False)
    controller.start()
    try:
        settled = network(server.settings.replace(str(server.port), str(port)))
        _put(warehouse, settled)
        trouble = _post(warehouse, settled).trouble
        assert trouble is not None and "does not offer" in trouble.what
        assert said == [] and _only(warehouse).state == "queued"
    finally:
        controller.stop()


def test_a_server_nobody_vouches_for_gets_nothing(
    warehouse: Warehouse, network: Callable[..., Network], server: MailOut
) -> None:
    settled = network("\n".join(line for line in server.settings.splitlines()
                                if "ca_file" not in line) + "\n")
    _put(warehouse, settled)
    trouble = _post(warehouse, settled).trouble
    assert trouble is not None and "certificate does not hold" in trouble.what
    assert server.taken == []


def test_without_a_mail_server_letters_stand_in_the_outbox_folder(
    warehouse: Warehouse, network: Callable[..., Network]
) -> None:
    settled = network()
    outbox = Outbox(warehouse, settled, NOW)
    outbox.put("remind", "alder-creek", ALDER, "2026-W16", Words("A reminder", "Please.\n"))
    (path,) = outbox.put_out
    assert path.read_text(encoding="utf-8") == "A reminder\n\nPlease.\n"
    assert path.relative_to(warehouse.network_dir).as_posix() == (
        "outbox/alder-creek/letters/2026-W16-remind.txt")
    assert letters.letters(warehouse) == [] and not post(warehouse, settled.operating, NOW).sent


def test_a_dry_run_writes_eml_files_and_notes_nothing(
    warehouse: Warehouse, settled: Network
) -> None:
    outbox = Outbox(warehouse, settled, NOW, dry_run=True)
    outbox.put("week", "alder-creek", ALDER, "2026-W16", Words("s", "t\n"))
    (path,) = outbox.put_out
    assert path.suffix == ".eml" and b"To: alder@example.org" in path.read_bytes()
    assert letters.letters(warehouse) == []


def test_a_title_from_a_sheet_cannot_add_a_header(settled: Network) -> None:
    mail = settled.operating.mail
    content = seal(Words("Nice\r\nBcc: all@example.org", "t\n"), mail, ALDER, "<1@x>", NOW)
    head = content.partition(b"\r\n\r\n")[0]
    assert b"\nBcc:" not in head and b"Subject: Nice Bcc: all@example.org" in head


@pytest.mark.parametrize("title", [
    "=?utf-8?q?Nice=0aBcc:_all@example.org?=", "=?utf-8?b?TmljZQpCY2M6IGFsbEBleGFtcGxlLm9yZw==?=",
    "Nice =?utf-8?q?=0d=0a=0d=0a?= <p>mine</p>"])
def test_an_encoded_line_break_cannot_add_a_header(settled: Network, title: str) -> None:
    """Python's own mail library decodes it when the letter is made into bytes."""
    content = seal(Words(title, "t\n"), settled.operating.mail, ALDER, "<1@x>", NOW, title)
    mail = email.message_from_bytes(content, policy=email.policy.default)
    assert set(map(str.lower, mail)) == {
        "from", "to", "subject", "date", "message-id", "auto-submitted", "mime-version",
        "content-type", "content-transfer-encoding"}
    assert mail.get_content().strip() == "t"


@given(st.text(max_size=60), st.text(max_size=60))
def test_whatever_a_mail_was_called_the_answer_has_our_headers_alone(
    subject: str, id_: str
) -> None:
    content = seal(Words(f"Re: {subject}", "t\n"), MailSettings(sender="count@lantern.example"),
                   ALDER, "<1@x>", NOW, f"<{id_}>")
    mail = email.message_from_bytes(content, policy=email.policy.default)
    assert set(map(str.lower, mail)) - {"in-reply-to", "references"} == {
        "from", "to", "subject", "date", "message-id", "auto-submitted", "mime-version",
        "content-type", "content-transfer-encoding"}
    assert mail.get_content().strip() == "t"


def test_message_ids_are_the_same_for_the_same_letter_and_no_other(settled: Network) -> None:
    mail = settled.operating.mail
    made = {message_id(mail, kind, site, ALDER, week)
            for kind in ("week", "remind") for site in ("a", "b") for week in ("W16", "W17")}
    assert len(made) == 8
    assert message_id(mail, "week", "a", ALDER, "W16") in made
