"""Which row of a resent sheet is which row of the sheet before, when its identity has changed.

Most rows match by identity wherever they stand. What is left is matched here: a corrected
date, time or net makes a row leave under one identity and arrive under another. Evidence is
weighed for each pair of rows that have something telling in common, and the pairs are chosen
together (``scipy.optimize.linear_sum_assignment``), so that no row stands for two. A pair is
taken only when its evidence is enough by itself and clearly better than the next best: a
season has many bare zero rows, and to take one for another would be worse than to ask.

The weights are common practice, not measured: what two different checks seldom share weighs
most.
"""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

ENOUGH = 6.0
"""Evidence that a pair must have."""
CLEAR = 2.0
"""By how much it must be better than the next best pair of either row."""
LIKELY = 5.0
"""Evidence from which a row is named when the lead is asked about one that is gone."""

_CROWD = 400
"""Pairs that one shared trait may suggest; a trait of more rows tells nothing."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row as it stands in one sheet.

    ``counts``: (taxon, stage) -> count. ``values``: other canonical values by field, without
    dates and times. ``above`` and ``below``: identities of the rows beside it.
    """

    key: str
    protocol: str
    gear: str
    date: dt.date | None
    time: dt.time | None
    sheet: str
    number: int
    above: str | None = None
    below: str | None = None
    counts: Mapping[tuple[str, str], float] = field(default_factory=dict)
    values: Mapping[str, object] = field(default_factory=dict)

    @property
    def content(self) -> tuple[object, ...]:
        """Everything counted and measured, to compare whole rows at once."""
        return (self.protocol, tuple(sorted(self.counts.items())),
                tuple(sorted((name, str(value)) for name, value in self.values.items())))

    @property
    def telling(self) -> int:
        """How many of its values another row would hardly have by chance."""
        return sum(count > 0 for count in self.counts.values()) + sum(
            _measures(value) for value in self.values.values())


def _measures(value: object) -> bool:
    """Whether a value is a reading: a zero or a word is shared by many rows."""
    return isinstance(value, float) and value != 0


@dataclass(frozen=True, slots=True)
class Match:
    """That row ``gone`` now stands as row ``arrived``, and what speaks for it."""

    gone: str
    arrived: str
    evidence: str


@dataclass(frozen=True, slots=True)
class Matched:
    """What became of the rows that are gone: those that moved, and those that may have.

    ``alike``: row gone, row arrived, both by key: the most alike first, two at most of each
    row that is gone. Neither of them is in ``moved``.
    """

    moved: tuple[Match, ...]
    alike: tuple[tuple[str, str], ...]


def match_rows(gone: Sequence[Row], arrived: Sequence[Row]) -> Matched:
    """Which rows of ``gone`` are among ``arrived``, both parts in the order of ``gone``.

    Costs time in proportion to the rows and to the pairs that share a trait, which
    :data:`_CROWD` keeps few.
    """
    found: dict[int, Match] = {}
    left_gone, left_arrived = set(range(len(gone))), set(range(len(arrived)))
    for a, b in _alone_in_content(gone, arrived):
        found[a] = Match(gone[a].key, arrived[b].key, "all counts and readings are the same")
        left_gone.discard(a)
        left_arrived.discard(b)
    scores = {
        (a, b): weigh(gone[a], arrived[b])
        for a, b in _candidates(gone, arrived, left_gone, left_arrived)
    }
    rivals: dict[tuple[int, int], list[float]] = defaultdict(list)
    for (a, b), score in scores.items():
        rivals[0, a].append(score)
        rivals[1, b].append(score)
    for a, b in _assigned({pair: score for pair, score in scores.items() if score > 0}):
        next_best = max((sorted(rivals[node])[-2] for node in ((0, a), (1, b))
                         if len(rivals[node]) > 1), default=-math.inf)
        if scores[a, b] >= max(ENOUGH, next_best + CLEAR):
            found[a] = Match(gone[a].key, arrived[b].key, _words(gone[a], arrived[b]))
    taken = {match.arrived for match in found.values()}
    likely: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for (a, b), score in scores.items():
        if score >= LIKELY and a not in found and arrived[b].key not in taken:
            likely[a].append((-score, b))
    return Matched(
        tuple(found[a] for a in sorted(found)),
        tuple((gone[a].key, arrived[b].key)
              for a in sorted(likely) for _, b in sorted(likely[a])[:2]))


def _alone_in_content(
    gone: Sequence[Row], arrived: Sequence[Row]
) -> Iterable[tuple[int, int]]:
    """Pairs whose content no other row on either side has, where it says enough."""
    sides: list[dict[tuple[object, ...], list[int]]] = []
    for rows in (gone, arrived):
        by_content: dict[tuple[object, ...], list[int]] = defaultdict(list)
        for place, row in enumerate(rows):
            by_content[row.content].append(place)
        sides.append(by_content)
    for content, places in sides[0].items():
        others = sides[1].get(content, [])
        if len(places) == 1 == len(others) and gone[places[0]].telling >= 2:
            yield places[0], others[0]


