"""The release as a Darwin Core Archive: events, occurrences, measurements and inventories.

Event core with two levels above the net check (the season, and the site in that season),
occurrence extension with explicit absences, extended measurement-or-fact for water, weather
and effort, and the Humboldt extension for effort and completeness. ``meta.xml`` follows the
Darwin Core text guide, ``eml.xml`` is made by :mod:`warehouse.eml`.

The zip's members are stored, not deflated: two machines' deflate may differ by a byte, a
stored archive cannot.
"""

from __future__ import annotations

import shutil
import zipfile
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

import duckdb

from shared.columnar import sql_text
from shared.fields import FIELDS
from shared.protocol import Protocol, protocols
from shared.settings import Network
from shared.taxa import TAXA, UNSTAGED
from shared.vocabulary import MEASURED_IDS, UNIT_IDS
from warehouse.tables import quoted

ARCHIVE_NAME = "darwin-core-archive.zip"

DWC = "http://rs.tdwg.org/dwc/terms/"
DCTERMS = "http://purl.org/dc/terms/"
OBIS = "http://rs.iobis.org/obis/terms/"
ECO = "http://rs.tdwg.org/eco/terms/"
TEXT_GUIDE = "http://rs.tdwg.org/dwc/text/"

_EPOCH = (1980, 1, 1, 0, 0, 0)
"""The date of every member: a zip that tells when it was made would differ each time."""

_CHUNK = 1 << 22
_EFFORT = "effort"
_TRAP_HOURS = {"net-hours": "trapHours"}
"""Our unit of effort -> the Humboldt extension's own word for it."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a member: its term and the SQL that gives it (empty: ``default`` alone)."""

    term: str
    sql: str = ""
    default: str = ""

    @property
    def name(self) -> str:
        """The term without its namespace."""
        return self.term.rsplit("/", 1)[1]


@dataclass(frozen=True, slots=True)
class Member:
    """One file of the archive. Its first column is the event's id, and links to the core."""

    file: str
    row_type: str
    columns: tuple[Column, ...]
    source: str
    order: str = ""
    """What follows ORDER BY; empty where ``source`` is in its order already."""

    @property
    def written(self) -> tuple[Column, ...]:
        """Columns that are in the file; the others hold one value throughout."""
        return tuple(column for column in self.columns if column.sql)


def _one_line(sql: str) -> str:
    """SQL: a text that fits on one line, as not every reader unites broken ones."""
    return rf"regexp_replace({sql}, '\s+', ' ', 'g')"


def _moment(sql: str) -> str:
    return f"strftime({sql}, '%Y-%m-%dT%H:%M:%SZ')"


def _case(sql: str, of: dict[str, str]) -> str:
    if not of:
        return "NULL"
    whens = " ".join(f"WHEN {sql_text(key)} THEN {sql_text(text)}"
                     for key, text in of.items() if text)
    return f"CASE {sql} {whens} END" if whens else "NULL"


def _of_protocol(what: dict[str, str]) -> str:
    return _case("e.protocol", what)


def _season_id(network: Network, season: str = "e.season") -> str:
    return f"{sql_text(network.id + ':')} || {season}"


_SITE_SEASON_ID = "e.site_id || ':' || e.season"


