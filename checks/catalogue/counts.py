"""Rules about counts: impossible ones, sums, subsamples, and every fish accounted for."""

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
    suggest_number,
    unusual,
)
from shared.flags import Effect
from shared.settings import Network
from shared.taxa import ALL_STAGES


def _negative(_: Limits, __: Network) -> Iterator[Probe]:
    yield Probe(Over.CATCHES, "count", Effect.HOLD, "c.count < 0", guard=unusual("count"))


def _positive(case: Case) -> Suggestion | None:
    return None if case.value is None else suggest_number(case, -case.value)


def _fractional(_: Limits, __: Network) -> Iterator[Probe]:
    fractional = "c.count <> floor(c.count)"
    yield Probe(Over.CATCHES, "count", Effect.HOLD, fractional, guard=fractional)


_EXPANDED = "(c.subsample_count * c.total_volume / c.subsample_volume)"


def _expansion(limits: Limits, _: Network) -> Iterator[Probe]:
    share = limits["share"]
    yield Probe(
        Over.CATCHES,
        "count",
        Effect.QUERY,
        f"c.subsample_volume > 0 AND abs(c.count - {_EXPANDED}) "
        f"> greatest(1.0, {share!r} * {_EXPANDED})",
        facts={
            "expanded": _EXPANDED,
            "expanded_text": f"format('{{:.0f}}', round({_EXPANDED}))",
            "part": "format('{:.0f}', c.subsample_count)",
            "part_volume": "format('{:g}', c.subsample_volume)",
            "whole_volume": "format('{:g}', c.total_volume)",
        },
    )
    yield Probe(
        Over.CATCHES,
        "subsample_volume",
        Effect.QUERY,
        "c.subsample_volume > c.total_volume",
        facts={
            "part_volume": "format('{:g}', c.subsample_volume)",
            "whole_volume": "format('{:g}', c.total_volume)",
        },
        message="The subsample ({part_volume} ml) is larger than the whole catch "
        "({whole_volume} ml).",
    )


def _expanded(case: Case) -> Suggestion | None:
    value, part, whole = (case.fact(name) for name in ("expanded", "part_volume", "whole_volume"))
    if part is not None and whole is not None and part > whole:
        return None
    return None if value is None else suggest_number(case, float(round(value)))


_TOTALLED = f"SELECT row_id FROM {{catches}} WHERE life_stage = '{ALL_STAGES}'"
"""Rows of sheets that state a total over stages."""


def _parts(_: Limits, __: Network) -> Iterator[Probe]:
    yield Probe(
        Over.TALLIES,
        "count",
        Effect.QUERY,
        "t.stated_total IS NOT NULL AND t.parts > 0 AND abs(t.stated_total - t.counted_sum) > 0.5",
        facts={
            "total": "format('{:.0f}', t.stated_total)",
            "sum": "format('{:.0f}', t.counted_sum)",
            "stage": f"'{ALL_STAGES}'",
        },
        rows=_TOTALLED,
    )


def _unaccounted() -> Iterator[str]:
    """Queries of the rows whose sums may not come out: where no catch is among these, and no
    total stands in, what was counted beside a number released is what became of it.

    A plain comparison comes first in each: it spares the rest to nearly all catches.
    """
    differs = ("coalesce(count, 0) "
               "<> coalesce(released, 0) + coalesce(mortality, 0) + coalesce(kept, 0)")
    for condition in (f"count <> released AND {differs}", "count IS NULL AND released IS NOT NULL",
                      f"mortality <> 0 AND (released IS NULL OR {differs})",
                      f"kept <> 0 AND (released IS NULL OR {differs})"):
        yield f"SELECT row_id FROM {{catches}} WHERE {condition}"


def _accounting(_: Limits, __: Network) -> Iterator[Probe]:
    yield Probe(
        Over.TALLIES,
        "released",
        Effect.QUERY,
        # Some sheets account for all eels, some for the stage the columns stand beside; a
        # fish is missing only where neither sum comes out.
        "t.released IS NOT NULL AND t.counted > 0 AND abs(t.counted_sum - t.released "
        "- coalesce(t.mortality, 0) - coalesce(t.kept, 0)) > 0.5 "
        "AND coalesce(abs(t.counted_beside - t.released "
        "- coalesce(t.mortality, 0) - coalesce(t.kept, 0)) > 0.5, TRUE)",
        facts={
            "counted": "format('{:.0f}', t.counted_sum)",
            "released": "format('{:.0f}', t.released)",
            "dead": "format('{:.0f}', coalesce(t.mortality, 0))",
            "kept": "format('{:.0f}', coalesce(t.kept, 0))",
        },
        rows=" UNION ALL ".join((_TOTALLED, *_unaccounted())),
    )
    # With no number of those released, more dead and kept than were counted is odd still.
    gone = "coalesce(c.mortality, 0) + coalesce(c.kept, 0)"
    yield Probe(
        Over.CATCHES,
        "mortality",
        Effect.QUERY,
        f"c.released IS NULL AND c.count >= 0 AND {gone} > c.count",
        facts={
            "counted": "format('{:.0f}', c.count)",
            "gone": f"format('{{:.0f}}', {gone})",
        },
        message="{gone} dead or kept are more than the {counted} that were counted.",
        guard="c.mortality > 0 OR c.kept > 0",
    )


