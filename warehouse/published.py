"""The tables that a release publishes: every column with its meaning, from the dictionary.

The order of ``counts``' columns is a contract with analysts; new fields of the dictionary
enter in their place by themselves. What may name a person stays out: private fields, free
remarks, and words found where a value belongs.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from shared.columnar import sql_text
from shared.fields import FIELDS, NUMERIC_KINDS, Field, Group, Kind, Range
from shared.flags import Flag
from shared.settings import Network, Site, unit_spelling
from shared.sheets import FORMULA_STARTS
from shared.taxa import TAXA
from warehouse.tables import (
    clean_type,
    flag_column,
    measured_catch_fields,
    measured_event_fields,
    plain_event_fields,
    quoted,
)

if TYPE_CHECKING:
    import pyarrow as pa

FLAG_MEANING = (
    "1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing (primary levels of IOC Manuals "
    "and Guides 54, vol. 3)"
)
assert [int(flag) for flag in Flag] == [1, 2, 3, 4, 9]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a published table. ``sql`` gives its value; empty: a column so named."""

    name: str
    type: str
    description: str
    unit: str = ""
    field: str = ""
    """Id of the dictionary's field, where it is one."""
    sql: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One published table. ``source`` is what follows FROM; ``order`` makes rows stable."""

    name: str
    description: str
    columns: tuple[Column, ...]
    source: str
    order: tuple[str, ...]

    @property
    def rows(self) -> str:
        """SQL that yields the table's rows in any order."""
        columns = ", ".join(
            f"({column.sql or quoted(column.name)})::{column.type} AS {quoted(column.name)}"
            for column in self.columns
        )
        return f"SELECT {columns} FROM {self.source}"

    @property
    def select(self) -> str:
        """SQL that yields the table's rows in their order."""
        order = ", ".join(f"{quoted(name)} NULLS FIRST" for name in self.order)
        return f"{self.rows} ORDER BY {order}"


def _of_field(entry: Field, prefix: str = "") -> Column:
    unit = unit_spelling(entry.unit) if entry.unit else ""
    return Column(entry.clean_column, clean_type(entry), entry.description, unit, entry.id,
                  prefix + quoted(entry.clean_column))


def _flag_of(entry: Field, prefix: str = "") -> Column:
    return Column(flag_column(entry), "INTEGER", f"Flag of {entry.title.lower()}: {FLAG_MEANING}.",
                  "", entry.id, prefix + flag_column(entry))


_EVENT_ID = "Stable id of the net check, haul or reading: site, protocol, net and local time."
_TAXON = Column("taxon_id", "VARCHAR", "What was counted: the network's id of the taxon.", "",
                "taxon")
_NAME = Column("scientific_name", "VARCHAR", "Scientific name of the taxon.")
_STAGE = Column("life_stage", "VARCHAR", FIELDS["life_stage"].description, "", "life_stage")


def _event_head(prefix: str) -> tuple[Column, ...]:
    return (
        Column("event_id", "VARCHAR", _EVENT_ID, "", "", prefix + "event_id"),
        Column("site_id", "VARCHAR", "Id of the site; see sites.", "", "site",
               prefix + "site_id"),
        Column("protocol", "VARCHAR", "Kind of field work: fyke, seine, water ...", "", "",
               prefix + "protocol"),
        Column("gear_unit", "VARCHAR", FIELDS["gear_unit"].description, "", "gear_unit",
               _harmless(prefix + "gear_unit")),
        Column("event_start_utc", "TIMESTAMP",
               "When the net was set (a haul: when it was made), UTC.", "UTC", "",
               prefix + "event_start_utc"),
        Column("event_end_utc", "TIMESTAMP", "When the net was checked or hauled, UTC.", "UTC",
               "", prefix + "event_end_utc"),
        Column("local_date", "DATE", FIELDS["local_date"].description, "", "local_date",
               prefix + "local_date"),
        Column("season", "INTEGER", "Season that the event is counted to.", "", "",
               prefix + "season"),
        Column("effort_value", "DOUBLE",
               "Effort behind the catch, in effort_unit; empty when it is not known or the net "
               "was not fishing.", "see effort_unit", "", prefix + "effort_value"),
        Column("effort_unit", "VARCHAR", "Unit of effort_value.", "", "",
               prefix + "effort_unit"),
    )


