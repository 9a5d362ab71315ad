"""The season's reports: the network's, one page a site, the permit table."""

from flows.season.reporting import write_season

__all__ = ["write_season"]
