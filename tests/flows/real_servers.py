"""Real servers on loopback: mail out, mail in, web, PostgreSQL. Each misbehaves when told to."""

from __future__ import annotations

import contextlib
import email
import email.policy
import os
import shutil
import signal
import socket
import ssl
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, ClassVar

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword, Session

USER, PASSWORD = "count@lantern.example", "pl4nted-m41l-s3cret"
MAILBOX_USER, MAILBOX_PASSWORD = "count", "pl4nted-b0x-s3cret"


def free_port() -> int:
    """A port that nobody listens at just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(holds: Callable[[], bool], seconds: float = 60.0, what: str = "it") -> None:
    """Wait until ``holds`` does, or fail."""
    deadline = time.monotonic() + seconds
    pause = threading.Event()
    while not holds():
        assert time.monotonic() < deadline, f"{what} did not come about in {seconds:g} s"
        pause.wait(0.05)


@dataclass(frozen=True)
class Authority:
    """A certificate authority of the test's own."""

    folder: Path

    def __post_init__(self) -> None:
        ca = trustme.CA()
        issued = ca.issue_cert("localhost", "127.0.0.1")
        ca.cert_pem.write_to_path(self.ca_file)
        issued.private_key_pem.write_to_path(self.key_file)
        for number, blob in enumerate(issued.cert_chain_pems):
            blob.write_to_path(self.cert_file, append=number > 0)

    @property
    def ca_file(self) -> Path:
        return self.folder / "ca.pem"

    @property
    def cert_file(self) -> Path:
        return self.folder / "server.pem"

    @property
    def key_file(self) -> Path:
        return self.folder / "server.key"

    def context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(str(self.cert_file), str(self.key_file))
        return context


@dataclass
class MailOut:
    """An SMTP server with STARTTLS and a password; what it took, and how it is to behave.

    ``manners``: address -> *refuse*, *greylist* (the first time), *drop-before* (hangs up when
    the text is about to come), *drop-after* (takes the letter and hangs up without a word),
    *full* (refuses the text).
    """

    authority: Authority
    maildir: Path | None = None
    """Where copies to the network's own address are delivered."""
    manners: dict[str, str] = field(default_factory=dict)
    taken: list[tuple[str, EmailMessage]] = field(default_factory=list)
    """(address of the person, letter), copies left out."""
    conversations: int = 0
    port: int = field(default_factory=free_port)
    down: bool = False
    _seen: set[str] = field(default_factory=set)
    _controller: Any = None

    @property
    def settings(self) -> str:
        return (f'[mail]\nserver = "localhost"\nport = {self.port}\nsecurity = "starttls"\n'
                f'user = "{USER}"\nfrom = "Lantern Bay count <{USER}>"\n'
                f'ca_file = "{self.authority.ca_file}"\n')

    def start(self) -> MailOut:
        self._controller = Controller(
            self, hostname="127.0.0.1", port=self.port, tls_context=self.authority.context(),
            require_starttls=True, auth_required=True, auth_require_tls=True,
            authenticator=self._authenticate)
        self._controller.start()
        return self

    def stop(self) -> None:
        if self._controller is not None:
            self._controller.stop()
            self._controller = None

    def _authenticate(self, server: Any, session: Any, envelope: Any, mechanism: str,
                      data: Any) -> AuthResult:
        good = (isinstance(data, LoginPassword) and data.login == USER.encode()
                and data.password == PASSWORD.encode())
        return AuthResult(success=good, handled=False)

    async def handle_EHLO(self, server: Any, session: Session, envelope: Envelope,
                          hostname: str, responses: list[str]) -> list[str]:
        self.conversations += 1
        session.host_name = hostname
        return responses

    async def handle_RCPT(self, server: Any, session: Session, envelope: Envelope,
                          address: str, options: list[str]) -> str:
        manner = self.manners.get(address, "")
        if manner == "refuse":
            return "550 5.1.1 no such person here"
        if manner == "greylist" and address not in self._seen:
            self._seen.add(address)
            return "451 4.7.1 come back later"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Session,
                          envelope: Envelope) -> str:
        content = envelope.content
        assert isinstance(content, bytes)
        mail = email.message_from_bytes(content, policy=email.policy.default)
        assert isinstance(mail, EmailMessage)
        manner = self.manners.get(envelope.rcpt_tos[0], "")
        if manner == "full":
            return "552 5.2.2 mailbox full"
        if manner == "drop-before":
            server.transport.abort()
            return "250 never said"
        for address in envelope.rcpt_tos:
            if address == USER:
                self._deliver(content)
            else:
                self.taken.append((address, mail))
        if manner == "drop-after":
            server.transport.abort()
        return "250 OK taken"

    def _deliver(self, content: bytes) -> None:
        if self.maildir is not None:
            deliver(self.maildir, content)

    def letters_to(self, address: str) -> list[EmailMessage]:
        return [mail for person, mail in self.taken if person == address]