_NET_STATUS = FIELDS["net_status"]


def _harmless(text: str) -> str:
    """SQL: words that came from a sheet, so that no spreadsheet program calculates them."""
    starts = ", ".join(map(sql_text, FORMULA_STARTS))
    return (f"CASE WHEN left(ltrim({text}), 1) IN ({starts}) "
            f"AND try_cast({text} AS DOUBLE) IS NULL THEN chr(39) || {text} ELSE {text} END")


def _source(prefix: str) -> tuple[Column, ...]:
    return (
        Column("source_file_sha256", "VARCHAR", "SHA-256 of the sheet the row came from.", "", "",
               prefix + "source_file_sha256"),
        Column("source_sheet", "VARCHAR", "Name of the tab the row stands on.", "", "",
               _harmless(prefix + "source_sheet")),
        Column("source_row", "INTEGER", "Row on that tab, counted from 1.", "", "",
               prefix + "source_row"),
        Column("decided", "BOOLEAN", "Whether a person's decision bears on the row.", "", "",
               prefix + "decided"),
    )


def _qc_event(prefix: str) -> Column:
    return Column("qc_event", "INTEGER", f"Flag of the event as a whole: {FLAG_MEANING}.", "", "",
                  prefix + "qc_event")


def _qc_effort(prefix: str) -> Column:
    return Column("qc_effort", "INTEGER", f"Flag of the effort: {FLAG_MEANING}.", "", "",
                  prefix + "qc_effort")


def is_free_text(entry: Field) -> bool:
    """Whether what people write in the field may name a person."""
    return entry.private or (entry.group is Group.PEOPLE and entry.kind is Kind.TEXT)


def counts_table() -> Table:
    """One row per event x taxon x life stage: the table most analyses start from."""
    of_event = measured_event_fields()
    of_catch = measured_catch_fields()
    columns = (
        *_event_head("e."),
        Column("net_status", "VARCHAR", _NET_STATUS.description, "", "net_status",
               "e.net_status"),
        _TAXON,
        _NAME,
        _STAGE,
        _of_field(FIELDS["count"], "c."),
        _of_field(FIELDS["count_method"], "c."),
        Column("subsample_fraction", "DOUBLE",
               "Share of the catch that was counted, where it was subsampled by volume.", "", "",
               "c.subsample_fraction"),
        Column("cpue", "DOUBLE", "Catch per unit effort: count for cpue_unit's effort.",
               "see cpue_unit", "", "c.cpue"),
        Column("cpue_unit", "VARCHAR", "Unit of cpue.", "", "", "c.cpue_unit"),
        _of_field(FIELDS["mortality"], "c."),
        *(_of_field(entry, "e.") for entry in of_event),
        *(_of_field(entry, "c.") for entry in of_catch),
        _qc_event("e."),
        Column("qc_count", "INTEGER", f"Flag of the count: {FLAG_MEANING}.", "", "count",
               "c.qc_count"),
        _qc_effort("e."),
        *(_flag_of(entry, "e.") for entry in of_event),
        *(_flag_of(entry, "c.") for entry in of_catch),
        *_source("c."),
    )
    return Table(
        "counts",
        "One row per event x taxon x life stage. A zero is a written zero; what was not looked "
        "for, or left blank, has no row.",
        columns,
        "clean_counts AS c JOIN clean_events AS e USING (event_id) "
        "LEFT JOIN published_taxa USING (taxon_id)",
        ("site_id", "local_date", "event_id", "taxon_id", "life_stage"),
    )


def events_table() -> Table:
    """One row per event, with or without a catch."""
    measured = measured_event_fields()
    columns = (
        *_event_head(""),
        Column("effort_from", "VARCHAR",
               "stated: as the sheet gives it; times: elapsed between setting and checking."),
        _of_field(_NET_STATUS),
        *(_of_field(entry) for entry in plain_event_fields() if not is_free_text(entry)),
        *(_of_field(entry) for entry in measured),
        _qc_event(""),
        _qc_effort(""),
        *(_flag_of(entry) for entry in measured),
        Column("vanished", "BOOLEAN",
               "Whether the row is gone from the site's latest sheet; it is kept until someone "
               "says why."),
        *_source(""),
    )
    return Table(
        "events", "One row per net check, haul or reading, with or without a catch.",
        columns, "clean_events", ("site_id", "local_date", "event_id"),
    )


