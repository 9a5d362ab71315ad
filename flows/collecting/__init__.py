"""Collecting: sheets that come from a folder, an address or a mailbox into the inbox."""

from flows.collecting.rounds import Collected, collect_round

__all__ = ["Collected", "collect_round"]
