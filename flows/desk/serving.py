"""Serving the desk: one process, on this machine alone unless told otherwise."""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from pathlib import Path
from urllib.parse import urlsplit

from flows.desk.desk import Desk
from flows.desk.links import Link, Role
from flows.watching.log import log_to
from shared.problems import BadSettings, Problem

PORT = 8377


class PortTaken(Problem, OSError):
    """Another program listens there."""

    code = "port-taken"


def desk_of(network_dir: Path, address: str, host: str, port: int) -> Desk:
    """The desk as browsers will reach it. Raises :class:`BadSettings` for a bad address.

    Without ``address`` the one of network.toml (``[mail] pages``) stands, else this machine's.
    """
    from flows.network_folder import load_network

    network = load_network(network_dir)
    address = address or network.operating.mail.pages or f"http://{_shown(host)}:{port}"
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.path.strip("/"):
        raise BadSettings(f'"{address}" is no address of a desk.',
                          "Write it as https://desk.example.org, without a path.")
    if parts.scheme == "http" and not _this_machine(parts.hostname):
        raise BadSettings(
            f"{address} would carry private links and sheets over an open line.",
            "Put a proxy with TLS before the desk and give its https address; docs/desk.md "
            "shows how.")
    return Desk(network_dir, address)


def first_link(desk: Desk) -> Link:
    """The coordinator's link: the newest that is open, else a new one."""
    now = desk.now()
    for link in desk.book.all():
        if link.role is Role.COORDINATOR and link.open_at(now):
            return link
    return desk.book.make(Role.COORDINATOR, "", desk.network().coordinator or "coordinator",
                          "the command line", now)


def serve(desk: Desk, host: str, port: int, say: Callable[[str], None],
          behind_proxy: bool = False) -> None:
    """Serve until told to stop. Raises :class:`PortTaken`."""
    import socket

    import uvicorn

    log_to(desk.network_dir)
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        listening = socket.socket(family, socket.SOCK_STREAM)
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
    except OSError as error:
        raise PortTaken(f"Nothing can listen at {host}, port {port} ({error.strerror or error}).",
                        "Stop the other desk, or choose another with --port.") from error
    say(f"The desk is open at {desk.address}")
    config = uvicorn.Config(
        desk.served(), log_config=None, access_log=False, server_header=False,
        proxy_headers=behind_proxy, forwarded_allow_ips="127.0.0.1,::1",
        limit_concurrency=400, timeout_keep_alive=5, timeout_graceful_shutdown=20,
        h11_max_incomplete_event_size=16_384, ws="none", lifespan="off")
    with listening:
        uvicorn.Server(config).run(sockets=[listening])


def _this_machine(name: str) -> bool:
    if name == "localhost":
        return True
    try:
        return ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False


def _shown(host: str) -> str:
    return f"[{host}]" if ":" in host else host