_OCCURRENCE_ID = "c.event_id || ':' || c.taxon_id || ':' || replace(c.life_stage, ' ', '-')"


def occurrences_table() -> Table:
    """Presence and absence: one row per event x taxon x life stage."""
    columns = (
        Column("occurrence_id", "VARCHAR", "Stable id: event, taxon and life stage.", "", "",
               _OCCURRENCE_ID),
        Column("event_id", "VARCHAR", _EVENT_ID, "", "", "c.event_id"),
        Column("site_id", "VARCHAR", "Id of the site; see sites.", "", "site", "c.site_id"),
        Column("local_date", "DATE", FIELDS["local_date"].description, "", "local_date",
               "e.local_date"),
        _TAXON,
        _NAME,
        Column("taxon_rank", "VARCHAR", "Rank of the taxon."),
        _STAGE,
        Column("occurrence_status", "VARCHAR",
               "present, or absent: looked for, counted, and none found.", "", "",
               "CASE WHEN c.count > 0 THEN 'present' ELSE 'absent' END"),
        _of_field(FIELDS["count"], "c."),
        _of_field(FIELDS["released"], "c."),
        _of_field(FIELDS["mortality"], "c."),
        _of_field(FIELDS["kept"], "c."),
        _of_field(FIELDS["pigment_stage"], "c."),
        Column("qc_count", "INTEGER", f"Flag of the count: {FLAG_MEANING}.", "", "count",
               "c.qc_count"),
    )
    return Table(
        "occurrences", "Presence or absence of each taxon and life stage that was counted.",
        columns,
        "clean_counts AS c JOIN clean_events AS e USING (event_id) "
        "LEFT JOIN published_taxa USING (taxon_id)",
        ("site_id", "local_date", "event_id", "taxon_id", "life_stage"),
    )


def measurements_table() -> Table:
    """One row per measured value; a withheld value keeps its row and flag."""
    parts = [
        f"SELECT e.event_id, e.site_id, e.local_date, NULL AS occurrence_id, "
        f"{sql_text(entry.id)} AS field, {place} AS place, "
        f"{quoted(entry.clean_column)}::DOUBLE AS value, "
        f"{sql_text(unit_spelling(entry.unit) if entry.unit else '')} AS unit, "
        f"{flag_column(entry)} AS qc FROM clean_events AS e"
        for place, entry in enumerate(measured_event_fields())
    ] + [
        f"SELECT c.event_id, c.site_id, e.local_date, {_OCCURRENCE_ID}, "
        f"{sql_text(entry.id)}, {place}, c.{quoted(entry.clean_column)}::DOUBLE, "
        f"{sql_text(unit_spelling(entry.unit) if entry.unit else '')}, "
        f"c.{flag_column(entry)} FROM clean_counts AS c JOIN clean_events AS e USING (event_id)"
        for place, entry in enumerate(measured_catch_fields(), start=1000)
    ]
    columns = (
        Column("event_id", "VARCHAR", _EVENT_ID),
        Column("site_id", "VARCHAR", "Id of the site; see sites.", "", "site"),
        Column("local_date", "DATE", FIELDS["local_date"].description, "", "local_date"),
        Column("occurrence_id", "VARCHAR",
               "The occurrence that was measured; empty for water and weather."),
        Column("field", "VARCHAR", "What was measured: id of the dictionary's field."),
        Column("value", "DOUBLE", "The value, in unit; empty when it is withheld.", "see unit"),
        Column("unit", "VARCHAR", "Unit of the value; empty for a pure number.", "", "",
               "nullif(unit, '')"),
        Column("qc", "INTEGER", f"Flag of the value: {FLAG_MEANING}."),
    )
    union = " UNION ALL ".join(parts)
    return Table(
        "measurements", "Every measured value, one a row: water, weather and fish.", columns,
        f"(SELECT * FROM ({union}) WHERE qc <> {int(Flag.MISSING)})",
        ("site_id", "local_date", "event_id", "field", "occurrence_id"),
    )


