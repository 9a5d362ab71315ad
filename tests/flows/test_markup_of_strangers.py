"""Names from sheets and settings are text in every page we write for a browser."""

from __future__ import annotations

from html.parser import HTMLParser

from checks.gate import Expectation, Outcome
from checks.gate_page import page
from flows.season.document import Document, Heading, Paragraph, Picture, Points, table
from flows.season.drawing import Figure, Words, as_svg
from flows.season.web_page import as_html

EVIL = "</title></td></svg><script>alert('x')</script>\"><img src=x onerror=alert(1)>"


class _Tags(HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.handlers: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add(tag)
        self.handlers += [name for name, _ in attrs if name.startswith("on")]


def _is_text_in(markup: str) -> bool:
    tags = _Tags(markup)
    return "alert" in markup and not tags.found & {"script", "img"} and not tags.handlers


def test_on_the_gates_page() -> None:
    outcome = Outcome(Expectation("counts-known", "count", "unique", EVIL), EVIL, False, 1, 1,
                      (EVIL,))
    assert _is_text_in(page(EVIL, "2026.1.0", [outcome]))


def test_in_the_seasons_reports() -> None:
    figure = Figure("catch", EVIL, EVIL, 100, 100, ("site",), [(EVIL,)], [Words(1, 1, EVIL)])
    assert _is_text_in(as_svg(figure, alone=True))
    assert _is_text_in(as_html(Document(EVIL, EVIL, EVIL, (
        Heading(EVIL), Paragraph(EVIL), Points((EVIL,)), table("t", EVIL, (EVIL,), [[EVIL]]),
        Picture(figure, EVIL)))))
