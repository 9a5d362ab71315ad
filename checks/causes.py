"""Causes: findings that one answer would settle are one question, not three hundred."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

from checks.catalogue import CATALOGUE
from shared.findings import Finding
from shared.flags import GRAVITY
from shared.identity import short_digest

LEAST_ROWS = 3
"""Fewer alike findings than this are asked about one by one."""


def with_causes(findings: list[Finding]) -> list[Finding]:
    """Give findings of one rule in one column of one sheet a shared ``cause``; worst first.

    Lone findings are their own cause. The order is total, so equal inputs give equal output.
    """
    alike: dict[tuple[str, ...], list[Finding]] = defaultdict(list)
    for finding in findings:
        alike[_column(finding)].append(finding)
    out: list[Finding] = []
    for key, group in alike.items():
        shared = len(group) >= LEAST_ROWS and CATALOGUE[group[0].rule].groups
        cause = short_digest("cause", *key) if shared else ""
        out.extend(replace(finding, cause=cause or finding.id) for finding in group)
    return sorted(out, key=_order)


_BY_WORD = frozenset({"not-understood", "not-in-list"})
"""Rules whose one answer settles only cells that say the same word."""


def _column(finding: Finding) -> tuple[str, ...]:
    word = finding.value if finding.rule in _BY_WORD else ""
    return (word, 
        finding.site,
        finding.file_sha256,
        finding.sheet,
        finding.rule,
        finding.field,
        finding.taxon,
        finding.life_stage,
        finding.effect.value,
        "?" if finding.suggestion else "",
    )


def _order(finding: Finding) -> tuple[object, ...]:
    return (
        GRAVITY.index(finding.effect),
        finding.file,
        finding.sheet,
        finding.row or 0,
        finding.field,
        finding.rule,
        finding.taxon,
        finding.life_stage,
        finding.id,
    )
