"""Passwords: from the environment or the keyring, into nothing but the connection.

Nothing else reads them. What has been read is known here, so that whatever is written
(a log line, an answer of a server) can be cleared of it first.
"""

from __future__ import annotations

import base64
import json
import os
import re
from urllib.parse import quote

from shared.problems import Problem

SERVICE = "tallyweir"
"""The service name under which the keyring holds them."""

MAIL_PASSWORD = "TALLYWEIR_MAIL_PASSWORD"
MAILBOX_PASSWORD = "TALLYWEIR_MAILBOX_PASSWORD"
LAKE_PASSWORD = "TALLYWEIR_LAKE_PASSWORD"
STORE_SECRET = "TALLYWEIR_STORE_SECRET"
NAMES = (MAIL_PASSWORD, MAILBOX_PASSWORD, LAKE_PASSWORD, STORE_SECRET)

HIDDEN = "[hidden]"
_BASE64 = re.compile(r"[A-Za-z0-9+/]{2,}={0,2}")
_seen: set[str] = set()


class NoSecret(Problem, LookupError):
    """A password is needed and stands neither in the environment nor in the keyring."""

    code = "no-secret"


def secret(name: str, user: str, server: str) -> str:
    """The password of ``user`` at ``server``: the variable ``name``, else the keyring.

    Raises :class:`NoSecret` when neither has it.
    """
    value = _found(name, user, server)
    if not value:
        raise NoSecret(
            f"The password of {user} at {server} is not known.",
            f"Set {name} in the environment of the service, or store it with "
            f'`keyring set {SERVICE} "{user}@{server}"`.', "network.toml")
    return value


def lake_password(network_id: str) -> str:
    """The password of the lake's catalogue; empty where the server knows us by other means."""
    return _found(LAKE_PASSWORD, "lake", network_id)


def _found(name: str, user: str, server: str) -> str:
    value = os.environ.get(name, "")
    if not value:
        import keyring
        import keyring.errors

        try:
            value = keyring.get_password(SERVICE, f"{user}@{server}") or ""
        except keyring.errors.KeyringError:
            value = ""  # a machine without a keyring is one that uses the environment
    if value:
        _seen.add(value)
    return value


def cleared(text: str) -> str:
    """``text`` without any password that is known here: plain, as JSON or an address writes it,
    or as mail servers see it, alone or within what they are sent."""
    known = _seen | {value for name in NAMES if (value := os.environ.get(name))}
    for value in sorted(known, key=len, reverse=True):
        for written in (value, json.dumps(value)[1:-1],
                        json.dumps(value, ensure_ascii=False)[1:-1], quote(value, safe="")):
            text = text.replace(written, HIDDEN)
    if not known:
        return text
    secrets = [value.encode("utf-8") for value in known]

    def unless_secret(found: re.Match[str]) -> str:
        held = _held(found[0])
        return HIDDEN if any(secret in held for secret in secrets) else found[0]

    return _BASE64.sub(unless_secret, text)


def _held(text: str) -> bytes:
    """What base64 text says, as far as it is whole."""
    bare = text.rstrip("=")
    return base64.b64decode(bare[: len(bare) - (len(bare) % 4 == 1)] + "=" * (-len(bare) % 4))
