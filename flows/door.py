"""The door of the release: the pandera contract before it is built, the gate after.

The contract looks at the clean tables, the gate at the files as they lie on the disk. What
either refuses is not published, ``latest`` stays where it was, and the coordinator is told
what is wrong and which rows; the gate's page is kept in ``warehouse/gate/<version>/``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

import duckdb

from flows.answers import pending
from flows.network_folder import SETTINGS_NAME
from shared.problems import Problem
from shared.settings import Network
from warehouse import data_package, durable
from warehouse.folder import standing_path
from warehouse.release import Built
from warehouse.snapshot import SNAPSHOT_NAME

_TOLD = 5


class ContractBroken(Problem, RuntimeError):
    """The clean tables hold what the dictionary says cannot be: a fault of ours."""

    code = "contract-broken"


class GateShut(Problem, RuntimeError):
    """The built release does not hold what it must: it is not published."""

    code = "gate-shut"


def get_ready() -> None:
    """Import what contract and gate take, seconds of work, for who has the time to do it early."""
    from checks import contract, gate

    contract.get_ready()
    gate.get_ready()


def may_open(network_dir: Path) -> bool:
    """Whether anything came since the last run, so that there may be a release to publish.

    A guess from the times of files, good enough to say whether getting ready is worth it.
    """
    try:
        looked = standing_path(network_dir).stat().st_mtime_ns
    except OSError:
        return True
    places = (network_dir / SETTINGS_NAME, *(network_dir / "inbox").rglob("*"),
              *pending.all_waiting(network_dir))
    for place in places:
        with contextlib.suppress(OSError):
            told = place.stat()
            # A copied file may keep the time it was written at; not that of its coming here.
            if max(told.st_mtime_ns, told.st_ctime_ns) > looked:
                return True
    return False


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


def gate_page_path(network_dir: Path, version: str) -> Path:
    """Where the page of the gate of release ``version`` is kept."""
    return network_dir / "warehouse" / "gate" / version / "index.html"


def gate_of(network: Network, network_dir: Path) -> Callable[[Built], None]:
    """The gate of ``network``: raises :class:`GateShut` when a built release must not go out."""

    def gate(built: Built) -> None:
        # Great Expectations costs two seconds to import: only what is published pays for it.
        from checks.gate import Subject, run_gate
        from checks.gate_page import page, record

        outcomes = run_gate(Subject(
            connection=built.connection, folder=built.folder, version=built.version,
            tables={table.name: {column.name: column.field for column in table.columns}
                    for table in built.tables},
            always={table.name: (*data_package.KEYS.get(table.name, ()),
                                 *data_package.ALWAYS_THERE[table.name])
                    for table in built.tables},
            snapshot=built.folder / SNAPSHOT_NAME if built.sources is None else None,
            largest_drop=network.publishing.largest_drop,
            sources=built.sources, before=built.before))
        place = gate_page_path(network_dir, built.version)
        if built.part:
            place = place.with_name(f"{built.part}.html")
        durable.write_text(place, page(network.name, built.version, outcomes))
        durable.write_text(place.with_name(f"{built.part or 'gate'}.json"),
                           record(built.version, outcomes))
        broken = [outcome for outcome in outcomes if not outcome.held]
        if broken:
            told = " ".join(f"{outcome.sentence()}." for outcome in broken[:_TOLD])
            raise GateShut(
                f"Release {built.version} was built and not published: {len(broken)} of "
                f"{len(outcomes)} expectations do not hold. {told}",
                "The last release stands. Look at the rows named; a loss that is meant is "
                "recorded with `tallyweir decide`.",
                str(place))

    return gate