# What was asked about and is found no more has ended: by a decision, or with the row.
_ASKED_AND_ENDED = """
    SELECT id, site, event_id, taxon, life_stage, field, rule, effect, flag, "value", suggestion,
           message, file_sha256, sheet, "row",
           CASE WHEN coalesce(settled, '') = '' THEN 'open' ELSE settled END AS status
    FROM findings
    UNION ALL BY NAME
    SELECT a.finding AS id, a.site, a.event_id, a.taxon, a.life_stage, a.field, a.rule,
           'What was asked about has ended.' AS message,
           coalesce((SELECT CASE arg_max(d.action, d.seq) WHEN 'correct' THEN 'corrected'
                                 WHEN 'withdraw' THEN 'withdrawn' END
                     FROM decisions AS d
                     WHERE d.event_id = a.event_id AND d.action IN ('correct', 'withdraw')
                       AND coalesce(d.field, '') IN ('', a.field)), 'gone') AS status
    FROM (SELECT DISTINCT ON (finding) * FROM asked ORDER BY finding, seq) AS a
    WHERE a.finding NOT IN (SELECT id FROM findings)"""


def findings_table() -> Table:
    """What the rules found, without anything that may name a person."""
    closed = [entry.id for entry in FIELDS.values() if is_free_text(entry)]
    numbers = [entry.id for entry in FIELDS.values()
               if entry.kind in NUMERIC_KINDS or entry.kind is Kind.TIME]
    listed = [entry.id for entry in FIELDS.values() if entry.kind in (Kind.CHOICE, Kind.TAXON)]
    quiet = (
        f"(field IN ({', '.join(map(sql_text, closed))})"
        f" OR (field IN ({', '.join(map(sql_text, numbers))})"
        r" AND regexp_matches(value, '\p{L}{3,}'))"
        f" OR (field IN ({', '.join(map(sql_text, listed))})"
        " AND rule IN ('not-understood', 'not-in-list')))"
    )
    columns = (
        Column("finding_id", "VARCHAR",
               "Stable as long as the same rule says the same of the same value.", "", "", "id"),
        Column("site_id", "VARCHAR", "Id of the site; see sites.", "", "site", "site"),
        Column("event_id", "VARCHAR", _EVENT_ID, "", "", "nullif(event_id, '')"),
        Column("taxon_id", "VARCHAR", _TAXON.description, "", "taxon", "nullif(taxon, '')"),
        Column("life_stage", "VARCHAR", _STAGE.description, "", "life_stage",
               "nullif(life_stage, '')"),
        Column("field", "VARCHAR", "Id of the dictionary's field.", "", "", "nullif(field, '')"),
        Column("rule", "VARCHAR", "The rule that found it."),
        Column("effect", "VARCHAR",
               "hold: the row is not published; mask: the value is withheld; query: asked about; "
               "note: for information."),
        Column("flag", "INTEGER", f"Flag given to the value: {FLAG_MEANING}."),
        Column("value", "VARCHAR",
               "The cell as received, with ' before what a spreadsheet would calculate; words "
               "people wrote are left out.", "", "",
               f"CASE WHEN NOT quiet THEN nullif({_harmless('value')}, '') END"),
        Column("suggestion", "VARCHAR", "What the value may have been meant to be.", "", "",
               f"CASE WHEN NOT quiet THEN nullif({_harmless('suggestion')}, '') END"),
        Column("message", "VARCHAR", "What the rule says, for people.", "", "",
               "CASE WHEN quiet THEN 'The cell holds words; they are not published.' "
               f"ELSE {_harmless('message')} END"),
        Column("status", "VARCHAR",
               "open until someone decides; confirmed or released by a decision; corrected or "
               "withdrawn by one; gone: the sheet no longer says so.", "", "", "status"),
        Column("source_file_sha256", "VARCHAR", "SHA-256 of the sheet it was found in.", "", "",
               "file_sha256"),
        Column("source_sheet", "VARCHAR", "Name of the tab.", "", "", _harmless("sheet")),
        Column("source_row", "INTEGER", "Row on that tab, counted from 1.", "", "", '"row"'),
    )
    return Table(
        "findings", "What the rules found in the sheets: held, withheld, asked about or noted.",
        columns, f"(SELECT *, {quiet} AS quiet FROM ({_ASKED_AND_ENDED}))",
        ("site_id", "event_id", "source_sheet", "source_row", "field", "rule", "finding_id",
         "source_file_sha256", "message"),
    )


