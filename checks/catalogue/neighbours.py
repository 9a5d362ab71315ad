"""Rules that the other sites of the network tell."""

from __future__ import annotations

from collections.abc import Iterator

from checks.rule import (
    Case,
    Limits,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    mistyped,
    nearest,
    slips_of,
    suggest_number,
)
from shared.flags import Effect
from shared.settings import Network


def _unlike(limits: Limits, _: Network) -> Iterator[Probe]:
    for name in ("water_temperature", "air_temperature"):
        far = f"greatest({limits[name]!r}, {limits['deviations']!r} * a.spread)"
        yield Probe(
            Over.APART,
            name,
            Effect.QUERY,
            f"a.field = '{name}' AND abs(a.apart - a.usual) > {far}",
            facts={"was": "a.median + a.usual", "sites_text": "a.sites"},
        )


def _slipped(case: Case) -> Suggestion | None:
    expected = case.fact("was")
    if expected is None:
        return None
    near = _NEAR[case.field]
    found = nearest(slips_of(case), expected, near)
    if found is None or any(abs(value - expected) <= near for value in mistyped(case)):
        return None
    return suggest_number(case, found)


_NEAR = {"water_temperature": 2.0, "air_temperature": 4.0}
"""degC that a reading ordinarily is from what the other sites point to."""


def _drifting(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.APART,
        "water_temperature",
        Effect.QUERY,
        f"a.field = 'water_temperature' AND a.checks >= {limits['checks']!r} "
        f"AND abs(a.lately) > {limits['degrees']!r} "
        # It still is: a drift that is over was asked about while it lasted.
        f"AND (a.apart - a.usual) * sign(a.lately) > {limits['degrees']!r} / 2 "
        # All but one on the same side: a single warm day is none.
        "AND CASE WHEN a.lately > 0 THEN a.above >= a.checks - 1 ELSE a.above <= 1 END",
        facts={"by": "format('{:.1f} degC', abs(a.lately))", "checks_text": "a.checks",
               "side": "CASE WHEN a.lately > 0 THEN 'warmer' ELSE 'colder' END",
               "cause": "format('{}', a.drift_id)"},
    )


def _same_elsewhere(limits: Limits, _: Network) -> Iterator[Probe]:
    facts = {"date": "strftime(e.local_date, '%-d %b %Y')", "other": "k.twin_site",
             "rows_text": "k.rows", "cause": "format('{} {}', k.run_id, k.twin_site)"}
    alike = (f"k.how = 'elsewhere' AND k.rows >= {limits['rows']!r} "
             f"AND k.lot >= {limits['animals']!r}")
    yield Probe(
        Over.COPIES, "local_date", Effect.QUERY, f"{alike} AND k.theirs", facts=facts,
        message="The row of {date} says just what {other} has for the day, and it is {other} that "
        "has the like on the days before and after; {rows_text} rows of this sheet are so.",
    )
    yield Probe(
        Over.COPIES, "local_date", Effect.QUERY, f"{alike} AND k.theirs IS NOT TRUE", facts=facts)


RULES = (
    Rule(
        id="unlike-neighbours",
        title="A reading that the other sites of the day speak against",
        about="The sites warm and cool together. What a site is always warmer or colder by is "
        "taken off first, so that a warm creek is not called wrong.",
        source="comparison of nearby stations, common practice; spread as 1.4826 x median "
        "absolute deviation",
        effect=Effect.QUERY,
        message="{field} {written} is far from what {sites_text} other sites of the day point "
        "to, about {was_written}.",
        remedy="Look at the field sheet, the unit and the thermometer; if it is right, say so.",
        probes=_unlike,
        suggest=_slipped,
        thresholds={
            "water_temperature": Threshold(5.0, "degC", "least distance that is asked about"),
            "air_temperature": Threshold(10.0, "degC", "least distance that is asked about"),
            "deviations": Threshold(6.0, "", "robust standard deviations of the site's distance"),
        },
        example={"field": "Water temperature", "written": "14.2 degC", "sites_text": "8",
                 "was_written": "5.3 degC"},
        version=2,
    ),
    Rule(
        id="probe-drifting",
        title="A thermometer that leaves the others for weeks",
        about="Over two weeks of checks the site's water has been warmer, or colder, beside the "
        "other sites than it ever is: the probe drifts, or has been changed. All its rows are "
        "one question.",
        source="comparison of nearby stations, common practice",
        effect=Effect.QUERY,
        message="Over the last {checks_text} checks {field} is {by} {side} beside the other sites "
        "than is usual here.",
        remedy="Check the probe in ice water and beside another; tell us from when it is wrong.",
        probes=_drifting,
        thresholds={
            "checks": Threshold(10.0, "", "least checks to tell a drift by"),
            "degrees": Threshold(1.8, "degC", "mean distance that is asked about"),
        },
        yields_to=("unlike-neighbours", "copied-down"),
        example={"checks_text": "14", "field": "Water temperature", "by": "2.4 degC",
                 "side": "warmer"},
    ),
    Rule(
        id="same-as-other-site",
        title="Rows that another site has too",
        about="On several days both temperatures and the eels are, to the digit, those of another "
        "site: a sheet was sent for the wrong site, or rows of one were written into the other. "
        "Whose they are is told by the days before and after and by what is left blank: then only "
        "the site with the copy is asked. Where these do not tell, both are, and the coordinator "
        "sees it of both. None waits. What more than four sites have alike on a day is weather and "
        "chance, and so is a single row of a season.",
        source="comparison of nearby stations, common practice",
        effect=Effect.QUERY,
        message="The row of {date} says just what {other} has for the day; {rows_text} rows of "
        "this sheet are so.",
        remedy="Send this site's own rows, or tell us that the other site's are not its own.",
        probes=_same_elsewhere,
        thresholds={
            "animals": Threshold(5.0, "", "least animals caught in all these rows"),
            "rows": Threshold(2.0, "", "rows from which on it is asked about"),
        },
        of_row=True,
        example={"date": "15 Mar 2026", "other": "alder-creek", "rows_text": "31"},
        version=3,
    ),
)
