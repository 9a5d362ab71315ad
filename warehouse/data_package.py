"""``datapackage.json``: the CSV tables of a release as a Frictionless Data Package.

Written so that a reader of the first version of the standard finds what it needs (``profile``)
and a reader of the second does too (``$schema``, ``type``, ``contributors`` with ``title``).
Constraints come from the data dictionary.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from shared.fields import FIELDS
from shared.flags import Flag
from shared.settings import Network
from shared.taxa import STAGES, TAXA
from shared.vocabulary import LICENCES
from warehouse.published import Column, Table

NAME = "datapackage.json"

_TYPES = {"VARCHAR": "string", "DOUBLE": "number", "BIGINT": "integer", "INTEGER": "integer",
          "BOOLEAN": "boolean", "DATE": "date", "TIMESTAMP": "datetime", "TIME": "string"}

KEYS: dict[str, tuple[str, ...]] = {
    "counts": ("event_id", "taxon_id", "life_stage"),
    "events": ("event_id",),
    "occurrences": ("occurrence_id",),
    "sites": ("site_id",),
    "dictionary": ("table_name", "column_name"),
}
"""Table -> the columns that name a row of it."""

LINKS: dict[str, tuple[tuple[str, str], ...]] = {
    "counts": (("event_id", "events"), ("site_id", "sites")),
    "events": (("site_id", "sites"),),
    "occurrences": (("event_id", "events"), ("site_id", "sites")),
    "measurements": (("event_id", "events"), ("site_id", "sites"),
                     ("occurrence_id", "occurrences")),
    "findings": (("site_id", "sites"),),
}
"""Table -> column and the table whose column of that name it refers to."""

ALWAYS_THERE: dict[str, tuple[str, ...]] = {
    "counts": ("release_version", "site_id", "protocol", "local_date", "season",
               "scientific_name", "count", "qc_event", "qc_count", "qc_effort"),
    "events": ("site_id", "protocol", "local_date", "season", "qc_event", "qc_effort"),
    "occurrences": ("event_id", "site_id", "local_date", "taxon_id", "scientific_name",
                    "life_stage", "occurrence_status", "count"),
    "measurements": ("event_id", "site_id", "local_date", "field", "qc"),
    "findings": ("finding_id", "site_id", "rule", "status"),
    "sites": ("name", "zone"),
    "dictionary": ("position", "description", "type"),
}
"""Table -> columns, beside its key, that are never empty."""


def listed_values(column: Column) -> list[str] | None:
    """The values a column may take, where the dictionary lists them."""
    if column.name == "taxon_id":
        return list(TAXA)
    if column.name == "life_stage":
        return list(STAGES)
    if column.name == "occurrence_status":
        return ["present", "absent"]
    entry = FIELDS.get(column.field)
    if entry is None or column.name != entry.clean_column or not entry.choices:
        return None
    return [choice.id for choice in entry.choices]


def is_flag(column: Column) -> bool:
    """Whether the column holds quality flags."""
    return column.name == "qc" or column.name.startswith("qc_") or column.name == "flag"


def _field(table: str, column: Column) -> dict[str, Any]:
    told: dict[str, Any] = {"name": column.name, "type": _TYPES[column.type],
                            "description": column.description}
    entry = FIELDS.get(column.field)
    valued = entry is not None and column.name == entry.clean_column
    if entry is not None and valued:
        told["title"] = entry.title
    if column.unit:
        told["unit"] = column.unit
    constraints: dict[str, Any] = {}
    if column.name in KEYS.get(table, ()) or column.name in ALWAYS_THERE[table]:
        constraints["required"] = True
    if is_flag(column):
        constraints["enum"] = [int(flag) for flag in Flag]
    elif (values := listed_values(column)) is not None:
        constraints["enum"] = values
    elif (entry is not None and valued and entry.possible is not None
          and told["type"] in ("number", "integer")):
        whole = told["type"] == "integer"
        for name, limit in (("minimum", entry.possible.low), ("maximum", entry.possible.high)):
            if limit is not None:
                constraints[name] = int(limit) if whole else limit
    if constraints:
        told["constraints"] = constraints
    return told


def descriptor(
    network: Network, version: str, created: str, citation: str, seasons: Mapping[int, str],
    tables: tuple[Table, ...], building: Path, hashes: Mapping[str, str],
    files: Mapping[str, Sequence[str]] | None = None,
) -> str:
    """The text of ``datapackage.json`` for the CSV files in ``building``.

    ``hashes``: name of a CSV file -> its SHA-256. ``files``: table -> its Parquet files, for a
    release in parts, which has no CSV; the manifest tells their hashes.
    """
    package: dict[str, Any] = {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "profile": "tabular-data-package",
        "name": network.id,
        "id": f"{network.id}:{version}",
        "title": f"{network.name}, release {version}",
        "description": "Net checks and hauls of the network's sites with their counts, effort, "
                       "water and weather, each value with its quality flag.",
        "version": version,
        "created": created,
        "keywords": ["occurrence", "sampling event", "juvenile eel", "fyke net"],
        "contributors": [{"title": network.publishing.publisher or network.name,
                          "role": "publisher", "roles": ["publisher"]}],
        "citation": citation,
        "seasons": {str(season): status for season, status in seasons.items()},
    }
    if network.licence:
        name, path = LICENCES.get(network.licence, (network.licence, ""))
        package["licenses"] = [{"name": network.licence, "title": name}
                               | ({"path": path} if path else {})]
    package["resources"] = [_resource(table, building, hashes, files) for table in tables]
    return json.dumps(package, ensure_ascii=False, indent=2) + "\n"


def _resource(
    table: Table, building: Path, hashes: Mapping[str, str],
    files: Mapping[str, Sequence[str]] | None,
) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(table.name, column) for column in table.columns],
        "missingValues": [""],
    }
    if table.name in KEYS:
        schema["primaryKey"] = list(KEYS[table.name])
    if table.name in LINKS:
        schema["foreignKeys"] = [
            {"fields": [column], "reference": {"resource": other, "fields": [column]}}
            for column, other in LINKS[table.name]
        ]
    if files is not None:
        return {
            "name": table.name, "path": list(files[table.name]), "description": table.description,
            "scheme": "file", "format": "parquet",
            "mediatype": "application/vnd.apache.parquet", "schema": schema,
        }
    path = building / f"{table.name}.csv"
    return {
        "name": table.name, "type": "table", "profile": "tabular-data-resource",
        "path": path.name, "description": table.description,
        "scheme": "file", "format": "csv", "mediatype": "text/csv", "encoding": "utf-8",
        "bytes": path.stat().st_size, "hash": f"sha256:{hashes[path.name]}",
        "dialect": {"delimiter": ",", "lineTerminator": "\n", "quoteChar": '"',
                    "doubleQuote": True, "header": True},
        "schema": schema,
    }