def deliver(maildir: Path, content: bytes) -> None:
    """Put a mail into a Maildir as a mail server would."""
    name = f"{time.time_ns()}.{os.getpid()}.{os.urandom(4).hex()}.localhost"
    part = maildir / "tmp" / name
    part.write_bytes(content.replace(b"\r\n", b"\n"))
    part.chmod(0o666)
    os.replace(part, maildir / "new" / name)


@contextlib.contextmanager
def mail_out(authority: Authority, maildir: Path | None = None) -> Iterator[MailOut]:
    server = MailOut(authority, maildir).start()
    try:
        yield server
    finally:
        server.stop()


def dovecot_missing() -> str:
    """Why no IMAP server can be run here; empty where one can."""
    if shutil.which("dovecot") is None:
        return "dovecot is not installed (Debian: dovecot-imapd)"
    return ""


@dataclass(frozen=True)
class MailIn:
    """A dovecot with one mailbox."""

    port: int
    maildir: Path
    authority: Authority

    @property
    def settings(self) -> str:
        return (f'[collect.mailbox]\nserver = "localhost"\nport = {self.port}\n'
                f'user = "{MAILBOX_USER}"\nca_file = "{self.authority.ca_file}"\n')

    def arrives(self, mail: EmailMessage) -> None:
        deliver(self.maildir, mail.as_bytes())


@contextlib.contextmanager
def mail_in(authority: Authority) -> Iterator[MailIn]:
    """Dovecot on loopback, over TLS, in a folder of its own."""
    home = Path(tempfile.mkdtemp(prefix="tallyweir-dovecot-"))
    port = free_port()
    root = os.getuid() == 0
    # It lets nobody in as root, so as root the mails belong to nobody.
    uid, gid = (65534, 65534) if root else (os.getuid(), os.getgid())
    maildir = home / "mail"
    for part in ("new", "cur", "tmp"):
        (maildir / part).mkdir(parents=True)
    (home / "users").write_text(f"{MAILBOX_USER}:{{PLAIN}}{MAILBOX_PASSWORD}\n",
                                encoding="utf-8")
    shutil.copy(authority.cert_file, home / "cert.pem")
    shutil.copy(authority.key_file, home / "key.pem")
    (home / "run").mkdir()
    login = "" if root else (
        f"default_internal_user = {os.getlogin()}\ndefault_login_user = {os.getlogin()}\n"
        "service anvil {\n chroot =\n}\nservice imap-login {\n chroot =\n}\n")
    (home / "dovecot.conf").write_text(f"""
base_dir = {home}/run
log_path = {home}/log
protocols = imap
listen = 127.0.0.1
ssl = required
ssl_cert = <{home}/cert.pem
ssl_key = <{home}/key.pem
mail_location = maildir:{maildir}
mail_uid = {uid}
mail_gid = {gid}
first_valid_uid = 1
passdb {{
  driver = passwd-file
  args = {home}/users
}}
userdb {{
  driver = static
  args = uid={uid} gid={gid} home={home}/mail
}}
service imap-login {{
  inet_listener imap {{
    port = 0
  }}
  inet_listener imaps {{
    port = {port}
    ssl = yes
  }}
}}
{login}
""", encoding="utf-8")
    for path in [home, *home.rglob("*")]:
        if root:
            os.chown(path, uid, gid)
        path.chmod(0o777 if path.is_dir() else 0o644)
    process = subprocess.Popen(["dovecot", "-F", "-c", str(home / "dovecot.conf")],
                               stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)

    def answers() -> bool:
        if process.poll() is not None:
            assert process.stderr is not None
            raise AssertionError(process.stderr.read().decode())
        with socket.socket() as knock:
            return knock.connect_ex(("127.0.0.1", port)) == 0

    try:
        until(answers, 30, "dovecot")
        yield MailIn(port, maildir, authority)
    finally:
        process.terminate()
        process.wait(20)
        shutil.rmtree(home, ignore_errors=True)


Page = Callable[[BaseHTTPRequestHandler], None]


@dataclass
class Web:
    """A web server: path -> what it does with a request. Every request is noted."""

    pages: dict[str, Page] = field(default_factory=dict)
    asked: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    port: int = 0

    def url(self, path: str) -> str:
        return f"http://localhost:{self.port}{path}"


