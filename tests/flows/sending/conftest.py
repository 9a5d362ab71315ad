"""As for collecting: an empty warehouse, two sites, an authority for certificates."""

from __future__ import annotations

from tests.flows.collecting.conftest import authority, network, warehouse

__all__ = ["authority", "network", "warehouse"]
