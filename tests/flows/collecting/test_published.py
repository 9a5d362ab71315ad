"""Sheets at an address: servers that behave, that do not, and that must not be asked."""

from __future__ import annotations

import datetime as dt
import socket
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flows.collecting import addresses
from flows.collecting.addresses import NotAllowed, public
from flows.collecting.published import Fetched, NotFetched, ask_address, fetch
from shared.operating import CollectSettings
from shared.problems import Trouble
from shared.settings import Network
from tests.flows.real_servers import Web, gives, says, web
from warehouse.arrivals import arrivals
from warehouse.store import Warehouse

NOW = dt.datetime(2026, 4, 19, 12, 0)

SHEET = b"Date,Glass eels\n2026-04-18,12\n"


@pytest.fixture
def site() -> Iterator[Web]:
    with web() as running:
        yield running


def _settings(**more: Any) -> CollectSettings:
    return CollectSettings(hosts=("localhost",), private_hosts=("localhost",),
                           **{"seconds": 20.0} | more)


def _fetch(url: str, settings: CollectSettings, waits: list[float] | None = None,
           known: dict[str, str] | None = None) -> Fetched:
    kept: list[float] = [] if waits is None else waits
    return fetch(url, settings, known, pause=kept.append, chance=lambda: 1.0)


def test_a_sheet_is_taken_once_and_its_path_and_source_are_noted(
    site: Web, warehouse: Warehouse
) -> None:
    site.pages["/alder.csv"] = gives(SHEET, ETag='"v1"')
    url = site.url("/alder.csv?key=unguessable")
    assert ask_address(warehouse, "alder-creek", url, _settings(), NOW) == "alder-creek/alder.csv"
    inbox = warehouse.network_dir / "inbox" / "alder-creek" / "alder.csv"
    assert inbox.read_bytes() == SHEET
    # The same bytes again, under another mark: nothing new.
    site.pages["/alder.csv"] = gives(SHEET, ETag='"v2"')
    assert ask_address(warehouse, "alder-creek", url, _settings(), NOW) is None
    (noted,) = arrivals(warehouse)
    assert (noted.channel, noted.ref) == ("url", '"v1"')
    assert noted.source.endswith("/alder.csv") and "unguessable" not in noted.source


def test_it_asks_only_for_what_is_new(site: Web, warehouse: Warehouse) -> None:
    def page(request: BaseHTTPRequestHandler) -> None:
        if request.headers.get("If-None-Match") == '"v1"':
            assert request.headers["If-Modified-Since"] == "Sun, 19 Apr 2026 01:00:00 GMT"
            says(304)(request)
        else:
            gives(SHEET, ETag='"v1"', Last_Modified="Sun, 19 Apr 2026 01:00:00 GMT")(request)

    site.pages["/alder.csv"] = page
    url = site.url("/alder.csv")
    assert ask_address(warehouse, "alder-creek", url, _settings(), NOW) is not None
    assert ask_address(warehouse, "alder-creek", url, _settings(), NOW) is None
    assert len(site.asked) == 2


def test_a_server_that_throttles_is_asked_again_when_it_says(site: Web) -> None:
    answers = [says(429, Retry_After="7"), says(503), gives(SHEET)]
    site.pages["/alder.csv"] = lambda request: answers.pop(0)(request)
    waits: list[float] = []
    assert _fetch(site.url("/alder.csv"), _settings(), waits).content == SHEET
    assert waits == [7.0, 2.0]


def test_one_that_asks_to_wait_too_long_is_left_for_the_next_round(site: Web) -> None:
    site.pages["/alder.csv"] = says(429, Retry_After="3600")
    with pytest.raises(NotFetched, match="busy"):
        _fetch(site.url("/alder.csv"), _settings())
    assert len(site.asked) == 1


def _truncates(request: BaseHTTPRequestHandler) -> None:
    request.send_response(200)
    request.send_header("Content-Type", "text/csv")
    request.send_header("Content-Length", str(len(SHEET) * 2))
    request.end_headers()
    request.wfile.write(SHEET)
    request.close_connection = True


def test_a_part_of_a_sheet_is_not_taken(site: Web) -> None:
    site.pages["/alder.csv"] = _truncates
    with pytest.raises(NotFetched, match=r"broke off|part of the sheet"):
        _fetch(site.url("/alder.csv"), _settings())
    assert len(site.asked) == 4