def sites_table() -> Table:
    """The network's sites."""
    columns = (
        Column("site_id", "VARCHAR", "Id of the site.", "", "site"),
        Column("name", "VARCHAR", "Name of the site."),
        Column("zone", "VARCHAR", "Time zone (IANA) in which the site's sheets are written."),
        Column("latitude", "DOUBLE", "Decimal degrees north, WGS 84.", "degrees"),
        Column("longitude", "DOUBLE", "Decimal degrees east, WGS 84.", "degrees"),
        Column("position_uncertainty_m", "DOUBLE",
               "How far the site may be from the position given, where that is generalized.", "m"),
        Column("position_note", "VARCHAR", "Why and how the position is generalized."),
        Column("protocols", "VARCHAR", "Kinds of field work done there, separated by |."),
        Column("nets", "VARCHAR", "Nets of the site, separated by |."),
        Column("seines", "VARCHAR", "Seines of the site, separated by |."),
    )
    return Table("sites", "The network's sites.", columns, "published_sites", ("site_id",))


_DICTIONARY_COLUMNS = (
    Column("table_name", "VARCHAR", "Published table."),
    Column("position", "INTEGER", "Place of the column in the table, from 1."),
    Column("column_name", "VARCHAR", "Column of the table."),
    Column("field", "VARCHAR", "Id of the field in the network's dictionary, where it is one."),
    Column("title", "VARCHAR", "Name of the field."),
    Column("description", "VARCHAR", "What the column holds."),
    Column("type", "VARCHAR", "Type, as the snapshot has it."),
    Column("unit", "VARCHAR", "Unit; empty for text and pure numbers."),
    Column("choices", "VARCHAR", "Values a choice may take, separated by |."),
    Column("possible_low", "DOUBLE", "Below this no value can be right."),
    Column("possible_high", "DOUBLE", "Above this no value can be right."),
    Column("possible_source", "VARCHAR", "Where those limits come from."),
    Column("plausible_low", "DOUBLE", "Below this a value is asked about."),
    Column("plausible_high", "DOUBLE", "Above this a value is asked about."),
    Column("plausible_source", "VARCHAR", "Where those limits come from."),
)


def dictionary_table() -> Table:
    """Every published column explained."""
    return Table("dictionary", "Every column of every table: meaning, unit, limits and their "
                 "source.", _DICTIONARY_COLUMNS, "published_dictionary",
                 ("table_name", "position"))


def published_tables() -> tuple[Table, ...]:
    """Every table of a release, the main one first."""
    return (counts_table(), events_table(), occurrences_table(), measurements_table(),
            findings_table(), sites_table(), dictionary_table())


RELEASE_VERSION = Column("release_version", "VARCHAR", "Release that the row was published in.")


def with_version(table: Table, version: str) -> Table:
    """``table`` as a release of ``version`` publishes it: counts name the release they are of."""
    if table.name != "counts":
        return table
    column = Column(RELEASE_VERSION.name, RELEASE_VERSION.type, RELEASE_VERSION.description,
                    sql=sql_text(version))
    return Table(table.name, table.description, (column, *table.columns), table.source,
                 table.order)


_METRES_A_DEGREE = 111_320
"""Of latitude, and of longitude at the equator; enough for an uncertainty."""


def _position(site: Site, network: Network, sheltered: Collection[str]) -> tuple[Any, ...]:
    """Latitude, longitude, uncertainty and note, generalized where the site is ``sheltered``."""
    if site.id not in sheltered or site.latitude is None or site.longitude is None:
        return (site.latitude, site.longitude, None, None)
    decimals = network.publishing.protected_decimals
    half = 0.5 * 10.0 ** -decimals * _METRES_A_DEGREE
    # Half the diagonal of the cell that rounding leaves the site in.
    away = math.hypot(half, half * math.cos(math.radians(site.latitude)))
    return (round(site.latitude, decimals), round(site.longitude, decimals),
            float(math.ceil(away)),
            f"Rounded to {decimals} decimals of a degree: protected animals were caught here.")


