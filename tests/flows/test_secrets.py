"""Passwords are in nothing that is written, however they were written there."""

from __future__ import annotations

import base64
import json
import logging
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.secrets import MAIL_PASSWORD, cleared
from flows.watching.log import LOG, event, log_path, log_to

PASSWORD = 'p"a\\ss wörd/1'


@pytest.fixture(autouse=True)
def _known(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(MAIL_PASSWORD, PASSWORD)


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Path]:
    log_to(tmp_path)
    yield log_path(tmp_path)
    for handler in list(LOG.handlers):
        LOG.removeHandler(handler)
        handler.close()


_WRITTEN = [
    PASSWORD, json.dumps(PASSWORD), json.dumps(PASSWORD, ensure_ascii=False),
    quote(PASSWORD, safe=""), base64.b64encode(PASSWORD.encode()).decode(),
    # What AUTH PLAIN sends (RFC 4616): the password within, at any place of the letters.
    *(base64.b64encode(b"\0" + b"u" * n + b"\0" + PASSWORD.encode()).decode() for n in range(4)),
]


@pytest.mark.parametrize("written", _WRITTEN)
def test_a_password_is_cleared_however_it_is_written(written: str) -> None:
    assert cleared(f"535 5.7.8 {written} refused") in (
        "535 5.7.8 [hidden] refused", '535 5.7.8 "[hidden]" refused')


def test_the_log_is_cleared_of_a_password_with_marks_in_it(log: Path) -> None:
    event("mail failed", said=f"the server said {PASSWORD}")
    logging.getLogger("tallyweir").error("it was %s", PASSWORD)
    lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert [line["event"] for line in lines] == ["mail failed", "it was [hidden]"]
    assert lines[0]["said"] == "the server said [hidden]"


@given(st.text(max_size=200))
def test_what_holds_no_password_stays_as_it_is(text: str) -> None:
    if PASSWORD not in text:
        assert cleared(text) == text