def _traits(row: Row) -> Iterable[tuple[object, ...]]:
    p = row.protocol
    yield p, "moment", row.date, row.time
    yield p, "place", row.sheet, row.number
    if row.above:
        yield p, "above", row.above
    if row.below:
        yield p, "below", row.below
    for kind, count in row.counts.items():
        if count > 0:
            yield p, kind, count
    for name, value in row.values.items():
        if _measures(value):
            yield p, name, value


def _candidates(
    gone: Sequence[Row], arrived: Sequence[Row], left_gone: set[int], left_arrived: set[int]
) -> set[tuple[int, int]]:
    sharing: dict[tuple[object, ...], tuple[list[int], list[int]]] = defaultdict(
        lambda: ([], []))
    for side, rows, left in ((0, gone, left_gone), (1, arrived, left_arrived)):
        for place in left:
            for trait in _traits(rows[place]):
                sharing[trait][side].append(place)
    return {
        (a, b) for here, there in sharing.values() if len(here) * len(there) <= _CROWD
        for a in here for b in there
    }


def weigh(a: Row, b: Row) -> float:
    """Evidence that ``a`` and ``b`` are one row; more speaks for it, below 0 against it."""
    score = 1.0 if a.gear == b.gear else -2.0
    score += 0.5 if a.sheet == b.sheet else 0.0
    score += 1.0 if (a.sheet, a.number) == (b.sheet, b.number) else 0.0
    score += 2.0 if a.above and a.above == b.above else 0.0
    score += 2.0 if a.below and a.below == b.below else 0.0
    score += _date_evidence(a, b)
    for kind in a.counts.keys() | b.counts.keys():
        here, there = a.counts.get(kind), b.counts.get(kind)
        if here is None or there is None:
            score -= 0.5
        elif here != there:
            score -= 3.0
        else:
            score += min(3.0, math.log2(1 + here)) if here > 0 else 0.2
    for name in a.values.keys() | b.values.keys():
        one, other = a.values.get(name), b.values.get(name)
        if one is None or other is None:
            score -= 0.5
        elif one != other:
            score -= 3.0
        else:
            score += 2.0 if _measures(one) else 0.5
    return score


def _date_evidence(a: Row, b: Row) -> float:
    if a.date is None or b.date is None:
        return 0.0
    if a.date == b.date:
        return 4.0
    if (a.date.month, a.date.day) == (b.date.day, b.date.month) and a.date.year == b.date.year:
        return 3.0
    if (a.date.month, a.date.day) == (b.date.month, b.date.day):
        return 3.0
    slips = sum(x != y for x, y in zip(a.date.isoformat(), b.date.isoformat(), strict=True))
    if slips == 1 or abs((a.date - b.date).days) <= 1:
        return 1.5
    return 0.0 if abs((a.date - b.date).days) <= 31 else -1.0


def _assigned(scores: Mapping[tuple[int, int], float]) -> Iterable[tuple[int, int]]:
    """The pairs, each row in one at most, whose evidence together is the most.

    Rows that share no candidate are assigned apart: the matrices stay small.
    """
    import numpy as np
    from scipy.optimize import linear_sum_assignment

    for pairs in _components(scores):
        rows = sorted({a for a, _ in pairs})
        columns = sorted({b for _, b in pairs})
        if len(rows) == 1 == len(columns):
            yield rows[0], columns[0]
            continue
        at_row = {a: place for place, a in enumerate(rows)}
        at_column = {b: place for place, b in enumerate(columns)}
        weight = np.zeros((len(rows), len(columns)))
        for a, b in pairs:
            weight[at_row[a], at_column[b]] = scores[a, b]
        for row, column in zip(*linear_sum_assignment(weight, maximize=True), strict=True):
            pair = rows[int(row)], columns[int(column)]
            if pair in scores:
                yield pair


def _components(scores: Mapping[tuple[int, int], float]) -> list[list[tuple[int, int]]]:
    parent: dict[tuple[int, int], tuple[int, int]] = {}

    def root(node: tuple[int, int]) -> tuple[int, int]:
        while parent.setdefault(node, node) != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    for a, b in scores:
        parent[root((0, a))] = root((1, b))
    groups: dict[tuple[int, int], list[tuple[int, int]]] = defaultdict(list)
    for a, b in sorted(scores):
        groups[root((0, a))].append((a, b))
    return list(groups.values())


def _words(a: Row, b: Row) -> str:
    """What speaks for the pair, for a person."""
    said = []
    counts = Counter(a.counts.get(kind) == b.counts.get(kind)
                     for kind in a.counts.keys() & b.counts.keys())
    if counts[True]:
        said.append("the same counts" if not counts[False] else f"{counts[True]} counts the same")
    readings = sum(a.values.get(name) == b.values.get(name)
                   for name in a.values.keys() & b.values.keys())
    if readings:
        said.append(f"{readings} other values the same" if readings > 1
                    else "another value the same")
    if (a.sheet, a.number) == (b.sheet, b.number):
        said.append("the same row of the sheet")
    if (a.above and a.above == b.above) or (a.below and a.below == b.below):
        said.append("beside the same rows")
    if a.date is not None and a.date == b.date:
        said.append("the same day")
    return ", ".join(said) or "nothing else that it could be"
