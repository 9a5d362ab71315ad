"""What goes with the tables of a release for people: README, citation and licence."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping

import duckdb

from shared.protocol import protocols
from shared.settings import Network
from shared.vocabulary import LICENCES
from warehouse import data_package
from warehouse.darwin_core import ARCHIVE_NAME
from warehouse.published import FLAG_MEANING, Table, View
from warehouse.snapshot import SNAPSHOT_NAME


def citation(network: Network, version: str, as_of: dt.date) -> str:
    """How to cite the release, in one line."""
    publisher = network.publishing.publisher or network.name
    return f"{publisher} ({as_of.year}). {network.name}. Release {version} [data set]."


def citation_cff(network: Network, version: str, as_of: dt.date) -> str:
    """CITATION.cff, in the Citation File Format 1.2."""
    lines = [
        "cff-version: 1.2.0",
        "message: Please cite the release that you used.",
        "type: dataset",
        f"title: {json.dumps(network.name, ensure_ascii=False)}",
        f"version: {json.dumps(version)}",
        f"date-released: {as_of.isoformat()}",
        "authors:",
        f"  - name: {json.dumps(network.publishing.publisher or network.name, ensure_ascii=False)}",
    ]
    if network.licence:
        lines.append(f"license: {json.dumps(network.licence)}")
    return "\n".join(lines) + "\n"


def licence_text(network: Network) -> str:
    """LICENCE.txt: under what terms the data may be used."""
    if not network.licence:
        return ("No licence is stated. Ask the network before you use the data or pass them "
                "on.\n")
    name, place = LICENCES.get(network.licence, (network.licence, ""))
    told = f"{network.name}: the data are under {name} ({network.licence}).\n"
    return told + (f"Its text: {place}\n" if place else "")


_WHOLE = f"""\
Each table is here as Parquet and as CSV (UTF-8, comma, decimal point, moments in UTC), and all of
them in `{SNAPSHOT_NAME}`. `dictionary` explains every column: meaning, unit, limits."""

_IN_PARTS = f"""\
Counts, events, occurrences and measurements are folders of Parquet files, one a season or several
where a season is under way; together they are the table (`read_parquet('counts/*.parquet')`). They
do not name the release, so that a file whose rows stand is the same in the next one. The other
tables are a file each. `{SNAPSHOT_NAME}` has all of them as tables or views; a view reads the files
beside it, so open it from this folder. `dictionary` explains every column: meaning, unit, limits.
There is no CSV: `tallyweir query` writes one of what you ask for."""

_FORMS = f"""\
The same data in the forms that portals read: `{data_package.NAME}` (Frictionless Data Package
over the CSV files) and `{ARCHIVE_NAME}` (Darwin Core Archive)."""

_FORM = f"`{data_package.NAME}` describes the files as a Frictionless Data Package."


def readme(
    network: Network, version: str, as_of: dt.date, tables: tuple[Table, ...],
    rows: Mapping[str, int], views: tuple[View, ...], seasons: Mapping[int, str],
    connection: duckdb.DuckDBPyConnection | None,
) -> str:
    """README.md of the release, with the season's figures at a glance.

    ``connection``: None for a release in parts, which has another shape and no such figures.
    """
    listed = "\n".join(
        f"| {table.name} | {rows[table.name]} | {table.description} |" for table in tables)
    viewed = "\n".join(f"- `{view.name}`: {view.description}" for view in views)
    permit = f"\n## Permits\n\n{network.permit_note}\n" if network.permit_note else ""
    licence = network.licence or "not stated; ask the network before you pass the data on"
    status = ", ".join(f"{season} {told}" for season, told in seasons.items()) or "none yet"
    return f"""# {network.name}, release {version}

What the network's sites had sent by {as_of.isoformat()}, as far as it passed the network's rules.
A release is never altered: a correction comes with the next one, and CHANGES.md there says so.

Seasons: {status}. A provisional season may still change every week; a final one was closed by
the coordinator.

Licence: {licence} (LICENCE.txt)

Cite as: {citation(network, version, as_of)} (CITATION.cff)

## Tables

{_WHOLE if connection is not None else _IN_PARTS}

| table | rows | what it holds |
| --- | ---: | --- |
{listed}

Views in `{SNAPSHOT_NAME}`:

{viewed}

{_FORMS if connection is not None else _FORM}
{"" if connection is None else _at_a_glance(connection, seasons)}
## Before you use it

- Every value has a flag beside it (`qc_...`): {FLAG_MEANING}.
  A value that failed, or that seems to be in another unit than its column's, is withheld: a flag
  4 or 3 then stands beside an empty cell. Any other suspect value (3) stands as it was sent.
- A zero was written down as zero by a crew whose net was fishing. What was not looked for, or left
  blank, has no row.
- A count is comparable only through its effort: use `cpue`, and mind events without effort.
- Rows that a person must look at first are not here; `findings` says which and why.
- Where a protected animal was caught, the site's position is generalized (`sites`).
{permit}
## Checking it

`manifest.json` gives the SHA-256 of every file but the DuckDB snapshot, which holds the same rows.
"""


def _at_a_glance(connection: duckdb.DuckDBPyConnection, seasons: Mapping[int, str]) -> str:
    """The latest season's catch of each target, by site: figures that can be redone."""
    if not seasons:
        return ""
    season = max(seasons)
    protocol = next((p for p in protocols().values() if p.targets and p.cpue_hours), None)
    if protocol is None:
        return ""
    found = connection.execute(
        """
        SELECT site_id, scientific_name, life_stage, sum("count")::BIGINT,
               sum("count") FILTER (cpue IS NOT NULL) * $hours
                   / nullif(sum(effort_value) FILTER (cpue IS NOT NULL), 0)
        FROM release_counts
        WHERE season = $season AND protocol = $protocol AND taxon_id = $taxon
        GROUP BY ALL ORDER BY ALL
        """,
        {"season": season, "protocol": protocol.id, "taxon": protocol.targets[0].taxon,
         "hours": protocol.cpue_scale}).fetchall()
    if not found:
        return ""
    lines = "\n".join(
        f"| {site} | {name}, {stage} | {count} | {'' if cpue is None else f'{cpue:.2f}'} |"
        for site, name, stage, count, cpue in found)
    return f"""
## Season {season} at a glance ({seasons[season]})

{protocol.title}: catch, and {protocol.cpue_unit} over the checks whose effort is known.

| site | what | count | cpue |
| --- | --- | ---: | ---: |
{lines}
"""
