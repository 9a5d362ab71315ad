"""Which hosts may be asked, and at which addresses: the guard of everything fetched.

A name is resolved once, each address is looked at, and the connection is made to the very
address that passed. A name that resolves otherwise a moment later gains nothing by it. Every
connection is made here, so a redirect is held to the same.
"""

from __future__ import annotations

import contextlib
import ipaddress
import socket
import threading
from collections.abc import Collection, Iterator
from typing import Any
from urllib.parse import urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.connection import HTTPConnection, HTTPSConnection
from urllib3.connectionpool import HTTPConnectionPool, HTTPSConnectionPool
from urllib3.exceptions import NewConnectionError
from urllib3.poolmanager import PoolManager

from shared.problems import Problem


class NotAllowed(Problem, ValueError):
    """An address that the network's settings do not let us ask."""

    code = "address-not-allowed"


class NotResolved(Problem, LookupError):
    """The host's name leads nowhere just now."""

    code = "host-not-found"


def bare(url: str) -> str:
    """``url`` without user, query and fragment, which may hold secrets: fit to be shown."""
    try:
        parts = urlsplit(url)
        port = f":{parts.port}" if parts.port else ""
    except ValueError:
        return "an address that is none"
    return f"{parts.scheme}://{parts.hostname or ''}{port}{parts.path}"


def vet(url: str, hosts: Collection[str]) -> None:
    """Raise :class:`NotAllowed` unless ``url`` is http(s) at a host of the list."""
    try:
        parts = urlsplit(url)
        parts.port  # noqa: B018, asked because the asking refuses a number that is no port
    except ValueError as error:
        raise NotAllowed(f"It is no address of the web ({error}).",
                         "Put the link as the browser shows it into network.toml.",
                         bare(url)) from error
    if parts.scheme not in ("http", "https"):
        raise NotAllowed(f'It is "{parts.scheme}:", not http or https.',
                         "Publish the sheet at a web address.", bare(url))
    if parts.username or parts.password:
        raise NotAllowed("It holds a user or a password.",
                         "Publish the sheet under a link that needs none.", bare(url))
    if (parts.hostname or "").lower() not in hosts:
        raise NotAllowed(
            f"The host {parts.hostname} is not on the network's list.",
            f'If it is right, add "{parts.hostname}" to hosts in [collect] of network.toml.',
            bare(url))


_GIVEN_OUT = ipaddress.IPv6Network("2000::/3")
_ASSIGNMENTS = ipaddress.IPv4Network("192.0.0.0/24")
"""For protocols, not for hosts (RFC 6890); some of it older Pythons take for public."""


def public(address: str) -> bool:
    """Whether ``address`` is one of the open internet: not private, loopback or for ourselves."""
    found = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(found, ipaddress.IPv6Address):
        # An IPv4 address may stand inside in three ways; it is what is reached in the end.
        inner = found.ipv4_mapped or found.sixtofour or (
            found.teredo[1] if found.teredo else None)
        if inner is None and found in ipaddress.IPv6Network("64:ff9b::/96"):
            inner = ipaddress.IPv4Address(int(found) & 0xFFFFFFFF)
        if inner is not None:
            return public(str(inner))
        # Of the rest nothing is the open internet's but what IANA has given out (RFC 4291).
        return found in _GIVEN_OUT and found.is_global
    return found.is_global and not found.is_multicast and found not in _ASSIGNMENTS


def dial(host: str, port: int, timeout: Any, private_hosts: Collection[str]) -> socket.socket:
    """A connection to ``host`` at an address that may be asked.

    All of the name's addresses must be allowed: one that mixes public and private is refused
    whole. Raises :class:`NotAllowed`, :class:`NotResolved` or OSError.
    """
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except OSError as error:
        raise NotResolved(f"The host {host} is not found ({error.strerror or error}).",
                          "See that its name is right; the next round tries again.") from error
    if host.lower() not in private_hosts:
        for *_, place in found:
            if not public(str(place[0])):
                raise NotAllowed(
                    f"The host {host} stands at {place[0]}, which is no address of the open "
                    "internet.", f'If it is a machine of yours, add "{host}" to private_hosts in '
                    "[collect] of network.toml.")
    last: OSError | None = None
    for family, kind, proto, _, place in found:
        connection = socket.socket(family, kind, proto)
        try:
            if isinstance(timeout, (int, float)):
                connection.settimeout(timeout)
            connection.connect(place)
            return connection
        except OSError as error:
            connection.close()
            last = error
    raise last if last is not None else OSError(f"no address for {host}")


class GuardedAdapter(HTTPAdapter):
    """Speaks http(s) through :func:`dial` only, and can be cut off from another thread."""

    def __init__(self, private_hosts: Collection[str]) -> None:
        self._private_hosts = private_hosts
        self._lines: list[socket.socket] = []
        self._over = False
        super().__init__()

    def cut(self) -> None:
        """End every connection now, and make no more.

        A server that drips a byte at a time never runs into a timeout of the socket.
        """
        self._over = True
        for line in self._lines:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Let go of all connections."""
        super().close()
        while self._lines:
            self._lines.pop().close()

    def init_poolmanager(
        self, connections: int, maxsize: int, block: bool = False, **more: Any
    ) -> None:
        """Make the pools whose connections are dialled by us."""
        def reach(connection: HTTPConnection) -> socket.socket:
            try:
                made = dial(connection.host, connection.port or 80, connection.timeout,
                            self._private_hosts)
            except OSError as error:
                raise NewConnectionError(connection, str(error)) from error
            # The connection may be wrapped for TLS later; its double stays what it is.
            self._lines.append(made.dup())
            if self._over:
                self.cut()
            return made

        class Plain(HTTPConnection):
            def _new_conn(self) -> socket.socket:
                return reach(self)

        class Secured(HTTPSConnection):
            def _new_conn(self) -> socket.socket:
                return reach(self)

        class PlainPool(HTTPConnectionPool):
            ConnectionCls = Plain

        class SecuredPool(HTTPSConnectionPool):
            ConnectionCls = Secured

        self.poolmanager = PoolManager(
            num_pools=connections, maxsize=maxsize, block=block, **more)
        self.poolmanager.pool_classes_by_scheme = {"http": PlainPool, "https": SecuredPool}


@contextlib.contextmanager
def guarded_session(
    private_hosts: Collection[str], seconds: float, ca_file: str = ""
) -> Iterator[requests.Session]:
    """A session that ends after ``seconds``, whatever it is in the midst of.

    It asks no proxy, reads no password file and follows no redirect by itself.
    """
    adapter = GuardedAdapter(private_hosts)
    alarm = threading.Timer(seconds, adapter.cut)
    alarm.daemon = True
    with requests.Session() as session:
        # A proxy would resolve names in our stead, and a netrc would send passwords.
        session.trust_env = False
        if ca_file:
            session.verify = ca_file
        for scheme in ("http://", "https://"):
            session.mount(scheme, adapter)
        alarm.start()
        try:
            yield session
        finally:
            alarm.cancel()
