"""Signing: what the desk hands out can be told from what somebody made up."""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import secrets
from pathlib import Path

from flows.desk.places import key_path
from warehouse.durable import make_folder

_KEY_BYTES = 32
_SEAL_BYTES = 20
"""160 bits of an HMAC with SHA-256: beyond guessing, and short in an address."""


class Seal:
    """Signs and verifies with the network's own key, which is made when first needed."""

    def __init__(self, network_dir: Path) -> None:
        self._key = _key(key_path(network_dir))

    def of(self, *parts: str) -> str:
        """The seal on ``parts``, fit for an address. The first part says what it is for."""
        said = b"".join(len(part.encode()).to_bytes(4, "big") + part.encode() for part in parts)
        digest = hmac.new(self._key, said, hashlib.sha256).digest()[:_SEAL_BYTES]
        return base64.urlsafe_b64encode(digest).decode("ascii").rstrip("=")

    def holds(self, seal: str, *parts: str) -> bool:
        """Whether ``seal`` is that of ``parts``; takes the same time either way."""
        return hmac.compare_digest(seal.encode("utf-8", "replace"), self.of(*parts).encode())


def _key(path: Path) -> bytes:
    make_folder(path.parent)
    try:
        # Made for its owner alone; two starts at once cannot both make it.
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        pass
    else:
        with os.fdopen(handle, "wb") as file:
            file.write(secrets.token_bytes(_KEY_BYTES))
            file.flush()
            os.fsync(file.fileno())
    # A copy or a restored backup may have come out readable by others.
    path.chmod(0o600)
    key = path.read_bytes()
    if len(key) < _KEY_BYTES:
        # A start that was cut off before the key was written; no link was made with it.
        path.unlink()
        return _key(path)
    return key