def test_a_workbook_cut_short_without_a_length_is_not_taken(site: Web) -> None:
    import io
    import zipfile

    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("xl/workbook.xml", "<x/>" * 200)

    def page(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.end_headers()
        request.wfile.write(whole.getvalue()[:-60])
        request.close_connection = True

    site.pages["/alder.xlsx"] = page
    with pytest.raises(NotFetched, match="part of the sheet"):
        _fetch(site.url("/alder.xlsx"), _settings(tries=1))


def test_a_server_that_drips_is_cut_off(site: Web) -> None:
    import threading

    over = threading.Event()

    def page(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.send_header("Content-Type", "text/csv")
        request.end_headers()
        while not over.wait(0.1):
            request.wfile.write(b"x")

    site.pages["/alder.csv"] = page
    try:
        with pytest.raises(NotFetched, match="too long"):
            _fetch(site.url("/alder.csv"), _settings(seconds=1.0, tries=1))
    finally:
        over.set()


def test_a_server_that_drips_its_headers_is_cut_off_too(site: Web) -> None:
    import threading

    over = threading.Event()

    def page(request: BaseHTTPRequestHandler) -> None:
        request.wfile.write(b"HTTP/1.1 200 OK\r\nX-Slow: ")
        while not over.wait(0.1):
            request.wfile.write(b"x")

    site.pages["/alder.csv"] = page
    try:
        with pytest.raises(NotFetched, match="too long"):
            _fetch(site.url("/alder.csv"), _settings(seconds=1.0, tries=1))
    finally:
        over.set()


@pytest.mark.parametrize("announced", [True, False])
def test_more_than_a_sheet_can_be_is_not_taken(site: Web, announced: bool) -> None:
    def page(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        if announced:
            request.send_header("Content-Length", "9000000")
        request.end_headers()
        request.wfile.write(b"x" * 200_000)
        request.close_connection = True

    site.pages["/alder.csv"] = page
    with pytest.raises(NotFetched, match=r"larger than 0\.1 MB"):
        _fetch(site.url("/alder.csv"), _settings(megabytes=0.1))
    assert len(site.asked) == 1


@pytest.mark.parametrize("page", [
    gives(b"<!DOCTYPE html><html>Sign in</html>", "text/html; charset=utf-8"),
    gives(b"\n <HTML><body>Sign in", "application/octet-stream"),
])
def test_a_page_to_sign_in_is_no_sheet(site: Web, page: Any) -> None:
    site.pages["/alder.xlsx"] = page
    with pytest.raises(NotFetched, match="web page, not a sheet") as told:
        _fetch(site.url("/alder.xlsx?key=unguessable"), _settings())
    assert "unguessable" not in str(told.value)


def test_redirects_are_followed_so_far_and_no_further(site: Web) -> None:
    site.pages["/a"] = says(302, Location="/b")
    site.pages["/b"] = says(307, Location="/alder.csv")
    site.pages["/alder.csv"] = gives(SHEET)
    assert _fetch(site.url("/a"), _settings()).content == SHEET
    with pytest.raises(NotFetched, match="more than 1 times"):
        _fetch(site.url("/a"), _settings(redirects=1))


@pytest.mark.parametrize("place", [
    "http://127.0.0.1:{port}/secret", "http://[::1]:{port}/secret", "file:///etc/hostname",
    "http://localhost.localdomain:{port}/secret", "http://2130706433:{port}/secret",
    "http://user:pw@localhost:{port}/secret", "http://elsewhere.example:99999/secret",
    "http://[::1/secret", "http://localhost:none/secret", "//[/secret", "gopher://localhost/",
])
def test_a_redirect_off_the_list_is_not_followed(site: Web, place: str) -> None:
    site.pages["/alder.csv"] = says(302, Location=place.format(port=site.port))
    site.pages["/secret"] = gives(b"secret")
    with pytest.raises(NotAllowed):
        _fetch(site.url("/alder.csv"), _settings())
    assert [path for path, _ in site.asked] == ["/alder.csv"]


def test_a_listed_host_that_stands_on_loopback_is_not_asked(site: Web) -> None:
    site.pages["/alder.csv"] = gives(SHEET)
    with pytest.raises(NotAllowed, match="no address of the open internet"):
        _fetch(site.url("/alder.csv"), CollectSettings(hosts=("localhost",), seconds=20))
    assert site.asked == []


def test_a_name_that_changes_its_address_gains_nothing(
    site: Web, monkeypatch: pytest.MonkeyPatch
) -> None:
    """DNS rebinding: public when looked at, loopback when connected to."""
    looked_up: list[str] = []
    dialled: list[Any] = []

    def rebinding(host: str, port: int, *_: Any, **__: Any) -> list[Any]:
        looked_up.append(host)
        address = "192.0.43.7" if len(looked_up) == 1 else "127.0.0.1"
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port))]

    class Unreachable(socket.socket):
        def connect(self, address: Any) -> None:
            dialled.append(address)
            raise OSError(113, "No route to host")

    monkeypatch.setattr(addresses.socket, "getaddrinfo", rebinding)
    monkeypatch.setattr(addresses.socket, "socket", Unreachable)
    with pytest.raises(NotFetched):
        _fetch(f"http://sheets.example.org:{site.port}/alder.csv",
               CollectSettings(hosts=("sheets.example.org",), tries=1, seconds=20))
    # One look-up, and the address that was looked at is the one dialled.
    assert looked_up == ["sheets.example.org"]
    assert [address for address, _ in dialled] == ["192.0.43.7"]