def event_core(network: Network) -> Member:
    """Seasons, sites in a season, and net checks, hauls and readings."""
    titles = {p.id: p.title for p in protocols().values()}
    span = "min(local_date)::VARCHAR || '/' || max(local_date)::VARCHAR"
    place = ("CASE WHEN s.position_uncertainty_m IS NOT NULL THEN s.position_note END")
    source = f"""(
        SELECT 1 AS level, '' AS sorted, {_season_id(network)} AS event_id, NULL AS parent,
               'Season' AS type, {span} AS date, e.season, NULL AS protocol, NULL AS site_id,
               NULL AS effort_value, NULL AS effort_unit, NULL AS gear, NULL AS remarks
        FROM release_events AS e GROUP BY e.season
        UNION ALL
        SELECT 2, '', {_SITE_SEASON_ID}, {_season_id(network)}, 'Site in season', {span},
               e.season, NULL, e.site_id, NULL, NULL, NULL, NULL
        FROM release_events AS e GROUP BY e.season, e.site_id
        UNION ALL
        SELECT 3, e.local_date::VARCHAR, e.event_id, {_SITE_SEASON_ID}, {_of_protocol(titles)},
               CASE WHEN e.event_end_utc IS NULL THEN e.local_date::VARCHAR
                    WHEN e.event_start_utc IS NULL OR e.event_start_utc >= e.event_end_utc
                    THEN {_moment("e.event_end_utc")}
                    ELSE {_moment("e.event_start_utc")} || '/' || {_moment("e.event_end_utc")}
               END,
               e.season, e.protocol, e.site_id, e.effort_value, e.effort_unit,
               {_one_line("e.gear_unit")},
               CASE WHEN e.net_status <> 'fishing'
                    THEN 'The net was not fishing: ' || e.net_status || '.' END
        FROM release_events AS e
        ) AS e LEFT JOIN release_sites AS s USING (site_id)"""
    return Member("event.txt", DWC + "Event", (
        Column(DWC + "eventID", "e.event_id"),
        Column(DWC + "parentEventID", "e.parent"),
        Column(DWC + "eventType", "e.type"),
        Column(DWC + "eventDate", "e.date"),
        Column(DWC + "year", "CASE WHEN e.level = 3 THEN e.date[1:4] END"),
        Column(DWC + "samplingProtocol", _of_protocol(titles)),
        Column(DWC + "sampleSizeValue", "e.effort_value"),
        Column(DWC + "sampleSizeUnit", "e.effort_unit"),
        Column(DWC + "samplingEffort", "e.effort_value || ' ' || e.effort_unit"),
        Column(DWC + "fieldNumber", "e.gear"),
        Column(DWC + "locationID", "e.site_id"),
        Column(DWC + "locality", _one_line("s.name")),
        Column(DWC + "decimalLatitude", "s.latitude"),
        Column(DWC + "decimalLongitude", "s.longitude"),
        Column(DWC + "geodeticDatum", "CASE WHEN s.latitude IS NOT NULL THEN 'EPSG:4326' END"),
        Column(DWC + "coordinateUncertaintyInMeters", "s.position_uncertainty_m"),
        Column(DWC + "dataGeneralizations", place),
        Column(DWC + "eventRemarks", "e.remarks"),
        Column(DCTERMS + "license", default=network.licence),
        Column(DWC + "datasetName", default=network.name),
    ), source, "e.level, e.site_id NULLS FIRST, e.sorted, e.event_id")


def occurrences(network: Network) -> Member:
    """Presence and explicit absence of every taxon and life stage that was counted."""
    vernacular = {taxon.id: taxon.vernacular for taxon in TAXA.values()}
    return Member("occurrence.txt", DWC + "Occurrence", (
        Column(DWC + "eventID", "o.event_id"),
        Column(DWC + "occurrenceID", "o.occurrence_id"),
        Column(DWC + "basisOfRecord", default="HumanObservation"),
        Column(DWC + "occurrenceStatus", "o.occurrence_status"),
        Column(DWC + "scientificName", "o.scientific_name"),
        Column(DWC + "taxonRank", "o.taxon_rank"),
        Column(DWC + "vernacularName", _case("o.taxon_id", vernacular)),
        Column(DWC + "taxonID", "o.taxon_id"),
        Column(DWC + "lifeStage", f"nullif(o.life_stage, {sql_text(UNSTAGED)})"),
        Column(DWC + "individualCount", "o.count"),
        Column(DWC + "organismQuantity", "o.count"),
        Column(DWC + "organismQuantityType", default="individuals"),
        Column(DWC + "identificationVerificationStatus", "'count flag ' || o.qc_count"),
        Column(DWC + "occurrenceRemarks",
               "CASE WHEN o.mortality > 0 OR o.kept > 0 THEN concat_ws('; ', "
               "CASE WHEN o.mortality > 0 THEN o.mortality || ' dead' END, "
               "CASE WHEN o.kept > 0 THEN o.kept || ' kept' END) END"),
    ), "release_occurrences AS o")


_FACTS = ("tide_stage", "wind_direction")
"""Event fields that are words, and published as facts beside the measurements."""


def measurements(network: Network) -> Member:
    """Water, weather, fish and effort, one value a row, with unit and vocabulary ids."""
    titles = {entry.id: entry.title for entry in FIELDS.values()} | {_EFFORT: "Sampling effort"}
    unit_ids = {
        entry.id: UNIT_IDS[entry.unit] for entry in FIELDS.values()
        if entry.unit in UNIT_IDS
    }
    facts = " UNION ALL ".join(
        f"SELECT event_id, site_id, local_date, NULL, {sql_text(name)}, {quoted(name)}, "
        f"NULL, NULL FROM release_events WHERE {quoted(name)} IS NOT NULL" for name in _FACTS)
    source = f"""(
        SELECT event_id, site_id, local_date, occurrence_id, field, value::VARCHAR AS value,
               unit, qc FROM release_measurements WHERE value IS NOT NULL
        UNION ALL
        SELECT event_id, site_id, local_date, NULL, {sql_text(_EFFORT)},
               effort_value::VARCHAR, effort_unit, qc_effort
        FROM release_events WHERE effort_value IS NOT NULL
        UNION ALL {facts}) AS m"""
    return Member("extendedmeasurementorfact.txt", OBIS + "ExtendedMeasurementOrFact", (
        Column(DWC + "eventID", "m.event_id"),
        Column(DWC + "measurementID", "coalesce(m.occurrence_id, m.event_id) || ':' || m.field"),
        Column(DWC + "occurrenceID", "m.occurrence_id"),
        Column(DWC + "measurementType", _case("m.field", titles)),
        Column(OBIS + "measurementTypeID", _case("m.field", MEASURED_IDS)),
        Column(DWC + "measurementValue", "m.value"),
        Column(DWC + "measurementUnit", "m.unit"),
        Column(OBIS + "measurementUnitID", _case("m.field", unit_ids)),
        Column(DWC + "measurementRemarks", "'quality flag ' || m.qc"),
    ), source)


