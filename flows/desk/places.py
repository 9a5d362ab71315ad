"""Where the desk keeps what is its own, in a network's folder."""

from __future__ import annotations

from pathlib import Path


def desk_folder(network_dir: Path) -> Path:
    """Everything of the desk that must outlive it."""
    return network_dir / "warehouse" / "desk"


def key_path(network_dir: Path) -> Path:
    """The secret that links and sessions are signed with."""
    return desk_folder(network_dir) / "key"


def links_path(network_dir: Path) -> Path:
    """The links that were made; no link can be had from it without the key."""
    return desk_folder(network_dir) / "links.json"


def audit_path(network_dir: Path) -> Path:
    """Every change made through the pages, one JSON object a line."""
    return desk_folder(network_dir) / "audit.jsonl"


def pictures_folder(network_dir: Path) -> Path:
    """What the last run left for the pages, one file a site."""
    return desk_folder(network_dir) / "pictures"


def tray_folder(network_dir: Path, site_id: str) -> Path:
    """Sheets that a site has put down and not yet sent in."""
    return desk_folder(network_dir) / "tray" / site_id
