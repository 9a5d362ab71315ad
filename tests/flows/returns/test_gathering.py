"""Which questions a lead is asked, in which order, and what may be answered."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

from hypothesis import given
from hypothesis import strategies as st

from flows.returns.gathering import Answer, gather, notes_among
from shared.findings import Finding
from shared.flags import EFFECT_FLAG, GRAVITY, Effect

Make = Callable[..., Finding]


def test_three_problems_make_three_lines_however_many_cells_they_touch(
    finding: Make, fahrenheit_column: list[Finding]
) -> None:
    asks = gather([*fahrenheit_column, finding(4, column="K"),
                   finding(5, column="D", effect=Effect.HOLD)])
    assert [ask.count for ask in asks] == [1, 300, 1]


def test_a_grouped_question_says_where_when_and_what(fahrenheit_column: list[Finding]) -> None:
    (ask,) = gather(fahrenheit_column[:30])
    assert ask.id == "column-in-degf"
    assert ask.title == "Water temperature"
    assert ask.where == "sheet 'Eels' of file sedge.xlsx, F12 to F41 (30 cells)"
    assert (ask.first, ask.last) == (dt.date(2026, 3, 13), dt.date(2026, 4, 11))
    assert ask.dates == "13 Mar to 11 Apr 2026"
    assert ask.says == "41.12, 41.13, 41.14 and 27 more"
    assert "5.1 °C" in ask.suggestion and "degC" not in ask.suggestion
    assert ask.message == ("41.12 in a column of °C reads like °F. "
                           "The other 29 are odd in the same way.")


def test_gravest_first_then_most_rows_then_oldest(finding: Make) -> None:
    asks = gather([
        finding(3),
        finding(9, effect=Effect.HOLD, rule="set-after-check"),
        finding(2, effect=Effect.HOLD, rule="set-after-check"),
        finding(5, rule="flat-line", cause="flat"), finding(6, rule="flat-line", cause="flat"),
        finding(8, effect=Effect.MASK, rule="out-of-range"),
    ])
    assert [(ask.effect, ask.findings[0].row) for ask in asks] == [
        (Effect.HOLD, 2), (Effect.HOLD, 9), (Effect.MASK, 8), (Effect.QUERY, 5), (Effect.QUERY, 3)]


def test_notes_are_counted_and_never_asked(finding: Make) -> None:
    found = [finding(3), finding(4, effect=Effect.NOTE), finding(5, effect=Effect.NOTE, cause="x")]
    assert [ask.findings[0].row for ask in gather(found)] == [3]
    assert notes_among(found) == 2


def test_a_group_has_the_gravest_effect_among_its_findings(finding: Make) -> None:
    (ask,) = gather([finding(3, cause="c"), finding(4, cause="c", effect=Effect.HOLD,
                                                    message="Row 4 cannot be used.")])
    assert ask.effect is Effect.HOLD
    assert ask.message.startswith("Row 4 cannot be used.")


def test_a_lone_finding_gives_its_id(finding: Make) -> None:
    one = finding(3)
    assert gather([one])[0].id == one.id


def test_a_finding_about_a_whole_file_is_placed_by_its_file(finding: Make) -> None:
    (ask,) = gather([finding(None, sheet="", field="", rule="wrong-site", effect=Effect.HOLD)])
    assert ask.where == "file sedge.xlsx, as a whole"
    assert ask.dates == ""
    assert Answer.STRIKE not in ask.answers


def test_a_finding_that_quotes_no_cell_does_not_call_it_blank(finding: Make) -> None:
    def says(**changes: object) -> str:
        return gather([finding(3, value="", **changes)])[0].says

    assert says() == "(blank)"
    assert says(cell="", rule="vanished-row") == "(no longer there)"
    assert says(cell="", rule="duplicate-event") == "(the row as a whole)"


def test_scattered_cells_and_rows_are_found_by_few_words(finding: Make) -> None:
    def where(*rows: int, **changes: object) -> str:
        return gather([finding(row, cause="c", **changes) for row in rows])[0].where

    assert where(12) == "sheet 'Eels' of file sedge.xlsx, F12"
    assert where(12, 19) == "sheet 'Eels' of file sedge.xlsx, F12 and F19"
    assert where(12, 15, 19, 30) == "sheet 'Eels' of file sedge.xlsx, 4 cells from F12 to F30"
    assert where(12, 13, 14, cell="") == "sheet 'Eels' of file sedge.xlsx, rows 12 to 14 (3 rows)"


def test_only_answers_that_make_sense(finding: Make) -> None:
    def answers(**changes: object) -> set[Answer]:
        return set(gather([finding(3, **changes)])[0].answers)

    assert answers() == {Answer.RIGHT, Answer.MINE}
    assert answers(suggestion="4.5") == {Answer.SUGGESTION, Answer.RIGHT, Answer.MINE}
    assert answers(rule="out-of-range", effect=Effect.MASK) == {Answer.MINE}
    assert answers(effect=Effect.HOLD) == {Answer.RIGHT, Answer.MINE, Answer.STRIKE}
    assert answers(rule="vanished-row", effect=Effect.HOLD, field="") == {
        Answer.RIGHT, Answer.STRIKE}
    assert answers(field="") == {Answer.RIGHT}


def test_one_value_is_not_offered_for_cells_that_differ(
    finding: Make, fahrenheit_column: list[Finding]
) -> None:
    assert Answer.MINE not in gather(fahrenheit_column)[0].answers
    same = [finding(row, cause="c", value="breezy", rule="not-understood") for row in (3, 4)]
    assert gather(same)[0].answers == (Answer.MINE,)


def test_a_suggestion_for_some_of_the_cells_is_shown_but_not_offered(finding: Make) -> None:
    (ask,) = gather([finding(3, cause="c", suggestion="4.5"), finding(4, cause="c")])
    assert ask.suggestion == "For 1 of the 2: 4.5"
    assert Answer.SUGGESTION not in ask.answers


_findings = st.builds(
    lambda row, effect, cause, value, suggestion, rule, field: Finding(
        site="s", file="f.csv", file_sha256="", sheet="A", row=row,
        cell=f"C{row}" if row else "", field=field, rule=rule, effect=effect,
        flag=EFFECT_FLAG[effect], value=value, suggestion=suggestion, suggested="",
        message="m", local_date="2026-03-01" if row else "", cause=cause),
    st.one_of(st.none(), st.integers(1, 40)), st.sampled_from(GRAVITY),
    st.sampled_from(["", "a", "b"]), st.text(max_size=8), st.sampled_from(["", "5"]),
    st.sampled_from(["spike", "not-understood", "vanished-row", "made-up"]),
    st.sampled_from(["", "count", "water_temperature", "unheard_of"]),
)


@given(st.lists(_findings, max_size=12), st.randoms(use_true_random=False))
def test_every_finding_is_asked_once_in_an_order_that_is_its_own(
    found: list[Finding], random: object
) -> None:
    asks = gather(found)
    asked = sorted(item.id for ask in asks for item in ask.findings)
    assert asked == sorted(item.id for item in found if item.effect is not Effect.NOTE)
    gravities = [GRAVITY.index(ask.effect) for ask in asks]
    assert gravities == sorted(gravities)
    assert all(ask.answers for ask in asks)
    shuffled = list(found)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert [ask.id for ask in gather(shuffled)] == [ask.id for ask in asks]
