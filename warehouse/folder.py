"""Where things stand in a network's folder."""

from __future__ import annotations

from pathlib import Path


def database_path(network_dir: Path) -> Path:
    """The warehouse's database file."""
    return network_dir / "warehouse" / "tallyweir.duckdb"


def received_folder(network_dir: Path) -> Path:
    """Where every byte ever received is kept, by its hash."""
    return network_dir / "warehouse" / "received"


def received_path(network_dir: Path, sha256: str) -> Path:
    """Where the bytes with hash ``sha256`` are kept."""
    return received_folder(network_dir) / sha256[:2] / sha256


def standing_path(network_dir: Path) -> Path:
    """What ``status`` reads while a run holds the database."""
    return network_dir / "warehouse" / "standing.json"


def releases_folder(network_dir: Path) -> Path:
    """One folder a release, and the pointer to the latest."""
    return network_dir / "releases"


def latest_path(network_dir: Path) -> Path:
    """The small text file that names the latest release."""
    return releases_folder(network_dir) / "latest"


def last_release_path(network_dir: Path) -> Path:
    """From what the latest release was made, to know without making another that it stands."""
    return network_dir / "warehouse" / "last-release.json"


def record_path(network_dir: Path) -> Path:
    """The append-only record of what came and what was decided, one JSON object a line."""
    return network_dir / "warehouse" / "record.jsonl"
