"""Rules that the site's own past tells: its counts, and the sheets it sent before."""

from __future__ import annotations

import math
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
    eels = "c.taxon LIKE 'anguilla-%'"
    pair = f"{eels} AND x.about_leap > {limits['times']!r}"
    # Other animals come in schools, and a school is no slip.
    times = f"CASE WHEN {eels} THEN {limits['times']!r} ELSE {limits['school_times']!r} END"
    yield Probe(
        Over.COURSES,
        "count",
        Effect.QUERY,
        f"c.count >= {limits['animals']!r} AND x.about_checks >= {limits['checks']!r} "
        f"AND (c.count > {times} * {expected} AND c.count > {times} / 2 * x.about_most "
        "AND c.count > 1.5 * coalesce(x.usual_most, 0) "
        # What dwarfs every check about is odd in a good year too.
        f"OR {eels} AND x.about_checks >= {limits['all_checks']!r} "
        f"AND c.count > {limits['times']!r} * greatest(x.about_most, x.about * x.pulse, 1.0) "
        # Of two near each other each would hide the other.
        f"OR {pair} AND x.about_checks >= {limits['all_checks']!r} AND c.count > "
        f"{limits['times']!r} * greatest(x.about_second, x.about_rest * x.pulse, 1.0))",
        facts={"about": f"format('{{:.0f}}', CASE WHEN {pair} THEN x.about_rest ELSE x.about END)",
               "expected": f"CASE WHEN {pair} THEN x.about_rest ELSE {expected} END",
               "about_most": f"CASE WHEN {pair} THEN x.about_second ELSE x.about_most END"},
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


def _skipped(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.COURSES,
        "count",
        Effect.QUERY,
        f"c.count >= {limits['animals']!r} AND c.taxon LIKE 'anguilla-%' AND x.skipped = 1 "
        # Otherwise there is a row each day, and this one has the hours of one night.
        f"AND x.nights <= 8 AND coalesce(e.hours_fished, e.soak_hours) "
        f"BETWEEN 18 AND {limits['hours']!r} "
        f"AND c.count >= {limits['times']!r} * greatest(x.sides, x.about)",
        facts={"about": "format('{:.0f}', x.about)",
               "hours_text": "format('{:g}', round(coalesce(e.hours_fished, e.soak_hours), 1))",
               "date": "strftime(e.local_date - 1, '%-d %b %Y')"},
    )


def _exchanged(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.COURSES,
        "count",
        Effect.QUERY,
        f"c.count >= {limits['animals']!r} AND c.taxon LIKE 'anguilla-%' "
        "AND x.about_checks >= 3 AND c.count > 3 * greatest(x.about_second, 1) "
        f"AND x.kin * 4 < c.count AND x.kin_about * {limits['times']!r} >= c.count "
        f"AND x.exchanged >= {math.log(limits['odds'])!r}",
        facts={"about": "format('{:.0f}', x.about_rest)",
               "kin_text": "format('{:.0f}', x.kin)",
               "kin_about": "format('{:.0f}', x.kin_about)"},
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
            "school_times": Threshold(20.0, "", "times what is plausible, of animals that come in "
                                      "schools"),
            "animals": Threshold(25.0, "", "smaller counts are let be"),
            "all_checks": Threshold(6.0, "", "checks about, all of which a catch may dwarf"),
            "checks": Threshold(3.0, "", "least checks about to tell by"),
            "cold_degrees": Threshold(2.0, "degC", "colder water is too cold for a run"),
            "cold_animals": Threshold(50.0, "", "eels in such water that are asked about"),
        },
        yields_to=("count-negative", "count-fractional", "subsample-expansion", "implausible",
                   "duplicate-event", "stages-exchanged", "day-skipped",
                   "sum-of-parts", "fish-accounting", "running-total", "copied-down",
                   "row-pasted", "rows-sent-before", "same-as-other-site"),
        groups=False,
        example={"written": "4120", "what": "American eel (glass eel)", "about": "380"},
        version=2,
    ),
    Rule(
        id="day-skipped",
        title="A day without a row, then a double catch",
        about="The net has a row each day but for the day before this one, the hours are those of "
        "one night, and the catch is twice that of any check beside it: two days' catch may "
        "stand on one row.",
        source="common practice",
        effect=Effect.QUERY,
        message="{written} {what} after a day without a row ({date}), where the checks before and "
        "after had about {about} and the hours say {hours_text}.",
        remedy="If it is two days' catch, give the hours of both; if not, say what {date} had.",
        probes=_skipped,
        thresholds={
            "animals": Threshold(12.0, "", "smaller counts are let be"),
            "times": Threshold(2.0, "", "times the checks beside it"),
            "hours": Threshold(30.0, "h", "more hours are of more than one night"),
        },
        yields_to=("running-total", "copied-down", "row-pasted", "rows-sent-before",
                   "same-as-other-site", "duplicate-event", "stages-exchanged"),
        groups=False,
        example={"written": "84", "what": "American eel (glass eel)", "date": "14 Mar 2026",
                 "about": "30", "hours_text": "24"},
    ),
    Rule(
        id="stages-exchanged",
        title="A catch in the other stage's column",
        about="The row has of one life stage what the checks before and after have of the other, "
        "and hardly any of that: the number was written a column too far.",
        source="likelihood ratio of the row as it stands and with the two exchanged, catches taken "
        "as negative binomial; common practice",
        effect=Effect.QUERY,
        message="{written} {what}, where the checks before and after had about {about}, and "
        "{kin_text} of the other stage, where they had about {kin_about}.",
        remedy="Look whether the two changed columns; if it is right, say so and it stays.",
        probes=_exchanged,
        thresholds={
            "animals": Threshold(12.0, "", "smaller counts are let be"),
            "times": Threshold(8.0, "", "times what the other stage has, up to which it may be "
                               "its catch"),
            "odds": Threshold(25_000.0, "", "how many times likelier the row is with the two "
                              "exchanged"),
        },
        yields_to=("count-negative", "count-fractional", "subsample-expansion",
                   "row-pasted", "rows-sent-before", "same-as-other-site", "duplicate-event"),
        groups=False,
        example={"written": "60", "what": "American eel (elver)", "about": "0", "kin_text": "0",
                 "kin_about": "48"},
        version=2,
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

