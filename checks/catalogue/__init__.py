"""The catalogue: every rule, in the order in which it is printed.

A new rule is one :class:`~checks.rule.Rule` in the module of its topic, listed in
that module's ``RULES``.
"""

from __future__ import annotations

from checks.catalogue import (
    counts,
    courses,
    dates,
    duplicates,
    effort,
    fish,
    history,
    neighbours,
    runs,
    units,
    values,
    visit,
    water,
)
from checks.rule import Rule

CATALOGUE: dict[str, Rule] = {
    rule.id: rule
    for topic in (values, units, water, dates, effort, counts, courses, runs, neighbours, history,
                  duplicates, fish, visit)
    for rule in topic.RULES
}
"""Rule id -> rule."""
