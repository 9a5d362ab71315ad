"""Rules that the data dictionary itself implies: missing, unread, out of range, not in the list."""

from __future__ import annotations

from collections.abc import Iterator

from checks.relations import LOCAL_MEDIAN_FIELDS, local_median_sql
from checks.rule import (
    Case,
    Limits,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    nearest,
    outside,
    slips_of,
    suggest_number,
    unusual,
)
from shared.fields import EVENT_FIELDS, FIELDS, NUMERIC_KINDS, Field, Kind, Level, Range
from shared.flags import Effect, Flag
from shared.protocol import protocols
from shared.settings import Network
from shared.units import convert

_COUNTED = frozenset({"count"})
"""Fields whose range below zero has a rule of its own."""


def _relation(entry: Field) -> tuple[Over, str]:
    if entry.level is Level.EVENT:
        return Over.EVENTS, f"e.{entry.id}"
    return Over.CATCHES, f"c.{entry.id}"


def _numeric() -> Iterator[Field]:
    return (entry for entry in FIELDS.values() if entry.kind in NUMERIC_KINDS)


def _out_of_range(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in _numeric():
        if entry.possible is None:
            continue
        over, column = _relation(entry)
        condition = outside(column, entry.possible, low=entry.id not in _COUNTED)
        if condition:
            yield Probe(
                over,
                entry.id,
                entry.bad_effect,
                condition,
                facts=_span_facts(entry, entry.possible),
                guard=unusual(entry.id),
            )


def _span_facts(entry: Field, span: Range) -> dict[str, str]:
    around = entry.id in LOCAL_MEDIAN_FIELDS
    return {
        "expected": local_median_sql(entry.id) if around else "NULL",
        "low": "NULL" if span.low is None else repr(float(span.low)),
        "high": "NULL" if span.high is None else repr(float(span.high)),
    }


def _implausible(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in _numeric():
        if entry.plausible is None:
            continue
        over, column = _relation(entry)
        condition = outside(column, entry.plausible, low=entry.id not in _COUNTED)
        if entry.possible is not None:
            condition = f"({condition}) AND NOT ({outside(column, entry.possible)})"
        yield Probe(
            over,
            entry.id,
            Effect.QUERY,
            condition,
            facts=_span_facts(entry, entry.plausible),
            guard=unusual(entry.id),
        )


def _dropped_decimal(case: Case) -> Suggestion | None:
    """The number before the one slip of the pen that the days around tell of.

    Where nothing is known of these, a lost decimal point (72 for 7.2), the commonest slip, if
    it alone makes the number plausible.
    """
    entry, written = FIELDS[case.field], case.written
    if entry.plausible is None or entry.unit is None or written is None or entry.id == "count":
        return None
    fitting = {value for value in slips_of(case) if entry.plausible.holds(value)}
    expected = case.fact("expected")
    if expected is not None:
        near = _NEAR.get(entry.id, 0.1 * abs(expected))
        found = nearest(fitting, expected, near)
        return None if found is None else suggest_number(case, found)
    points = {round(convert(written / by, case.unit or entry.unit, entry.unit), 9)
              for by in (10, 100)}
    if len(fitting) == 1 and fitting <= points:
        return suggest_number(case, *fitting)
    return None


_NEAR = {"water_temperature": 2.0, "air_temperature": 6.0, "dissolved_oxygen": 1.0}
"""How far from the days around a reading ordinarily is, in its unit; of others, a tenth."""


def _unread(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in FIELDS.values():
        if entry.kind is Kind.DATE:
            continue
        yield Probe(
            Over.ODDITIES,
            entry.id,
            entry.bad_effect,
            f"o.kind = 'not-understood' AND o.field = '{entry.id}'",
            facts={"detail": "o.detail"},
            flag=Flag.FAIL,
        )


def _not_in_list(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in FIELDS.values():
        if entry.kind is Kind.CHOICE or entry.kind is Kind.TAXON:
            named = ", ".join(choice.id for choice in entry.choices[:8])
            yield Probe(
                Over.ODDITIES,
                entry.id,
                entry.bad_effect,
                f"o.kind = 'not-in-list' AND o.field = '{entry.id}'",
                facts={"choices": f"'{named}'"},
                flag=Flag.FAIL,
            )


def _qualified(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in _numeric():
        yield Probe(
            Over.ODDITIES,
            entry.id,
            Effect.NOTE,
            f"o.kind = 'qualifier' AND o.field = '{entry.id}'",
            facts={"qualifier": "o.detail"},
        )


def _no_value(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in FIELDS.values():
        yield Probe(
            Over.ODDITIES,
            entry.id,
            Effect.NOTE,
            f"o.kind = 'no-value' AND o.field = '{entry.id}'",
            flag=Flag.MISSING,
        )


def _unread_columns(_: Limits, __: Network) -> Iterator[Probe]:
    for entry in FIELDS.values():
        yield Probe(
            Over.ODDITIES,
            entry.id,
            Effect.QUERY,
            f"o.kind = 'column-unread' AND o.field = '{entry.id}'",
            facts={"why": "o.detail"},
            flag=Flag.NOT_EVALUATED,
        )


def _missing(_: Limits, __: Network) -> Iterator[Probe]:
    yield Probe(
        Over.EVENTS,
        "local_date",
        Effect.HOLD,
        "e.local_date IS NULL AND NOT EXISTS (SELECT 1 FROM {oddities} o "
        "WHERE o.row_id = e.row_id AND o.field IN ('local_date', 'check_date') "
        "AND o.kind <> 'column-unread')",
        flag=Flag.MISSING,
        guard="e.local_date IS NULL",
    )
    event_fields = {entry.id for entry in EVENT_FIELDS}
    for protocol in protocols().values():
        for name in protocol.required:
            if name in event_fields:
                yield Probe(
                    Over.EVENTS,
                    name,
                    Effect.HOLD,
                    f"e.protocol = '{protocol.id}' AND e.{name} IS NULL",
                    flag=Flag.MISSING,
                )
    yield Probe(
        Over.CATCHES,
        "taxon",
        Effect.HOLD,
        "c.taxon IS NULL AND NOT EXISTS (SELECT 1 FROM {oddities} o "
        "WHERE o.catch_id = c.catch_id AND o.field = 'taxon')",
        flag=Flag.MISSING,
        guard="c.taxon IS NULL",
    )


def _blank_counts(limits: Limits, _: Network) -> Iterator[Probe]:
    kept = f"b.share_filled >= {limits['share_filled']!r}"
    for protocol in protocols().values():
        if "count" in protocol.required:
            # The first target is always counted; of others only a column that is kept tells.
            odd = (
                f"(b.none_counted AND b.first_target OR NOT b.none_counted AND {kept})"
                if protocol.targets
                else kept
            )
            yield Probe(
                Over.BLANKS,
                "count",
                Effect.QUERY,
                f"e.protocol = '{protocol.id}' AND e.net_status IS DISTINCT FROM 'lifted' "
                f"AND {odd}",
                flag=Flag.MISSING,
            )


RULES = (
    Rule(
        id="missing-required",
        title="A value that every row must have is blank",
        about="Without a date or a name of what was counted a row cannot stand for anything.",
        source="design contract: an event is known by its date; common practice",
        effect=Effect.HOLD,
        message="{field} is blank.",
        remedy="Fill it in, or strike the row if it is not a record.",
        probes=_missing,
        example={"field": "Date"},
    ),
    Rule(
        id="not-understood",
        title="A cell that could not be read",
        about="Words where a number or a time belongs. The cell is kept as it is and its value "
        "withheld; it never becomes a blank or a zero by itself.",
        source="common practice",
        effect=Effect.MASK,
        message='{field} says "{raw}", which we cannot read as {kind}.',
        remedy="Write it plainly, or leave the cell blank if it was not taken.",
        probes=_unread,
        example={"field": "Count", "raw": "lots", "kind": "a whole number"},
    ),
    Rule(
        id="not-in-list",
        title="A word outside the list for its column",
        about="Columns with a closed set of values take only these and their usual spellings.",
        source="the dictionary's lists; common practice",
        effect=Effect.QUERY,
        message='{field} says "{raw}", which is not a word we know there{choices_known}.',
        remedy="Use one of the known words, or tell us what this one means.",
        probes=_not_in_list,
        example={
            "field": "Tide",
            "raw": "sideways",
            "choices_known": " (known: low, flood, high, ebb)",
        },
    ),
    Rule(
        id="value-qualified",
        title="A number with a mark of doubt",
        about='A number written as "~200" or ">500" is used as it stands and its mark is kept.',
        source="common practice",
        effect=Effect.NOTE,
        message='{field} is written "{raw}"; it is used as {written} and marked.',
        remedy="Nothing to do unless the exact number is known.",
        probes=_qualified,
        example={"field": "Count", "raw": "~200", "written": "200"},
    ),
    Rule(
        id="column-unread",
        title="A column left aside",
        about="A column whose heading is known, but whose cells are something else, or which "
        "another column claims to be too. None of it is loaded until that is settled; it is asked "
        "once a sheet.",
        source="common practice: a wrongly understood column is worse than a refused one",
        effect=Effect.QUERY,
        message='The column "{raw}" was not read: {why}.',
        remedy="Mend the heading or the cells, or tell us what the column holds.",
        probes=_unread_columns,
        example={
            "raw": "pH",
            "why": "its heading says pH, but its cells (400, 401, 402) are not that",
        },
    ),
    Rule(
        id="no-value",
        title="A word that stands for no value",
        about='"ND", "n/a", "-", "net out" and their like: the cell says that nothing was taken. '
        "It counts as blank, never as zero, and its words are kept.",
        source="common practice",
        effect=Effect.NOTE,
        message='{field} says "{raw}": no value, which is no zero either.',
        remedy="Nothing to do; write 0 if there really was none.",
        probes=_no_value,
        yields_to=("zero-or-blank", "effort-missing", "missing-required"),
        example={"field": "Count", "raw": "ND"},
    ),
    Rule(
        id="out-of-range",
        title="A value that cannot be",
        about="The value lies outside what nature or the instrument allows, so it is withheld.",
        source="possible ranges of the dictionary, each with its source",
        effect=Effect.MASK,
        message="{field} {written} cannot be right: {bounds}.",
        remedy="Look at the field sheet for a slipped decimal point or a value in the wrong "
        "column.",
        probes=_out_of_range,
        suggest=_dropped_decimal,
        yields_to=(
            "temperature-unit",
            "conductivity-unit",
            "oxygen-unit",
            "precipitation-unit",
            "soak-too-long",
            "salinity-disagrees",
        ),
        example={"field": "pH", "written": "72", "bounds": "it lies between 0 and 14"},
    ),
    Rule(
        id="implausible",
        title="A value that would surprise an old hand",
        about="Possible, but outside what these waters and nets give. The value loads, marked "
        "suspect, and is asked about once.",
        source="plausible ranges of the dictionary, each with its source",
        effect=Effect.QUERY,
        message="{field} {written} would be unusual: most are {bounds_usual}.",
        remedy="Check it against the field sheet; if it is right, say so and it stays.",
        probes=_implausible,
        suggest=_dropped_decimal,
        yields_to=(
            "temperature-unit",
            "conductivity-unit",
            "oxygen-unit",
            "precipitation-unit",
            "temperature-pair",
            "ice-in-warm-water",
            "oxygen-disagrees",
            "conductance-disagrees",
            "below-freezing",
            "salinity-disagrees",
            "out-of-range",
            "count-fractional",
            "count-negative",
            "subsample-expansion",
        ),
        example={
            "field": "Water temperature",
            "written": "31 degC",
            "bounds_usual": "between -1 and 28 degC",
        },
    ),
    Rule(
        id="zero-or-blank",
        title="No count on a day the net fished",
        about="A blank is not a zero. If none came, 0 is data; if the net was not fishing, the "
        "day is no zero at all.",
        source="common practice",
        effect=Effect.QUERY,
        message="The net was checked, but the count of {what} is blank.",
        remedy="Write 0 if there were none; if the net was not fishing or nobody counted, say so.",
        probes=_blank_counts,
        thresholds={
            "share_filled": Threshold(
                0.8, "", "share of the column that is filled before one blank in it is asked about"
            )
        },
        yields_to=("not-understood",),
        example={"what": "American eel (glass eel)"},
    ),
)
