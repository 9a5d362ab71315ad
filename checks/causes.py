"""Causes: findings that one answer would settle are one question, not three hundred."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

from checks.catalogue import CATALOGUE
from shared.findings import Finding
from shared.flags import GRAVITY
from shared.identity import short_digest

LEAST_ROWS = 3
"""Fewer alike findings than this are asked about one by one."""


def with_causes(findings: list[Finding]) -> list[Finding]:
    """Give findings of one rule in one column of one sheet a shared ``cause``; worst first.

    So do those of one row where a rule doubts values that disagree. Lone findings are their
    own cause. The order is total, so equal inputs give equal output.
    """
    disputed: dict[tuple[str, int | None], set[str]] = defaultdict(set)
    for finding in findings:
        if CATALOGUE[finding.rule].pairs:
            disputed[finding.rule, finding.row_id].add(finding.field)
    alike: dict[tuple[str, ...], list[Finding]] = defaultdict(list)
    for finding in findings:
        fields = disputed.get((finding.rule, finding.row_id), {finding.field})
        alike[_column(finding, "+".join(sorted(fields)))].append(finding)
    out: list[Finding] = []
    for key, group in alike.items():
        rule = CATALOGUE[group[0].rule]
        alike_enough = len({f.row_id for f in group} if rule.pairs else group) >= LEAST_ROWS
        # A rule that names the cause itself knows what belongs together, be it two rows.
        together = len(group) > 1 if group[0].cause else alike_enough and rule.groups
        cause = short_digest("cause", *key) if together else ""
        for finding in group:
            several = len(disputed.get((finding.rule, finding.row_id), ())) > 1
            of_row = cause or (
                short_digest("cause", *key, finding.row_id) if several else finding.id)
            out.append(replace(finding, cause=of_row))
    return in_order(_of_one_shift(_of_one_redating(_of_one_thermometer(out))))


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Findings worst first, then as they stand in files and sheets."""
    return sorted(findings, key=_order)


_DRIFT = "probe-drifting"
_OF_A_DRIFT = frozenset({"unlike-neighbours", "rate-of-change"})
_BEFORE_A_DRIFT = 14
"""Rows of a sheet before a drift is told from weather."""


def _of_one_thermometer(findings: list[Finding]) -> list[Finding]:
    """Readings that stood out before or while a probe drifts are part of that one question."""
    drifts: dict[tuple[str, str, str, str], list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.rule == _DRIFT:
            drifts[_probe(finding)].append(finding)
    out = []
    for finding in findings:
        drift = [f for f in drifts[_probe(finding)] if abs((f.row or 0) - (finding.row or 0))
                 <= _BEFORE_A_DRIFT] if finding.rule in _OF_A_DRIFT else []
        out.append(replace(finding, cause=drift[0].cause) if drift else finding)
    return out


_OF_A_DATE = frozenset({
    "date-in-future", "date-out-of-season", "date-out-of-order", "set-after-check",
    "soak-too-long", "soak-overlap", "effort-mismatch", "duplicate-event", "vanished-row"})
"""What dates that were typed anew bring with them, in the sheet and in what it had before."""
_OF_A_DAY = frozenset({
    "unlike-history", "unlike-neighbours", "climatology", "spike", "rate-of-change"})
"""What a row is told by that stands on another's day."""


def _of_one_redating(findings: list[Finding]) -> list[Finding]:
    """Where a sheet's dates were typed anew, what is odd about its dates is that one question."""
    anew: dict[tuple[str, str], list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.rule == "rows-redated":
            anew[finding.site, finding.sheet].append(finding)
    out = []
    for finding in findings:
        rows = anew[finding.site, finding.sheet]
        named = finding.row_id in {f.row_id for f in rows}
        of_it = rows and (finding.rule in _OF_A_DATE or (named and finding.rule in _OF_A_DAY))
        out.append(replace(finding, cause=rows[0].cause) if of_it else finding)
    return out


def _of_one_shift(findings: list[Finding]) -> list[Finding]:
    """The cell that is blank since its column slipped by a row is part of that question."""
    slipped: dict[tuple[str, ...], list[Finding]] = defaultdict(list)
    for finding in findings:
        if finding.rule == "rows-shifted":
            slipped[_cells(finding)].append(finding)
    out = []
    for finding in findings:
        cells = slipped[_cells(finding)] if finding.rule == "zero-or-blank" else []
        near = [f for f in cells if abs((f.row or 0) - (finding.row or 0)) <= 1]
        out.append(replace(finding, cause=near[0].cause) if near else finding)
    return out


def _cells(finding: Finding) -> tuple[str, ...]:
    return (finding.site, finding.file_sha256, finding.sheet, finding.field, finding.taxon,
            finding.life_stage)


def _probe(finding: Finding) -> tuple[str, str, str, str]:
    return finding.site, finding.file_sha256, finding.sheet, finding.field


_BY_WORD = frozenset({"not-understood", "not-in-list"})
"""Rules whose one answer settles only cells that say the same word."""


def _column(finding: Finding, fields: str) -> tuple[str, ...]:
    word = finding.value if finding.rule in _BY_WORD else ""
    return (
        word,
        finding.cause,
        finding.site,
        finding.file_sha256,
        finding.sheet,
        finding.rule,
        fields,
        finding.taxon,
        finding.life_stage,
        finding.effect.value,
        # What can be accepted and what cannot are answered apart, unless they are of one run.
        "?" if finding.suggestion and not finding.cause else "",
    )


@dataclass(frozen=True, slots=True, eq=False)
class _ById:
    """Orders by a finding's id, which is only made where all else is equal."""

    finding: Finding

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _ById) and self.finding.id == other.finding.id

    def __hash__(self) -> int:
        return hash(self.finding.id)

    def __lt__(self, other: _ById) -> bool:
        return self.finding.id < other.finding.id


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
        _ById(finding),
    )
