"""How the desk is opened: to this machine alone, and never under an open address."""

from __future__ import annotations

import socket
import tomllib
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from flows.cli import build_parser, main
from flows.desk.desk import Desk
from flows.desk.links import Role
from flows.desk.network_edits import column_named, site_profile
from flows.desk.rows_around import rows_around
from flows.desk.serving import desk_of, first_link
from shared.problems import BadSettings
from tests.flows.desk.conftest import MINE, stranger


def test_it_listens_to_this_machine_unless_told_otherwise() -> None:
    assert build_parser().parse_args(["desk", "x"]).host == "127.0.0.1"


@pytest.mark.parametrize("address", ["http://desk.example.org", "ftp://127.0.0.1", "desk",
                                     "https://desk.example.org/path", "https://"])
def test_an_address_that_cannot_be_is_refused(bay: Path, address: str) -> None:
    with pytest.raises(BadSettings):
        desk_of(bay, address, "127.0.0.1", 8377)


def test_a_link_made_on_the_command_line_opens_the_page(
    bay: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["desk", str(bay), "--link", MINE, "--label", "Kit"]) == 0
    address = capsys.readouterr().out.strip()
    desk = Desk(bay, "http://127.0.0.1:8377")
    assert stranger(desk).get(address).status_code == 200
    (link,) = desk.book.all()
    assert (link.role, link.site, link.label) == (Role.LEAD, MINE, "Kit")
    assert main(["desk", str(bay), "--link", "nowhere"]) == 2


def test_the_coordinators_link_is_made_once(desk: Desk) -> None:
    link = first_link(desk)
    assert first_link(desk) == link and link.role is Role.COORDINATOR
    desk.book.revoke(link.id, desk.now())
    assert first_link(desk).id != link.id


def test_a_port_that_is_taken_is_told(bay: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = str(other.getsockname()[1])
        assert main(["desk", str(bay), "--port", port]) == 2
    assert "--port" in capsys.readouterr().err


_BEGUN = '# ours\n[sites.a]  # the creek\nname = "A"\n\n[sites.b]\nname = "B" # b\n'


@given(st.text(min_size=1, max_size=40), st.text(min_size=1, max_size=40))
def test_any_heading_comes_back_as_it_was_written(first: str, second: str) -> None:
    document = tomlkit.parse(_BEGUN)
    column_named("a", first, "-")(document)
    column_named("a", second, "count")(document)
    text = tomlkit.dumps(document)
    assert "# ours" in text and "# the creek" in text and "# b" in text
    found = tomllib.loads(text)["sites"]
    assert found["a"]["profile"]["columns"] == {first: "-"} | {second: "count"}
    assert found["b"] == {"name": "B"}
    site_profile("a", {}, {}, "")(document)
    assert tomllib.loads(tomlkit.dumps(document)) == tomllib.loads(_BEGUN)


@given(st.lists(st.lists(st.text(max_size=5), max_size=8), max_size=8), st.integers(1, 9),
       st.integers(0, 9), st.sampled_from(["", "A1", "B3", "H7", "ZZ2", "odd"]))
def test_rows_around_any_cell_are_the_sheets_own(
    sheet: list[list[str]], row: int, head: int, cell: str
) -> None:
    def cells(number: int) -> list[str]:
        return sheet[number - 1] if 1 <= number <= len(sheet) else []

    around = rows_around(cells, head, row, cell, [0])
    if around is None:
        assert not any(cells(row))
        return
    assert len({len(around.letters), len(around.headings),
                *(len(texts) for _, texts in around.rows)}) == 1
    assert len(around.letters) <= 5
    assert around.at is None or around.letters[around.at] == cell.rstrip("0123456789")
