"""The message: short, complete, and safe whatever a sheet contained."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from html.parser import HTMLParser

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from flows.returns.gathering import gather
from flows.returns.message import MOST_LINES, Letter, Message, compose, write_message
from shared.findings import Finding
from shared.flags import Effect
from shared.problems import Trouble
from shared.settings import Network, Site

Make = Callable[..., Finding]
Tell = Callable[..., tuple[Letter, Message]]


@pytest.fixture
def tell(site: Site, network: Network, account: Mapping[str, int], as_of: dt.date) -> Tell:
    def do(
        findings: list[Finding], troubles: int = 0, **changes: Mapping[str, int]
    ) -> tuple[Letter, Message]:
        bad = [Trouble("file-unreadable", "It is a PDF, not a sheet.",
                       "Please send the spreadsheet itself.", f"scan {n}.pdf")
               for n in range(troubles)]
        letter = compose(site, network, gather(findings), changes.get("account", account), bad,
                         as_of)
        return letter, write_message(letter)

    return do


class Blocks(HTMLParser):
    """Counts the blocks of content and collects tags, attributes and text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.blocks = 0
        self.tags: set[str] = set()
        self.attributes: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.blocks += tag in ("h1", "p", "li")
        self.tags.add(tag)
        self.attributes += [name for name, _ in attrs]

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.mark.parametrize("asks", [0, 1, 3, 10, 11, 40])
@pytest.mark.parametrize("troubles", [0, 1, 3, 9])
def test_at_most_fifteen_lines_and_nothing_forgotten(
    tell: Tell, finding: Make, asks: int, troubles: int
) -> None:
    letter, message = tell([finding(row) for row in range(2, 2 + asks)], troubles)
    lines = [line for line in message.text.splitlines() if line.strip()]
    assert len(lines) == letter.lines == Blocks(message.html).blocks <= MOST_LINES
    told = len(letter.asks)
    assert told <= 10
    assert letter.more == (f"And {asks - told} more in the workbook." if told < asks else "")
    if troubles == 9:
        assert "And 7 more of your files" in message.text


def test_ten_questions_all_fit(tell: Tell, finding: Make) -> None:
    letter, _ = tell([finding(row) for row in range(2, 12)])
    assert len(letter.asks) == 10 and not letter.more


def test_it_thanks_tells_the_account_the_gravest_first_and_what_to_do(
    tell: Tell, finding: Make
) -> None:
    letter, message = tell([finding(12), finding(13, effect=Effect.HOLD, suggestion="4.5 degC")])
    for text in (message.text, Blocks(message.html).text):
        assert "Thank you, Sedge Creek." in text
        assert "118 rows arrived, 115 loaded (8 to confirm, 6 with an odd value left out), " \
               "3 held until you answer." in text
        assert text.index("Row held.") < text.index("Please confirm.")
        assert "Sheet 'Eels' of file sedge.xlsx, F13, 14 Mar 2026. Water temperature: 5.4" in text
        assert "We suggest: 4.5 °C" in text
        assert "please-answer.xlsx" in text and "in your own sheet and send it as usual" in text
        assert "never alone" in text and "Your permit's own terms come first." in text
    assert message.subject == letter.subject
    assert "2 questions" in message.subject


def test_a_file_that_could_not_be_read_is_told_with_its_remedy(tell: Tell) -> None:
    _, message = tell([], 1)
    assert ("Your file scan 0.pdf could not be read: It is a PDF, not a sheet. "
            "Please send the spreadsheet itself.") in message.text
    assert "please-answer.xlsx" not in message.text


def test_nothing_odd_asks_for_nothing(tell: Tell) -> None:
    _, message = tell([], account={"rows": 7, "clean": 7})
    assert "7 rows arrived, all loaded." in message.text
    assert "nothing for you to do" in message.text


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(text=st.one_of(
    st.text(max_size=80),
    st.sampled_from(["<script>alert(1)</script>", '"><img src=x onerror=alert(1)>',
                     "{{ 7*7 }}", "</li></ol>", "line\n\nline"])))
def test_no_text_of_a_sheet_becomes_markup_or_a_line(tell: Tell, finding: Make, text: str) -> None:
    plain_tags = Blocks(tell([finding(12)])[1].html).tags
    letter, message = tell([finding(12, value=text, message=text, suggestion=text, sheet=text)])
    page = Blocks(message.html)
    assert page.tags <= plain_tags
    assert not [name for name in page.attributes if name.startswith("on") or name == "src"]
    assert len([line for line in message.text.splitlines() if line.strip()]) == letter.lines
    message.html.encode("utf-8")


def test_the_page_needs_nothing_from_elsewhere(tell: Tell, finding: Make) -> None:
    _, message = tell([finding(12)], 1)
    assert not re.search(r"https?://|url\(|<link|<img|<script|@import", message.html)
    assert 'name="viewport"' in message.html