def _mostly_dead(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.CATCHES,
        "mortality",
        Effect.QUERY,
        f"c.mortality >= {limits['animals']!r} AND c.mortality <= c.count "
        f"AND c.mortality > {limits['share']!r} * c.count",
        facts={
            "counted": "format('{:.0f}', c.count)",
            "dead": "format('{:.0f}', c.mortality)",
            "released": "format('{:.0f}', coalesce(c.released, 0))",
        },
        guard=f"c.mortality >= {limits['animals']!r}",
    )


RULES = (
    Rule(
        id="count-negative",
        title="A count below zero",
        about="Nobody counts fewer than none.",
        source="definition",
        effect=Effect.HOLD,
        message="The count is {raw}, below zero.",
        remedy="Write the number that was counted.",
        probes=_negative,
        suggest=_positive,
        groups=False,
        example={"raw": "-12"},
    ),
    Rule(
        id="count-fractional",
        title="A count that is not whole",
        about="Animals come whole; a fraction is a mean, a volume or a slipped key.",
        source="definition",
        effect=Effect.HOLD,
        message="The count is {raw}, not a whole number.",
        remedy="Write the number counted; if it comes from a subsample, give its parts.",
        probes=_fractional,
        groups=False,
        example={"raw": "12.5"},
    ),
    Rule(
        id="subsample-expansion",
        title="A total that its subsample does not give",
        about="total = subsample count x total volume / subsample volume, within rounding.",
        source="ratio estimate by volume, common practice; worked example in tests/reference",
        effect=Effect.QUERY,
        message="{part} in {part_volume} ml of {whole_volume} ml gives {expanded_text}, but the "
        "count says {raw}.",
        remedy="Mend the count or the part that is wrong.",
        probes=_expansion,
        suggest=_expanded,
        thresholds={"share": Threshold(0.02, "", "differences up to this share are rounding")},
        yields_to=("count-negative", "count-fractional"),
        pairs=True,
        groups=False,
        example={
            "part": "310",
            "part_volume": "50",
            "whole_volume": "850",
            "expanded_text": "5270",
            "raw": "2570",
        },
    ),
    Rule(
        id="sum-of-parts",
        title="A total that is not the sum of its parts",
        about="The sheet states a total over stages, and its stages do not add up to it.",
        source="arithmetic",
        effect=Effect.QUERY,
        message="The total says {total}, but the stages add up to {sum}.",
        remedy="Mend the total or the stage that is wrong.",
        probes=_parts,
        yields_to=("not-understood", "count-negative", "count-fractional", "subsample-expansion"),
        groups=False,
        example={"total": "154", "sum": "145"},
    ),
    Rule(
        id="fish-accounting",
        title="Fish that are not accounted for",
        about="counted = released + dead + kept for sample; permits ask for every one.",
        source="permit accounting, common practice; your permit's own terms decide",
        effect=Effect.QUERY,
        message="All stages together, {counted} were counted, but {released} released, {dead} "
        "dead and {kept} kept do not make that number.",
        remedy="Mend whichever is wrong; the permit asks for every fish.",
        probes=_accounting,
        yields_to=(
            "count-negative",
            "count-fractional",
            "subsample-expansion",
            "not-understood",
            "sum-of-parts",
            "count-while-not-fishing",
        ),
        example={"counted": "120", "released": "110", "dead": "1", "kept": "0"},
    ),
    Rule(
        id="mostly-dead",
        title="More of the catch dead than alive",
        about="Nets are checked so that few animals die. Where most of a catch is written as "
        "dead, the numbers of the dead and of the released may have changed columns; if not, "
        "the permit wants to know why.",
        source="permits limit mortality, common practice; your permit's own terms decide",
        effect=Effect.QUERY,
        message="{dead} of {counted} are written as dead, and {released} as released.",
        remedy="Look whether the two changed columns; if so many died, say so and what of.",
        probes=_mostly_dead,
        thresholds={
            "animals": Threshold(8.0, "", "fewer dead are let be"),
            "share": Threshold(0.5, "", "share of the catch that is dead"),
        },
        yields_to=("fish-accounting", "count-negative", "count-fractional", "sum-of-parts"),
        groups=False,
        example={"counted": "52", "dead": "52", "released": "0"},
    ),
)