def inventories(network: Network) -> Member:
    """What each net check or haul looked for, how hard, and how completely it was reported."""
    fishing = [p for p in protocols().values() if p.effort_field is not None]
    names = ", ".join(sql_text(p.id) for p in fishing)
    taxa = {p.id: _listed(TAXA[t.taxon].scientific_name for t in p.targets) for p in fishing}
    stages = {p.id: _listed(t.life_stage for t in p.targets) for p in fishing}
    hours = "epoch(e.event_end_utc - e.event_start_utc) / 3600"
    source = f"""release_events AS e LEFT JOIN (
            SELECT event_id, {_complete(fishing)} AS complete,
                   bool_or("count" = 0) AS absence,
                   bool_or(NOT target AND "count" > 0) AS others,
                   string_agg(DISTINCT name, ' | ' ORDER BY name)
                       FILTER (NOT target AND "count" > 0) AS other_taxa
            FROM (SELECT c.event_id, c.protocol, c.taxon_id, c.life_stage, c."count",
                         c.scientific_name AS name, {_is_target(fishing)} AS target
                  FROM release_counts AS c)
            GROUP BY event_id) AS k USING (event_id)
        LEFT JOIN (
            SELECT event_id, string_agg(name, ' | ' ORDER BY name) AS absent_taxa FROM (
                SELECT event_id, scientific_name AS name FROM release_counts
                GROUP BY ALL HAVING max("count") = 0)
            GROUP BY event_id) AS a USING (event_id)"""
    yes_no = "CASE WHEN {0} THEN 'true' ELSE 'false' END".format
    scoped = " AND ".join(f"e.protocol <> {sql_text(p.id)}" for p in fishing if not p.targets)
    told = yes_no("coalesce(k.complete, false)")
    complete = f"CASE WHEN {scoped or 'true'} THEN {told} END"
    return Member("humboldt.txt", ECO + "Event", (
        Column(DWC + "eventID", "e.event_id"),
        Column(ECO + "protocolNames", _of_protocol({p.id: p.title for p in fishing})),
        Column(ECO + "protocolDescriptions",
               _of_protocol({p.id: p.description for p in fishing})),
        Column(ECO + "isSamplingEffortReported", yes_no("e.effort_value IS NOT NULL")),
        Column(ECO + "samplingEffortProtocol",
               "CASE e.effort_from WHEN 'stated' THEN 'as the crew wrote it down' "
               "WHEN 'times' THEN 'elapsed between setting and checking' END"),
        Column(ECO + "samplingEffortValue", "e.effort_value"),
        Column(ECO + "samplingEffortUnit",
               f"CASE WHEN e.effort_value IS NOT NULL THEN coalesce("
               f"{_case('e.effort_unit', _TRAP_HOURS)}, e.effort_unit) END"),
        Column(ECO + "eventDurationValue",
               f"CASE WHEN {hours} > 0 THEN round({hours}, 3) END"),
        Column(ECO + "eventDurationUnit", f"CASE WHEN {hours} > 0 THEN 'hours' END"),
        Column(ECO + "targetTaxonomicScope", _of_protocol(taxa)),
        Column(ECO + "targetLifeStageScope", _of_protocol(stages)),
        Column(ECO + "isTaxonomicScopeFullyReported", complete),
        Column(ECO + "isLifeStageScopeFullyReported", complete),
        Column(ECO + "taxonCompletenessReported", default="notReported"),
        Column(ECO + "isAbsenceReported", yes_no("coalesce(k.absence, false)")),
        Column(ECO + "absentTaxa", "a.absent_taxa"),
        Column(ECO + "hasNonTargetTaxa", yes_no("coalesce(k.others, false)")),
        Column(ECO + "nonTargetTaxa", "k.other_taxa"),
        Column(ECO + "isAbundanceReported", yes_no("k.event_id IS NOT NULL")),
        Column(ECO + "isLeastSpecificTargetCategoryQuantityInclusive", default="false"),
        Column(ECO + "inventoryTypes", default="restrictedSearch"),
        Column(ECO + "compilationTypes", default="samplingEvents"),
        Column(ECO + "samplingPerformedBy",
               default=network.publishing.publisher or network.name),
    ), f"{source} WHERE e.protocol IN ({names})", "e.site_id, e.local_date, e.event_id")