def reference_rows(
    network: Network, sheltered: Collection[str] = ()
) -> dict[str, pa.Table]:
    """What the published tables take from settings and dictionary, by the name they use.

    ``sheltered``: ids of sites whose position is generalized as the network sets.
    """
    import pyarrow as pa

    def arrow(columns: tuple[Column, ...], rows: list[tuple[Any, ...]]) -> pa.Table:
        types = {"VARCHAR": pa.string(), "DOUBLE": pa.float64(), "INTEGER": pa.int32()}
        return pa.table({
            column.name: pa.array([row[place] for row in rows], types[column.type])
            for place, column in enumerate(columns)
        })

    sites = [
        (site.id, site.name, site.zone, *_position(site, network, sheltered),
         "|".join(site.protocols), "|".join(site.nets), "|".join(site.seines))
        for site in network.sites.values()
    ]
    taxa = [(taxon.id, taxon.scientific_name, taxon.rank) for taxon in TAXA.values()]
    text = "VARCHAR"
    return {
        "published_sites": arrow(sites_table().columns, sites),
        "published_taxa": arrow(
            (Column("taxon_id", text, ""), Column("scientific_name", text, ""),
             Column("taxon_rank", text, "")), taxa),
        "published_dictionary": arrow(_DICTIONARY_COLUMNS, _dictionary_rows()),
    }


def _dictionary_rows() -> list[tuple[Any, ...]]:
    rows: list[tuple[Any, ...]] = []
    for table in published_tables():
        columns = table.columns
        if table.name == "counts":
            columns = (RELEASE_VERSION, *columns)
        for position, column in enumerate(columns, start=1):
            entry = FIELDS.get(column.field)
            # Limits are the value's, not its flag's.
            valued = entry is not None and column.name == entry.clean_column
            rows.append((
                table.name, position, column.name, column.field or None,
                entry.title if entry is not None else None, column.description, column.type,
                column.unit or None,
                "|".join(choice.id for choice in entry.choices) or None
                if entry is not None and valued else None,
                *_limits(entry.possible if entry is not None and valued else None),
                *_limits(entry.plausible if entry is not None and valued else None),
            ))
    return rows


def _limits(span: Range | None) -> tuple[float | None, float | None, str | None]:
    return (None, None, None) if span is None else (span.low, span.high, span.source)


@dataclass(frozen=True, slots=True)
class View:
    """A ready answer in the snapshot, made of published tables."""

    name: str
    description: str
    sql: str
    columns: Mapping[str, str] = field(default_factory=dict)
    """Meaning of the columns that no published table has."""

    def meaning_of(self, name: str, tables: Sequence[Table]) -> str:
        """What the view's column ``name`` holds: its own meaning, or the table column's."""
        if name in self.columns:
            return self.columns[name]
        return next(
            (column.description for table in tables for column in table.columns
             if column.name == name), name)