def test_a_name_with_one_private_address_among_public_ones_is_refused(
    monkeypatch: pytest.MonkeyPatch
) -> None:
    def mixed(host: str, port: int, *_: Any, **__: Any) -> list[Any]:
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port))
                for address in ("192.0.43.7", "10.0.0.5")]

    monkeypatch.setattr(addresses.socket, "getaddrinfo", mixed)
    with pytest.raises(NotAllowed, match=r"10\.0\.0\.5"):
        addresses.dial("sheets.example.org", 443, 1.0, ())


@pytest.mark.parametrize("address", [
    "127.0.0.1", "127.8.8.8", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254",
    "100.64.0.1", "0.0.0.0", "224.0.0.1", "255.255.255.255", "::1", "::", "fe80::1%eth0",
    "fc00::1", "::ffff:127.0.0.1", "::ffff:10.0.0.1", "64:ff9b::7f00:1", "2002:7f00:1::",
    "ff02::1", "fec0::1", "::7f00:1", "64:ff9b:1::7f00:1", "5f00::1", "192.0.0.8",
])
def test_addresses_of_our_own_are_not_public(address: str) -> None:
    """Blocks of the IANA special-purpose registries (RFC 6890, 6598, 4193, 6052, 3056)."""
    assert not public(address)


@given(st.ip_addresses(v=4))
def test_an_address_inside_another_is_judged_by_what_is_reached(address: Any) -> None:
    assert public(f"::ffff:{address}") == public(str(address))


@pytest.mark.parametrize("address", ["192.0.43.7", "8.8.8.8", "2600::1"])
def test_addresses_of_the_internet_are_public(address: str) -> None:
    assert public(address)


def test_a_host_that_is_not_there_is_told_and_the_others_go_on(
    site: Web, warehouse: Warehouse, network: Callable[..., Network]
) -> None:
    from flows.collecting import collect_round

    site.pages["/hobnail.csv"] = gives(SHEET)
    settled = network(
        '[collect]\nprivate_hosts = ["localhost", "gone.invalid"]\ntries = 1\n',
        alder='collect = { url = "http://gone.invalid/alder.csv?key=unguessable" }',
        hobnail=f'collect = {{ url = "{site.url("/hobnail.csv")}" }}')
    found = collect_round(warehouse, settled, NOW, pause=lambda _: None)
    assert found.taken == [("hobnail-brook", "hobnail-brook/hobnail.csv")]
    ((who, trouble),) = found.troubles
    assert who == "" and "gone.invalid is not found" in trouble.what
    assert "unguessable" not in trouble.sentence()


def test_two_addresses_that_end_alike_stay_two_sheets(
    site: Web, warehouse: Warehouse, network: Callable[..., Network]
) -> None:
    from flows.collecting import collect_round

    site.pages["/a/export.csv"] = gives(SHEET)
    site.pages["/b/export.csv"] = gives(SHEET + b"2026-04-19,3\n")
    settled = network('[collect]\nprivate_hosts = ["localhost"]\n', alder=(
        f'collect = {{ url = ["{site.url("/a/export.csv")}", "{site.url("/b/export.csv")}"] }}'))
    collect_round(warehouse, settled, NOW)
    inbox = Path(warehouse.network_dir) / "inbox" / "alder-creek"
    assert sorted(path.read_bytes() for path in inbox.iterdir()) == sorted(
        [SHEET, SHEET + b"2026-04-19,3\n"])
    assert collect_round(warehouse, settled, NOW + dt.timedelta(hours=1)).taken == []


def test_a_certificate_that_does_not_hold_is_told(
    warehouse: Warehouse, authority: Any
) -> None:
    import threading
    from http.server import BaseHTTPRequestHandler as Handler
    from http.server import HTTPServer

    class Sheet(Handler):
        def do_GET(self) -> None:
            gives(SHEET)(self)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = HTTPServer(("127.0.0.1", 0), Sheet)
    server.socket = authority.context().wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
    url = f"https://localhost:{server.server_address[1]}/alder.csv"
    try:
        told = ask_address(warehouse, "alder-creek", url, _settings(tries=1), NOW)
        assert isinstance(told, Trouble) and "certificate" in told.what
        trusting = _settings(tries=1, ca_file=str(authority.ca_file))
        assert ask_address(warehouse, "alder-creek", url, trusting, NOW) is not None
    finally:
        server.shutdown()
        server.server_close()
