"""Rules that the site's own past tells: its counts, and the sheets it sent before."""

from __future__ import annotations

from collections.abc import Iterator

from checks.rule import Case, Limits, Over, Probe, Rule, Suggestion, Threshold, suggest_number
from checks.sequences import COMPARED
from shared.flags import Effect
from shared.settings import Network


def _unlike(limits: Limits, _: Network) -> Iterator[Probe]:
    # The mildest of what the days about, the same weeks of other seasons and a pulse of the
    # whole network make of it; one of them is enough to let a large catch be.
    expected = ("greatest(x.about, coalesce(x.usual, 0.0), "
                "coalesce(x.about * x.pulse, 0.0), 1.0)")
    yield Probe(
        Over.COURSES,
        "count",
        Effect.QUERY,
        f"c.count >= {limits['animals']!r} AND x.about_checks >= {limits['checks']!r} "
        f"AND c.count > {limits['times']!r} * {expected} "
        f"AND c.count > {limits['times']!r} / 2 * x.about_most "
        "AND c.count > 1.5 * coalesce(x.usual_most, 0)",
        facts={"about": "format('{:.0f}', x.about)", "expected": expected,
               "about_most": "x.about_most"},
    )
    yield Probe(
        Over.COURSES,
        "count",
        Effect.QUERY,
        f"c.count >= {limits['cold_animals']!r} AND c.taxon LIKE 'anguilla-%' "
        f"AND e.water_temperature < {limits['cold_degrees']!r} "
        f"AND c.count > 4 * coalesce(x.usual_most, 0) AND coalesce(x.pulse, 0) < 2",
        facts={"expected": "NULL"},
        message="{written} {what} in water so cold that they hardly move.",
    )


def _digit_too_many(case: Case) -> Suggestion | None:
    """The count without its last digit, where that is an ordinary catch and the whole is not."""
    expected, most = case.fact("expected"), case.fact("about_most")
    if case.value is None or expected is None or most is None:
        return None
    tenth = float(int(case.value // 10))
    return suggest_number(case, tenth) if tenth <= 1.5 * max(most, expected) else None


_SENT = {"sent": "strftime(h.sent, '%-d %b %Y')"}


def _edited(_: Limits, __: Network) -> Iterator[Probe]:
    for name in (*COMPARED, "count"):
        yield Probe(
            Over.CHANGES, name, Effect.NOTE, f"h.field = '{name}' AND h.now IS NOT NULL",
            facts=_SENT | {"was": "h.was"},
        )


def _shifted(limits: Limits, _: Network) -> Iterator[Probe]:
    for name in (*COMPARED, "count"):
        yield Probe(
            Over.CHANGES,
            name,
            Effect.QUERY,
            f"h.field = '{name}' AND h.shifted IS NOT NULL "
            f"AND h.shifted_rows >= {limits['rows']!r}",
            facts=_SENT | {"was": "h.was", "way": "h.shifted", "rows_text": "h.shifted_rows",
                           "cause": "format('{} {}', h.run_id, h.shifted)"},
        )


def _as_before(case: Case) -> Suggestion | None:
    was = case.fact("was")
    return None if was is None else suggest_number(case, was)


def _redated(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.CHANGES,
        "local_date",
        Effect.QUERY,
        f"h.field = 'local_date' AND h.moved_rows >= {limits['rows']!r}",
        facts=_SENT | {
            "date": "strftime(e.local_date, '%-d %b %Y')",
            "was_date": "strftime(h.was_date, '%-d %b %Y')",
            "same_day": "strftime(h.was_date, '%Y-%m-%d')",
            "rows_text": "h.moved_rows", "cause": "format('{}', h.run_id)"},
    )


def _day_as_before(case: Case) -> Suggestion | None:
    day = case.facts.get("same_day")
    return Suggestion(str(day), str(day)) if day else None


RULES = (
    Rule(
        id="unlike-history",
        title="A catch unlike anything here",
        about="Many times what the checks before and after, the same weeks of other seasons and "
        "the pulse at the other sites make plausible; or eels in numbers in water too cold for "
        "them. Catches do leap: it is asked about and never held.",
        source="catches are overdispersed (negative binomial, size about 1 to 2): five times the "
        "mean comes about once in 500 checks; common practice",
        effect=Effect.QUERY,
        message="{written} {what}: the checks before and after had about {about}.",
        remedy="Look for a digit too many; if it really was such a day, say so and it stays.",
        probes=_unlike,
        suggest=_digit_too_many,
        thresholds={
            "times": Threshold(5.0, "", "times what is plausible"),
            "animals": Threshold(25.0, "", "smaller counts are let be"),
            "checks": Threshold(3.0, "", "least checks about to tell by"),
            "cold_degrees": Threshold(2.0, "degC", "colder water is too cold for a run"),
            "cold_animals": Threshold(50.0, "", "eels in such water that are asked about"),
        },
        yields_to=("count-negative", "count-fractional", "subsample-expansion", "implausible",
                   "sum-of-parts", "fish-accounting", "running-total", "copied-down",
                   "row-pasted", "rows-sent-before", "same-as-other-site"),
        groups=False,
        example={"written": "4120", "what": "American eel (glass eel)", "about": "380"},
    ),
    Rule(
        id="row-edited",
        title="A row that an earlier sheet had otherwise",
        about="The site's newest sheet says another number than the one before it. The newest "
        "counts; that it changed, when and from what is kept.",
        source="common practice: a change is nothing wrong, a silent one is",
        effect=Effect.NOTE,
        message="{field} says {raw}; the sheet of {sent} had {was_written}.",
        remedy="Nothing to do if that was meant.",
        probes=_edited,
        yields_to=("rows-shifted",),
        example={"field": "Water temperature", "raw": "5.4", "sent": "8 Mar 2026",
                 "was_written": "5.2 degC"},
    ),
    Rule(
        id="rows-shifted",
        title="A column that has slipped by a row",
        about="Beside the sheet sent before, a stretch of one column stands a row lower or "
        "higher than its dates: a cell was inserted or deleted and the rest moved along.",
        source="common practice",
        effect=Effect.QUERY,
        message="{field} has slipped {way} by a row in {rows_text} rows: the sheet of {sent} had "
        "{was_written} here.",
        remedy="Move the column back, or tell us that it is right now and was wrong before.",
        probes=_shifted,
        suggest=_as_before,
        thresholds={"rows": Threshold(4.0, "", "rows from which on it is no chance")},
        example={"field": "Water temperature", "way": "down", "rows_text": "12",
                 "sent": "8 Mar 2026", "was_written": "5.2 degC"},
    ),
    Rule(
        id="rows-redated",
        title="Rows whose dates have changed since",
        about="Several rows say just what they said, on other days than in the sheet before: the "
        "date column was typed anew, or day and month were taken for each other.",
        source="common practice",
        effect=Effect.QUERY,
        message="The row of {date} was dated {was_date} in the sheet of {sent}; {rows_text} rows "
        "have changed their dates.",
        remedy="Tell us which dates are right.",
        probes=_redated,
        suggest=_day_as_before,
        thresholds={"rows": Threshold(3.0, "", "rows from which on it is asked about")},
        yields_to=("date-in-future", "date-out-of-season"),
        example={"date": "4 Mar 2026", "was_date": "3 Apr 2026", "sent": "5 Apr 2026",
                 "rows_text": "9"},
    ),
)

