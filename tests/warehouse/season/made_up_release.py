"""A release's tables written by hand, as far as the season's estimates read them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import duckdb
import numpy as np

from warehouse.season.nights import Night, Nights


def release(
    events: Sequence[dict[str, Any]], catches: Sequence[dict[str, Any]] = (),
    findings: Sequence[dict[str, Any]] = (),
) -> duckdb.DuckDBPyConnection:
    """An in-memory snapshot: events, and counts and occurrences of them."""
    connection = duckdb.connect()
    connection.execute("""
        CREATE TABLE events (event_id VARCHAR, site_id VARCHAR, protocol VARCHAR,
            gear_unit VARCHAR, local_date DATE, season INTEGER, effort_value DOUBLE,
            effort_unit VARCHAR, net_status VARCHAR, water_temperature_c DOUBLE, hauls BIGINT,
            haul_area_m2 DOUBLE, qc_effort INTEGER, observers BIGINT, volunteer_hours DOUBLE);
        CREATE TABLE counts (event_id VARCHAR, site_id VARCHAR, protocol VARCHAR,
            local_date DATE, season INTEGER, taxon_id VARCHAR, life_stage VARCHAR, count BIGINT,
            subsample_fraction DOUBLE, qc_count INTEGER, length_mm DOUBLE, decided BOOLEAN);
        CREATE TABLE occurrences (event_id VARCHAR, site_id VARCHAR, local_date DATE,
            taxon_id VARCHAR, scientific_name VARCHAR, life_stage VARCHAR, count BIGINT,
            released BIGINT, mortality BIGINT, kept BIGINT);
        CREATE TABLE measurements (event_id VARCHAR, qc INTEGER);
        CREATE TABLE findings (event_id VARCHAR, site_id VARCHAR, effect VARCHAR,
            status VARCHAR, rule VARCHAR);
    """)
    by_id = {}
    for row in events:
        filled = event(**row)
        by_id[filled["event_id"]] = filled
        _insert(connection, "events", filled)
    for row in catches:
        of = by_id[row["event_id"]]
        base = {name: of[name] for name in ("event_id", "site_id", "local_date")}
        animal = {"taxon_id": row.get("taxon_id", "anguilla-rostrata"),
                  "life_stage": row.get("life_stage", "glass eel"), "count": row["count"]}
        _insert(connection, "counts", base | animal | {
            "protocol": of["protocol"], "season": of["season"],
            "subsample_fraction": row.get("subsample_fraction"),
            "qc_count": row.get("qc_count", 1), "length_mm": row.get("length_mm"),
            "decided": row.get("decided", False)})
        _insert(connection, "occurrences", base | animal | {
            "scientific_name": animal["taxon_id"].title(), **{
                name: row.get(name) for name in ("released", "mortality", "kept")}})
    for row in findings:
        _insert(connection, "findings", row)
    return connection


def event(site: str = "a", gear: str = "A", date: dt.date = dt.date(2025, 3, 1),
          protocol: str = "fyke", hours: float | None = 24.0, status: str | None = "fishing",
          hour: str = "T0800", **more: Any) -> dict[str, Any]:
    """One row of ``events``."""
    return {"event_id": f"{site}:{protocol}:{gear}:{date}{hour}", "site_id": site,
            "protocol": protocol, "gear_unit": gear, "local_date": date, "season": date.year,
            "effort_value": hours if status == "fishing" else None, "effort_unit": "net-hours",
            "net_status": status, "qc_effort": 1} | more


def _insert(connection: duckdb.DuckDBPyConnection, table: str, row: dict[str, Any]) -> None:
    names = ", ".join(f'"{name}"' for name in row)
    connection.execute(f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(row))})",
                       list(row.values()))


def nights_of(catch: list[list[float]], *, season: int = 2025, sites: list[int] | None = None,
              effort: float = 1.0) -> Nights:
    """Nights with the catches given (NaN: no record), one net a row; ``sites`` of the nets."""
    caught = np.array(catch, dtype=float)
    site_of = np.array(sites if sites is not None else range(len(caught)))
    state = np.where(np.isnan(caught), Night.MISSED, Night.COUNTED).astype(np.int8)
    return Nights(
        season, dt.date(season, 2, 10), tuple(f"s{n:02d}" for n in sorted(set(site_of.tolist()))),
        tuple("A" for _ in caught), site_of, state, caught,
        np.where(np.isnan(caught), np.nan, effort),
        np.full((len(set(site_of.tolist())), caught.shape[1]), np.nan))