def published_views(seasons: Mapping[int, str] = MappingProxyType({})) -> tuple[View, ...]:
    """Views of the snapshot. ``seasons``: season -> provisional or final."""
    listed = ", ".join(f"({season}, {sql_text(status)})" for season, status in seasons.items())
    worst = ("CASE WHEN bool_or(4 IN (qc_event, qc_count, qc_effort)) THEN 4 "
             "WHEN bool_or(3 IN (qc_event, qc_count, qc_effort)) THEN 3 ELSE 1 END")
    return (
        View(
            "daily_cpue",
            "Catch per unit effort of each site, protocol and day: all nets together, weighted "
            "by effort. qc is the worst flag of event, count and effort.",
            f"""
            SELECT site_id, protocol, season, local_date, taxon_id, scientific_name, life_stage,
                   count(*) AS events, sum("count")::BIGINT AS "count",
                   sum(effort_value) AS effort_value, any_value(effort_unit) AS effort_unit,
                   sum(cpue * effort_value) / sum(effort_value) AS cpue,
                   any_value(cpue_unit) AS cpue_unit, {worst} AS qc
            FROM counts WHERE cpue IS NOT NULL
            GROUP BY ALL ORDER BY ALL
            """,
            {"events": "Events of the day that gave a cpue.",
             "qc": f"Worst flag of event, count and effort: {FLAG_MEANING}."},
        ),
        View(
            "season_totals",
            "Catch, deaths and effort of each site and season. Effort and cpue cover the events "
            "whose effort is known; count and mortality cover all.",
            """
            SELECT site_id, protocol, season, taxon_id, scientific_name, life_stage,
                   count(*) AS events, sum("count")::BIGINT AS "count",
                   sum(mortality)::BIGINT AS mortality,
                   min(local_date) FILTER ("count" > 0) AS first_caught,
                   max(local_date) FILTER ("count" > 0) AS last_caught,
                   sum(effort_value) AS effort_value, any_value(effort_unit) AS effort_unit,
                   sum(cpue * effort_value)
                       / nullif(sum(effort_value) FILTER (cpue IS NOT NULL), 0) AS cpue,
                   any_value(cpue_unit) AS cpue_unit
            FROM counts GROUP BY ALL ORDER BY ALL
            """,
            {"events": "Events with a count.",
             "first_caught": "First day with at least one animal.",
             "last_caught": "Last day with at least one animal."},
        ),
        View(
            "coverage",
            "How much of each season every net or seine covers.",
            """
            SELECT e.site_id, e.protocol, e.gear_unit, e.season, count(*) AS events,
                   count(DISTINCT e.local_date) AS days,
                   min(e.local_date) AS first_date, max(e.local_date) AS last_date,
                   count(*) FILTER (e.effort_value IS NOT NULL) AS events_with_effort,
                   count(*) FILTER (e.event_id IN (SELECT event_id FROM counts))
                       AS events_with_counts,
                   count(*) FILTER (e.net_status <> 'fishing') AS events_not_fishing
            FROM events AS e GROUP BY ALL ORDER BY ALL
            """,
            {"events": "Events of the season.", "days": "Days with an event.",
             "first_date": "Day of the first event.", "last_date": "Day of the last event.",
             "events_with_effort": "Events whose effort is known.",
             "events_with_counts": "Events with at least one count.",
             "events_not_fishing": "Events at which the net was not fishing."},
        ),
        View(
            "quality_summary",
            "How many values carry each flag, by site, season and field.",
            """
            SELECT site_id, season, field, flag, count(*) AS "values" FROM (
                SELECT m.site_id, e.season, m.field, m.qc AS flag
                FROM measurements AS m JOIN events AS e USING (event_id)
                UNION ALL SELECT site_id, season, 'count', qc_count FROM counts
                UNION ALL SELECT site_id, season, 'effort', qc_effort FROM events
                UNION ALL SELECT site_id, season, 'event', qc_event FROM events)
            GROUP BY ALL ORDER BY ALL
            """,
            {"field": "What the values are of: id of the dictionary's field, or count, effort, "
                      "event.",
             "flag": f"The flag: {FLAG_MEANING}.", "values": "How many values carry it."},
        ),
        View(
            "coverage_calendar",
            "Every day of every net or seine from its first to its last event of a season, and "
            "what is known of it.",
            """
            WITH spans AS (
                SELECT site_id, protocol, gear_unit, season, unnest(range(
                           min(local_date)::TIMESTAMP,
                           max(local_date)::TIMESTAMP + INTERVAL 1 DAY,
                           INTERVAL 1 DAY))::DATE AS local_date
                FROM events WHERE protocol <> 'water' GROUP BY ALL)
            SELECT s.site_id, s.protocol, s.gear_unit, s.season, s.local_date,
                   CASE WHEN count(e.event_id) = 0 THEN 'no event'
                        WHEN bool_and(coalesce(e.net_status, 'fishing') <> 'fishing')
                        THEN 'not fishing'
                        WHEN bool_and(e.effort_value IS NULL) THEN 'effort not known'
                        ELSE 'fished' END AS state,
                   count(e.event_id) AS events, sum(e.effort_value) AS effort_value
            FROM spans AS s LEFT JOIN events AS e
              ON e.site_id = s.site_id AND e.protocol = s.protocol AND e.season = s.season
             AND e.gear_unit IS NOT DISTINCT FROM s.gear_unit AND e.local_date = s.local_date
            GROUP BY ALL ORDER BY ALL
            """,
            {"state": "fished; effort not known; not fishing; no event: nothing published of "
                      "that day.",
             "events": "Events of the day."},
        ),
        View(
            "seasons",
            "Which seasons the release holds, and whether their figures are final.",
            "SELECT season, status FROM (VALUES " + (listed or "(NULL, NULL)")
            + ") AS s(season, status) WHERE season IS NOT NULL ORDER BY season",
            {"status": "provisional, or final: closed by the coordinator."},
        ),
    )