def gives(content: bytes, kind: str = "text/csv", **headers: str) -> Page:
    """A page that gives ``content``."""
    def page(request: BaseHTTPRequestHandler) -> None:
        request.send_response(200)
        request.send_header("Content-Type", kind)
        request.send_header("Content-Length", str(len(content)))
        for name, value in headers.items():
            request.send_header(name.replace("_", "-"), value)
        request.end_headers()
        request.wfile.write(content)
    return page


def says(code: int, **headers: str) -> Page:
    """A page that answers with a code and nothing else."""
    def page(request: BaseHTTPRequestHandler) -> None:
        request.send_response(code)
        for name, value in headers.items():
            request.send_header(name.replace("_", "-"), value)
        request.send_header("Content-Length", "0")
        request.end_headers()
    return page


@contextlib.contextmanager
def web() -> Iterator[Web]:
    """A web server on loopback."""
    site = Web()

    class Handler(BaseHTTPRequestHandler):
        protocol_version: ClassVar[str] = "HTTP/1.1"

        def do_GET(self) -> None:
            site.asked.append((self.path, dict(self.headers.items())))
            page = site.pages.get(self.path.partition("?")[0], says(404))
            with contextlib.suppress(OSError):
                page(self)

        def log_message(self, *_: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    site.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True)
    thread.start()
    try:
        yield site
    finally:
        server.shutdown()
        server.server_close()


def postgres_missing() -> str:
    """Why no PostgreSQL can be run here; empty where one can."""
    return "" if _postgres_program("postgres") else "PostgreSQL is not installed"


def _postgres_program(name: str) -> Path | None:
    found = shutil.which(name)
    if found:
        return Path(found)
    # Debian keeps the server's programs off the path.
    places = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"))
    return places[-1] if places else None


@dataclass
class Database:
    """A PostgreSQL server in a folder of its own, with one account and its password."""

    home: Path
    host: str = "127.0.0.1"
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None
    _made: int = 0

    USER: ClassVar[str] = "tally"
    PASSWORD: ClassVar[str] = "pl4nted-l4ke-s3cret"

    def conninfo(self, name: str) -> str:
        return f"host={self.host} port={self.port} dbname={name} user={self.USER}"

    def make(self) -> str:
        """A new database; how it is reached."""
        import psycopg

        self._made += 1
        name = f"lake{self._made}"
        with psycopg.connect(self.conninfo("postgres"), password=self.PASSWORD,
                             autocommit=True) as session:
            session.execute(f"CREATE DATABASE {name}")  # type: ignore[call-overload]
        return self.conninfo(name)

    def lay_out(self) -> None:
        (self.home / "password").write_text(self.PASSWORD + "\n", encoding="utf-8")
        if os.getuid() == 0:
            for path in (self.home, self.home / "password"):
                shutil.chown(path, "postgres", "postgres")
        subprocess.run(
            [str(_postgres_program("initdb")), "-D", str(self.home / "data"), "-U", self.USER,
             "--auth=scram-sha-256", f"--pwfile={self.home / 'password'}", "-E", "UTF8",
             "--no-locale", "--no-sync"], check=True, capture_output=True, **self._as_nobody())
        with (self.home / "data" / "pg_hba.conf").open("a", encoding="utf-8") as handle:
            # Whoever can reach it must still have the password.
            handle.write("host all all 0.0.0.0/0 scram-sha-256\n")

    def start(self) -> None:
        self._process = subprocess.Popen(
            [str(_postgres_program("postgres")), "-D", str(self.home / "data"), "-p",
             str(self.port), "-h", self.host, "-k", str(self.home), "-c", "fsync=off"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **self._as_nobody())
        until(self._answers, 60, "PostgreSQL")

    def _answers(self) -> bool:
        import psycopg

        assert self._process is not None and self._process.poll() is None, "PostgreSQL ended"
        try:
            psycopg.connect(self.conninfo("postgres"), password=self.PASSWORD,
                            connect_timeout=5).close()
        except psycopg.OperationalError:
            return False
        return True

    def stop(self) -> None:
        """Have it break off every connection and end."""
        if self._process is not None:
            self._process.send_signal(signal.SIGINT)
            self._process.wait(30)
            self._process = None

    @staticmethod
    def _as_nobody() -> dict[str, Any]:
        # It refuses to run as root.
        return {"user": "postgres", "group": "postgres", "extra_groups": [], "cwd": "/tmp",
                } if os.getuid() == 0 else {"cwd": "/tmp"}


@contextlib.contextmanager
def database(host: str = "127.0.0.1") -> Iterator[Database]:
    """PostgreSQL at ``host``, with nothing in it."""
    home = Path(tempfile.mkdtemp(prefix="tallyweir-postgres-"))
    server = Database(home, host)
    try:
        server.lay_out()
        server.start()
        yield server
    finally:
        server.stop()
        shutil.rmtree(home, ignore_errors=True)
