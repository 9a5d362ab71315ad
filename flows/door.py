"""The door of the release: the pandera contract, asked before anything is published."""

from __future__ import annotations

import duckdb

from shared.problems import Problem

_TOLD = 5


class ContractBroken(Problem, RuntimeError):
    """The clean tables hold what the dictionary says cannot be: a fault of ours."""

    code = "contract-broken"


def guard_the_door(connection: duckdb.DuckDBPyConnection) -> None:
    """Raise :class:`ContractBroken` when the clean tables break their contract."""
    # pandera costs a second to import: only runs that publish something pay for it.
    from checks.contract import door_breaches

    broken = door_breaches(*(
        connection.sql(f"FROM {table}").to_arrow_table()
        for table in ("clean_events", "clean_counts")
    ))
    if broken:
        told = "; ".join(f"{b.column} = {b.value} ({b.check})" for b in broken[:_TOLD])
        raise ContractBroken(
            f"No release was made: {len(broken)} values of the clean tables break their "
            f"contract ({told}).",
            "The last release stands. This is a fault of ours and of no site; please report it.",
        )