def _listed(names: object) -> str:
    return " | ".join(dict.fromkeys(names))  # type: ignore[call-overload]


def _is_target(fishing: list[Protocol]) -> str:
    # A protocol without targets looks for whatever there is: then nothing is off target.
    parts = [
        f"(c.protocol = {sql_text(p.id)} AND c.taxon_id IN "
        f"({', '.join(sql_text(t.taxon) for t in p.targets)}))"
        if p.targets else f"c.protocol = {sql_text(p.id)}" for p in fishing
    ]
    return f"({' OR '.join(parts)})"


def _complete(fishing: list[Protocol]) -> str:
    """SQL: whether every target of the event's protocol has a count, be it zero."""
    parts = [
        f"bool_or(protocol = {sql_text(p.id)} AND taxon_id = {sql_text(t.taxon)} "
        f"AND life_stage = {sql_text(t.life_stage)})"
        for p in fishing for t in p.targets
    ]
    return " AND ".join(parts) or "false"


def members(network: Network) -> tuple[Member, ...]:
    """The archive's files, the core first."""
    return (event_core(network), occurrences(network), measurements(network),
            inventories(network))


def meta_xml(found: tuple[Member, ...]) -> bytes:
    """The archive's ``meta.xml``, by the Darwin Core text guide (TDWG)."""
    ET.register_namespace("", TEXT_GUIDE)
    archive = ET.Element(f"{{{TEXT_GUIDE}}}archive", {"metadata": "eml.xml"})
    for place, member in enumerate(found):
        entry = ET.SubElement(
            archive, f"{{{TEXT_GUIDE}}}{'extension' if place else 'core'}", {
                "encoding": "UTF-8", "fieldsTerminatedBy": ",", "linesTerminatedBy": "\\n",
                "fieldsEnclosedBy": '"', "ignoreHeaderLines": "1", "rowType": member.row_type,
            })
        files = ET.SubElement(entry, f"{{{TEXT_GUIDE}}}files")
        ET.SubElement(files, f"{{{TEXT_GUIDE}}}location").text = member.file
        ET.SubElement(entry, f"{{{TEXT_GUIDE}}}{'coreid' if place else 'id'}", {"index": "0"})
        index = 0
        for column in member.columns:
            told = {"index": str(index)} if column.sql else {"default": column.default}
            index += bool(column.sql)
            # An extension's first column is the link alone, unless the term is its own.
            if not (place and told.get("index") == "0"):
                ET.SubElement(entry, f"{{{TEXT_GUIDE}}}field", {**told, "term": column.term})
    ET.indent(archive)
    text: bytes = ET.tostring(archive, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"


def write_archive(
    connection: duckdb.DuckDBPyConnection, network: Network, eml: bytes, folder: Path,
    beside: Executor,
) -> Path:
    """Write the archive of the laid-out tables ``release_<name>`` into ``folder``.

    ``beside`` (one worker) packs one member while the engine writes the next.
    """
    found = members(network)
    target = folder / ARCHIVE_NAME
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name, content in (("meta.xml", meta_xml(found)), ("eml.xml", eml)):
            archive.writestr(zipfile.ZipInfo(name, _EPOCH), content)
        packed = []
        for member in found:
            part = folder / f".{member.file}"
            columns = ", ".join(f"{column.sql} AS {quoted(column.name)}"
                                for column in member.written)
            order = f" ORDER BY {member.order}" if member.order else ""
            connection.execute(
                f"COPY (SELECT {columns} FROM {member.source}{order}) "
                f"TO {sql_text(part.as_posix())} (FORMAT csv, HEADER true, DELIMITER ',')")
            packed.append(beside.submit(_pack, archive, part, member.file))
        for done in packed:
            done.result()
    return target


def _pack(archive: zipfile.ZipFile, part: Path, name: str) -> None:
    told = zipfile.ZipInfo(name, _EPOCH)
    told.file_size = part.stat().st_size
    with part.open("rb") as source, archive.open(told, "w") as sink:
        shutil.copyfileobj(source, sink, _CHUNK)
    part.unlink()
