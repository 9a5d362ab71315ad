"""Quality flags: the primary levels of QARTOD and IODE.

Source: IOC Manuals and Guides 54, vol. 3 (2013); reference values, section 4, which marks the
numbers as recalled and consistent with the QARTOD manuals seen.
"""

from __future__ import annotations

import itertools

import pytest

from shared.flags import EFFECT_FLAG, GRAVITY, PRECEDENCE, Effect, Flag, strongest


def test_the_primary_levels_have_their_numbers() -> None:
    assert {flag.name: int(flag) for flag in Flag} == {
        "PASS": 1, "NOT_EVALUATED": 2, "SUSPECT": 3, "FAIL": 4, "MISSING": 9}


def test_precedence_orders_all_of_them_once() -> None:
    assert sorted(PRECEDENCE) == sorted(Flag)
    assert PRECEDENCE[0] is Flag.FAIL
    assert PRECEDENCE[-1] is Flag.NOT_EVALUATED


@pytest.mark.parametrize(("given", "stands"), [
    ([Flag.PASS, Flag.SUSPECT], Flag.SUSPECT), ([Flag.SUSPECT, Flag.FAIL], Flag.FAIL),
    ([Flag.PASS, Flag.NOT_EVALUATED], Flag.PASS), ([Flag.MISSING, Flag.PASS], Flag.MISSING),
    ([Flag.FAIL, Flag.MISSING], Flag.FAIL), ([], Flag.NOT_EVALUATED),
])
def test_the_strongest_stands(given: list[Flag], stands: Flag) -> None:
    assert strongest(given) is stands


def test_the_order_of_tests_does_not_matter() -> None:
    for given in itertools.permutations(Flag, 3):
        assert strongest(given) is min(given, key=PRECEDENCE.index)


def test_a_graver_effect_never_leaves_a_better_flag() -> None:
    assert set(GRAVITY) == set(Effect) == set(EFFECT_FLAG)
    strength = [PRECEDENCE.index(EFFECT_FLAG[effect]) for effect in GRAVITY]
    assert strength == sorted(strength)
