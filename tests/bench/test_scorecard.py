"""The scorecard's arithmetic, on cases small enough to work out by hand."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.scorecard import (
    EARLIER,
    EXPECTED,
    Judged,
    Row,
    about,
    batches,
    diagnose,
    finding_row,
    first_number,
    one_in,
    page,
    row_key,
    score,
    suggestion_right,
    table,
    wilson,
)
from checks.catalogue import CATALOGUE
from fixtures import KINDS, RESENT_KINDS, SeededError
from fixtures.hand_errors import UNTRACEABLE
from shared.findings import Finding
from shared.flags import Effect, Flag

FILE = "creek/sheet 2026.xlsx"


def slip(kind: str, row: int, field: str, cell: str, **other: object) -> SeededError:
    """A seeded slip on the sheet."""
    whole: dict[str, object] = {
        "kind": kind, "site": "creek", "file": f"inbox/{FILE}", "sheet": "Net", "row": row,
        "cell": cell, "field": field, "true_value": "5.0", "written_value": "41.0",
        "event_date": "2026-03-14", "group": None, "traceable": True, "unit": "",
        "protocol": "fyke", "gear_unit": "A", "taxon": "", "life_stage": "", "mate_row": None,
    }
    return SeededError(**(whole | other))  # type: ignore[arg-type]


def finding(
    rule: str,
    row: int,
    field: str,
    effect: Effect = Effect.QUERY,
    suggestion: str = "",
    cell: str = "",
    catch_id: int | None = None,
    suggested: str = "",
) -> Finding:
    """A finding on the sheet; the event of row n is n."""
    return Finding(
        site="creek", file=FILE, file_sha256="", sheet="Net", row=row, cell=cell, field=field,
        rule=rule, effect=effect, flag=Flag.SUSPECT, value="", suggestion=suggestion,
        suggested=suggested, message="", row_id=row, catch_id=catch_id,
    )


def key(row: int) -> tuple[str, str, int]:
    """The row of the sheet."""
    return FILE, "Net", row


def judged(
    errors: list[SeededError], findings: list[Finding], rows: int = 10, **other: object
) -> Judged:
    """A sheet of ``rows`` rows, an event each."""
    made = Judged(errors, findings, {key(row): Row(row) for row in range(1, rows + 1)})
    for name, value in other.items():
        setattr(made, name, value)
    return made


# --- intervals ---------------------------------------------------------------------------------


def test_wilson_agrees_with_the_worked_examples_of_newcombe() -> None:
    """Newcombe 1998, Statistics in Medicine 17, 857-872, table I: 81/263, 15/148, 0/20, 1/29."""
    for found, of, low, high in (
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ):
        assert wilson(found, of) == pytest.approx((low, high), abs=5e-5)


@given(st.integers(1, 10_000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_a_share_lies_within_its_interval_and_mirrors_its_complement(
    tried: tuple[int, int],
) -> None:
    found, of = tried
    low, high = wilson(found, of)
    assert 0 <= low <= found / of <= high <= 1
    assert wilson(of - found, of) == pytest.approx((1 - high, 1 - low))


def test_nothing_tried_says_nothing() -> None:
    assert wilson(0, 0) == (0.0, 1.0)


def test_one_in_counts_how_many_clean_rows_pay_for_one() -> None:
    assert one_in(5, 1000) == "1 in 200"
    assert one_in(0, 1000) == "none in 1000"


# --- what is about what ------------------------------------------------------------------------


def test_every_kind_that_can_be_seeded_has_an_expectation() -> None:
    assert list(EXPECTED) == sorted(EXPECTED, key=[*KINDS, *RESENT_KINDS].index)
    assert set(EXPECTED) == {*KINDS, *RESENT_KINDS}


def test_no_kind_without_a_trace_has_a_rule_made_for_it() -> None:
    assert {kind for kind, expected in EXPECTED.items() if not expected.rules} == set(UNTRACEABLE)


def test_every_kind_with_a_target_is_named_by_a_rule_of_the_catalogue() -> None:
    for kind, expected in EXPECTED.items():
        if expected.target:
            assert set(expected.rules) <= set(CATALOGUE), kind


def test_a_finding_is_about_a_slip_when_it_asks_about_the_field_on_the_row() -> None:
    error = slip("fahrenheit-in-celsius", 4, "water_temperature", "F4")
    good = finding("temperature-unit", 4, "water_temperature", Effect.MASK)
    assert about(error, good, {}, {})
    assert not about(error, replace(good, row=5, row_id=5), {}, {}), "another row"
    assert not about(error, replace(good, field="salinity"), {}, {}), "another field"
    assert about(error, replace(good, rule="out-of-range"), {}, {}), "whatever rule asks"
    assert not about(error, replace(good, effect=Effect.NOTE), {}, {}), "a note asks nobody"
    assert not about(error, replace(good, sheet="Net B"), {}, {}), "another sheet"


def test_a_row_entered_twice_is_found_on_either_of_the_two() -> None:
    error = slip("row-duplicated", 6, "local_date", "A6", mate_row=5)
    for row, found in ((5, True), (6, True), (7, False)):
        twin = finding("duplicate-event", row, "local_date", Effect.HOLD)
        assert about(error, twin, {}, {}) is found


def test_a_contradiction_between_visits_is_found_on_either_of_them() -> None:
    overlap = finding("soak-overlap", 5, "set_time")
    near = {key(4): {key(3), key(5)}}
    assert about(slip("soak-overlap", 4, "set_time", "B4"), overlap, {}, near)
    assert not about(slip("soak-overlap", 4, "set_time", "B4"), overlap, {}, {})
    # A kind that is no contradiction must be found on its own row.
    wrong_year = slip("date-wrong-year", 4, "local_date", "A4")
    beside = finding("duplicate-event", 5, "local_date", Effect.HOLD)
    assert not about(wrong_year, beside, {}, near)


def test_a_finding_on_an_event_stands_on_all_its_rows_and_one_on_a_catch_on_its_own() -> None:
    error = slip("date-in-future", 4, "local_date", "A4")
    event = {3: {key(3), key(4)}}
    at_event = finding("date-in-future", 3, "local_date", Effect.HOLD)
    assert about(error, at_event, event, {})
    wordy = slip("words-in-number", 4, "count", "C4")
    at_catch = finding("not-understood", 3, "count", Effect.MASK, catch_id=9)
    assert not about(wordy, at_catch, event, {})


def test_text_files_have_no_sheet() -> None:
    assert row_key("inbox/creek/a 2026.csv", "", 3) == row_key("creek/a 2026.csv", "a 2026", 3)
    assert row_key("creek/a.xlsx", "x", 3) != row_key("creek/a.xlsx", "y", 3)


def test_a_finding_may_name_its_file_from_the_inbox_or_within_the_site() -> None:
    whole = finding("implausible", 3, "ph")
    within = replace(whole, file=FILE.removeprefix("creek/"))
    assert finding_row(whole) == finding_row(within) == key(3)
    assert finding_row(replace(whole, row=None)) is None


# --- the score ---------------------------------------------------------------------------------


def test_a_group_counts_by_cell_and_once_as_a_mistake() -> None:
    errors = [
        slip("temperature-column-switched", row, "water_temperature", f"F{row}", group="g")
        for row in (2, 3, 4)
    ] + [slip("temperature-column-switched", 8, "water_temperature", "F8", group="h")]
    found = [
        finding("temperature-unit", row, "water_temperature", Effect.MASK, cell=f"F{row}")
        for row in (3, 4)
    ]
    tally = score(judged(errors, found)).kinds["temperature-column-switched"]
    assert (tally.cells, tally.cells_found, tally.at_cell) == (4, 2, 2)
    assert (tally.mistakes, tally.found, tally.named) == (2, 1, 1)
    assert sum(tally.lost.values()) == 2


def test_a_slip_found_by_another_rule_is_found_but_not_named() -> None:
    errors = [slip("soak-overlap", 4, "set_time", "B4")]
    tally = score(judged(errors, [finding("effort-mismatch", 4, "hours_fished")])).kinds[
        "soak-overlap"]
    assert (tally.found, tally.named, tally.at_cell) == (1, 0, 0)


def test_a_change_is_told_of_by_the_note_made_for_it_and_by_no_other() -> None:
    edited = slip("old-row-edited", 4, "count", "C4")
    noted = finding("row-edited", 4, "count", Effect.NOTE)
    assert about(edited, noted, {}, {})
    assert not about(edited, replace(noted, rule="round-counts"), {}, {})


def test_a_row_that_is_gone_is_found_where_it_stood() -> None:
    gone = slip("rows-vanished", 4, "local_date", "A4", earlier=True)
    missed = replace(finding("vanished-row", 4, "local_date", Effect.HOLD), file=FILE + EARLIER)
    assert about(gone, missed, {}, {})
    assert not about(gone, replace(missed, file=FILE), {}, {}), "the row now in its place"
    again = slip("dates-retyped", 4, "local_date", "A4")
    assert about(again, missed, {}, {}), "a row under a new date is gone under its old one"


def test_a_file_not_taken_in_is_a_mistake_found() -> None:
    errors = [slip("other-sites-sheet", row, "local_date", f"A{row}", group="g") for row in (2, 3)]
    refused = score(judged(errors, [], refused={FILE})).kinds["other-sites-sheet"]
    assert (refused.found, refused.named, refused.one_cause, refused.cells_found) == (1, 1, 1, 2)
    assert score(judged(errors, [])).kinds["other-sites-sheet"].found == 0


def test_a_mistake_asks_one_question_when_its_findings_share_a_cause_of_their_own() -> None:
    errors = [slip("copied-down", row, "water_temperature", f"F{row}", group="g")
              for row in (2, 3, 4)]
    other = slip("decimal-dropped", 6, "water_temperature", "F6")
    asked = [replace(finding("copied-down", row, "water_temperature"), cause="one")
             for row in (2, 3, 4)]
    alone = finding("out-of-range", 6, "water_temperature")

    def causes(found: list[Finding]) -> tuple[int, int]:
        kinds = score(judged([*errors, other], found)).kinds
        return kinds["copied-down"].one_cause, kinds["decimal-dropped"].one_cause

    assert causes([*asked, alone]) == (1, 1)
    assert causes([*asked[:2], replace(asked[2], cause="two"), alone]) == (0, 1), "two questions"
    assert causes([*asked, replace(alone, cause="one")]) == (0, 0), "two kinds in one question"


def test_what_stands_beside_a_mistake_costs_its_precision() -> None:
    errors = [slip("fahrenheit-in-celsius", 4, "water_temperature", "F4")]
    found = [finding("temperature-unit", 4, "water_temperature"), finding("implausible", 4, "ph"),
             finding("round-counts", 4, "count", Effect.NOTE)]
    tally = score(judged(errors, found)).kinds["fahrenheit-in-celsius"]
    assert (tally.about, tally.beside) == (1, 1)


def test_strange_rows_are_counted_by_case() -> None:
    found = [finding("unlike-history", 2, "count"), finding("soak-too-long", 3, "set_date",
                                                            Effect.HOLD)]
    cases = {key(2): ["record-pulse"], key(3): ["record-pulse", "flood-week"]}
    counted = score(judged([], found, cases=cases)).cases
    assert counted["record-pulse"] == {"rows": 2, "held": 1, "asked": 1}
    assert counted["flood-week"] == {"rows": 1, "held": 1, "asked": 0}


def test_rows_and_findings_are_told_apart() -> None:
    errors = [
        slip("fahrenheit-in-celsius", 4, "water_temperature", "F4"),
        slip("row-duplicated", 7, "local_date", "A7", mate_row=6),
    ]
    findings = [
        finding("temperature-unit", 4, "water_temperature", Effect.MASK),  # about the first
        finding("zero-or-blank", 4, "count"),  # beside it
        finding("duplicate-event", 7, "local_date", Effect.HOLD),  # about the second
        finding("effort-missing", 1, "hours_fished", Effect.HOLD),  # false: a wrong hold
        finding("implausible", 2, "ph"),  # false: a wrong query
        finding("value-qualified", 3, "count", Effect.NOTE),  # asks nobody
    ]
    result = score(judged(errors, findings))
    assert (result.rows, result.clean_rows) == (10, 7)
    assert (result.wrong_holds, result.wrong_queries) == (1, 1)
    assert (result.flagged_rows, result.flagged_right) == (4, 2)
    assert result.rules["temperature-unit"] == {"about": 1}
    assert result.rules["zero-or-blank"] == {"beside": 1}
    assert result.rules["effort-missing"] == {"false": 1}
    assert set(result.alarms) == {("effort-missing", "hold"), ("implausible", "query")}
    assert result.notes == 1


def test_a_row_both_held_and_asked_about_is_held_once() -> None:
    both = [
        finding("effort-missing", 1, "hours_fished", Effect.HOLD),
        finding("implausible", 1, "ph"),
    ]
    result = score(judged([], both))
    assert (result.wrong_holds, result.wrong_queries, result.flagged_rows) == (1, 0, 1)


def test_all_rows_of_a_held_event_are_held() -> None:
    made = judged([], [finding("effort-missing", 1, "hours_fished", Effect.HOLD)], rows=4)
    made.rows[key(2)] = Row(1)
    assert score(made).wrong_holds == 2


def test_older_seasons_are_counted_apart() -> None:
    made = judged([], [], rows=3)
    made.rows = {("creek/sheet 2024.xlsx", "Net", row): Row(row) for row in (1, 2, 3)}
    made.findings = [replace(finding("effort-missing", 1, "hours_fished", Effect.HOLD),
                             file="creek/sheet 2024.xlsx")]
    result = score(made)
    assert (result.rows, result.history_rows, result.history_held) == (0, 3, 1)
    assert result.wrong_holds == 0


def test_scores_of_networks_add_up() -> None:
    errors = [slip("fahrenheit-in-celsius", 4, "water_temperature", "F4")]
    findings = [finding("temperature-unit", 4, "water_temperature", Effect.MASK),
                finding("implausible", 2, "ph")]
    total = score(judged(errors, findings))
    total.add(score(judged(errors, findings)))
    assert total.kinds["fahrenheit-in-celsius"].mistakes == 2
    assert total.rules["implausible"]["false"] == 2
    assert (total.clean_rows, total.networks) == (18, 2)
    assert total.alarms["implausible", "query"].count == 2


# --- suggestions -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "number", "half"),
    [("41.4 degF", 41.4, 0.05), ("7,6", 7.6, 0.05), ("-12", -12.0, 0.5), ("0.51 in", 0.51, 0.005)],
)
def test_numbers_are_read_with_their_rounding(text: str, number: float, half: float) -> None:
    read = first_number(text)
    assert read is not None
    assert read == pytest.approx((number, half))


def test_words_hold_no_number() -> None:
    assert first_number("lots") is None


@pytest.mark.parametrize(
    ("true", "written", "suggestion", "right"),
    [
        # 40.8 degF written as 4.9 degC, which is 40.82 degF.
        ("40.8", "4.9", "40.8 degF", True),
        # Half a tenth degC is nine hundredths degF: 40.9 may have been 4.9, 41.0 may not.
        ("41.0", "4.9", "40.8 degF", False),
        ("40.9", "4.9", "40.8 degF", True),
        ("49.3", "493", "4.9 degF", False),
    ],
)
def test_a_suggested_temperature_is_right_within_the_rounding_of_all(
    true: str, written: str, suggestion: str, right: bool
) -> None:
    error = slip("celsius-in-fahrenheit", 4, "water_temperature", "F4", true_value=true,
                 written_value=written)
    offered = finding("temperature-unit", 4, "water_temperature", suggestion=suggestion)
    assert suggestion_right(error, offered) is right


def test_rounding_grows_with_the_factor_of_the_conversion() -> None:
    """11.4 mm is 0.45 in to two decimals, and 0.45 in is 11.43 mm: off by up to 0.127 mm."""
    error = slip("precipitation-inches-as-mm", 4, "precipitation", "L4", true_value="11.5",
                 written_value="0.45")
    for offered, right in (("11.4 mm", True), ("12.0 mm", False)):
        assert suggestion_right(
            error, finding("precipitation-unit", 4, "precipitation", suggestion=offered)) is right


def test_a_count_must_be_right_to_the_eel() -> None:
    error = slip("count-negative", 4, "count", "G4", true_value="9", written_value="-9")
    assert suggestion_right(error, finding("count-negative", 4, "count", suggestion="9"))
    assert not suggestion_right(error, finding("count-negative", 4, "count", suggestion="10"))


def test_a_date_is_compared_as_a_day() -> None:
    error = slip("date-wrong-year", 4, "local_date", "A4", true_value="3/14/26",
                 written_value="3/14/25")
    for day, right in (("2026-03-14", True), ("2026-04-14", False)):
        offered = finding("date-out-of-season", 4, "local_date", suggestion=day, suggested=day)
        assert suggestion_right(error, offered) is right


def test_a_suggestion_for_a_value_that_was_right_is_a_wrong_one() -> None:
    errors = [slip("hours-disagree", 4, "hours_fished", "E4", true_value="24.2",
                   written_value="12.2")]
    wrong = finding("effort-mismatch", 4, "hours_fished", suggestion="36.0 h")
    elsewhere = replace(wrong, field="set_time")
    assert score(judged(errors, [wrong])).kinds["hours-disagree"].offered == 1
    assert score(judged(errors, [wrong])).kinds["hours-disagree"].right == 0
    spoiling = score(judged(errors, [elsewhere])).kinds["hours-disagree"]
    assert (spoiling.offered, spoiling.right) == (1, 0)
    assert "which was right" in spoiling.bad_offers[0]


# --- diagnosis ---------------------------------------------------------------------------------


def test_a_missed_slip_is_traced_to_the_stage_that_lost_it() -> None:
    error = slip("fahrenheit-in-celsius", 4, "water_temperature", "F4", unit="degC")
    place = (FILE, "Net", "F")
    whole = judged([error], [], places={place: ("water_temperature", "degC")},
                   staged={key(4): [{"water_temperature": 41.0}]})
    assert diagnose(error, whole)[0] == "rule"
    assert diagnose(error, replace(whole, staged={}))[0] == "value"
    assert diagnose(error, replace(whole, places={place: ("water_temperature", "degF")}))[0] == (
        "unit")
    assert diagnose(error, replace(whole, places={place: ("air_temperature", "degC")}))[0] == (
        "column")
    assert diagnose(error, replace(whole, places={}))[0] == "column"
    skipped = whole.rows | {key(4): Row(None, "totals row")}
    assert diagnose(error, replace(whole, rows=skipped)) == ("row", "passed over: totals row")
    assert diagnose(error, replace(whole, rows={}))[0] == "file"


def test_a_blank_that_was_left_is_the_rules_to_find() -> None:
    error = slip("count-blank", 4, "count", "G4", written_value=None)
    blank = judged([error], [], places={(FILE, "Net", "G"): ("count", None)})
    assert diagnose(error, blank)[0] == "rule"


# --- layouts and the page ----------------------------------------------------------------------


@given(st.integers(1, 40))
def test_every_kind_is_dealt_once(layouts: int) -> None:
    dealt = batches(list(KINDS), layouts)
    assert sorted(kind for batch in dealt for kind in batch) == sorted(KINDS)
    assert max(map(len, dealt)) - min(map(len, dealt)) <= 1


def test_columns_of_a_table_line_up() -> None:
    lines = table(("kind", "n"), [["a", 1], ["longer", 1000]])
    assert {len(line) for line in lines} == {len(lines[0])}
    assert lines[1].endswith("-: |")


def test_the_page_says_what_was_found_and_what_was_not() -> None:
    errors = [slip("fahrenheit-in-celsius", 4, "water_temperature", "F4"),
              slip("copied-down", 8, "water_temperature", "F8")]
    seeded = score(judged(errors, [finding("temperature-unit", 4, "water_temperature")]))
    clean = score(judged([], [finding("implausible", 2, "ph", Effect.HOLD)]))
    nothing = score(judged([], []))
    seeded.drawn_again["running-total"] = 3
    mixture = replace(nothing, drawn_again=Counter({"running-total": 1}))
    made = page({"seeded": seeded, "resent": nothing, "mixture": mixture, "clean": clean,
                 "strange": nothing}, "python -m bench.scorecard", range(1, 2), 16, 3)
    by_kind = made.split("## What went wrong")[0]
    rows = {line.split()[1]: line for line in by_kind.splitlines() if line.startswith("| ")}
    assert "(short)" not in rows["fahrenheit-in-celsius"]
    assert rows["copied-down"].split()[2] == "(short)"
    assert "Missed copied-down (1):" in made
    assert "clean rows held: 1 of 10, 1 in 10" in made
    assert "for want of a trace: digit-slip-count 0, running-total 4." in made
    assert "| recall of traceable mistakes at least 0.97" in made and "0.500 [0.095, 0.905]" in made
    assert "python -m bench.scorecard" in made
