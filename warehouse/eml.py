"""``eml.xml``: what the release is, in the Ecological Metadata Language 2.2.

Elements stand in the order that the EML schema asks for. Nobody is named in it: the network
publishes, and its coordinator is a position.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from xml.etree import ElementTree as ET

import duckdb

from shared.protocol import protocols
from shared.settings import Network
from shared.taxa import TAXA
from shared.vocabulary import LICENCES

NAMESPACE = "https://eml.ecoinformatics.org/eml-2.2.0"
_SCHEMA_PLACE = f"{NAMESPACE} https://eml.ecoinformatics.org/eml-2.2.0/eml.xsd"
_XSI = "http://www.w3.org/2001/XMLSchema-instance"


def _add(parent: ET.Element, name: str, text: str = "", **attributes: str) -> ET.Element:
    made = ET.SubElement(parent, name, attributes)
    if text:
        made.text = text
    return made


def _party(parent: ET.Element, name: str, network: Network, position: str = "") -> None:
    party = _add(parent, name)
    _add(party, "organizationName", network.publishing.publisher or network.name)
    if position:
        _add(party, "positionName", position)


def _paragraphs(parent: ET.Element, name: str, texts: Iterable[str]) -> None:
    block = _add(parent, name)
    for text in texts:
        _add(block, "para", text)


def eml_document(
    connection: duckdb.DuckDBPyConnection, network: Network, version: str, as_of: dt.date,
    citation: str, seasons: Mapping[int, str],
) -> bytes:
    """The EML document of the laid-out tables ``release_<name>``."""
    ET.register_namespace("eml", NAMESPACE)
    ET.register_namespace("xsi", _XSI)
    root = ET.Element(f"{{{NAMESPACE}}}eml", {
        "packageId": f"{network.id}.{version}", "system": "tallyweir",
        f"{{{_XSI}}}schemaLocation": _SCHEMA_PLACE,
    })
    dataset = _add(root, "dataset", id=network.id)
    _add(dataset, "alternateIdentifier", f"{network.id}:{version}")
    _add(dataset, "title", f"{network.name}, release {version}")
    _party(dataset, "creator", network)
    _party(dataset, "metadataProvider", network)
    _add(dataset, "pubDate", as_of.isoformat())
    _add(dataset, "language", "en")
    _paragraphs(dataset, "abstract", [
        "Volunteers at tidal sites check nets through the season, count what they hold, let it "
        "go, and note the water and the weather. Every count stands with its effort; a zero is a "
        "written zero, and what was not looked for has no record.",
        "Every value passed the network's rules or carries a flag that says otherwise. "
        + _season_sentence(seasons),
        f"Cite as: {citation}",
    ])
    keywords = _add(dataset, "keywordSet")
    for word in ("sampling event", "occurrence", "fyke net", "juvenile eel", "estuary"):
        _add(keywords, "keyword", word)
    name, place = LICENCES.get(network.licence, (network.licence, ""))
    _paragraphs(dataset, "intellectualRights", [
        f"{name} ({network.licence}). {place}".strip() if network.licence
        else "No licence is stated; ask the network before you pass the data on."])
    if network.licence:
        licensed = _add(dataset, "licensed")
        _add(licensed, "licenseName", name)
        if place:
            _add(licensed, "url", place)
        _add(licensed, "identifier", network.licence)
    _coverage(dataset, connection)
    maintenance = _add(dataset, "maintenance")
    _paragraphs(maintenance, "description", [
        "A release is never altered. Corrections come with the next one, and its list of changes "
        "names every value. " + _season_sentence(seasons)])
    _add(maintenance, "maintenanceUpdateFrequency", "weekly")
    _party(dataset, "contact", network, "Coordinator")
    _party(dataset, "publisher", network)
    _methods(dataset, network)
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="UTF-8", xml_declaration=True)
    return text + b"\n"


def _season_sentence(seasons: Mapping[int, str]) -> str:
    said = ", ".join(f"{season} {status}" for season, status in seasons.items())
    return f"Seasons: {said}." if said else "There is no season in it yet."


def _coverage(dataset: ET.Element, connection: duckdb.DuckDBPyConnection) -> None:
    west, east, north, south, positions = connection.execute(
        "SELECT min(longitude), max(longitude), max(latitude), min(latitude), count(latitude) "
        "FROM release_sites").fetchone() or (None,) * 5
    first, last = connection.execute(
        "SELECT min(local_date), max(local_date) FROM release_events").fetchone() or (None, None)
    taxa = [row[0] for row in connection.execute(
        "SELECT DISTINCT taxon_id FROM release_counts ORDER BY 1").fetchall()]
    if not positions and first is None and not taxa:
        return
    coverage = _add(dataset, "coverage")
    if positions:
        place = _add(coverage, "geographicCoverage")
        names = [row[0] for row in connection.execute(
            "SELECT name FROM release_sites ORDER BY site_id").fetchall()]
        _add(place, "geographicDescription", f"Sites: {', '.join(names)}.")
        box = _add(place, "boundingCoordinates")
        for name, value in (("westBoundingCoordinate", west), ("eastBoundingCoordinate", east),
                            ("northBoundingCoordinate", north),
                            ("southBoundingCoordinate", south)):
            _add(box, name, repr(value))
    if first is not None:
        span = _add(_add(coverage, "temporalCoverage"), "rangeOfDates")
        _add(_add(span, "beginDate"), "calendarDate", first.isoformat())
        _add(_add(span, "endDate"), "calendarDate", last.isoformat())
    if taxa:
        scope = _add(coverage, "taxonomicCoverage")
        for taxon in taxa:
            entry = _add(scope, "taxonomicClassification")
            _add(entry, "taxonRankName", TAXA[taxon].rank)
            _add(entry, "taxonRankValue", TAXA[taxon].scientific_name)
            _add(entry, "commonName", TAXA[taxon].vernacular)


def _methods(dataset: ET.Element, network: Network) -> None:
    used = [protocol for protocol in protocols().values()
            if any(protocol.id in site.protocols for site in network.sites.values())
            or protocol.effort_field is None]
    methods = _add(dataset, "methods")
    for protocol in used:
        effort = (f"Effort is given in {protocol.effort_unit}. " if protocol.effort_field else "")
        _paragraphs(_add(methods, "methodStep"), "description", [
            f"{protocol.title}. {protocol.description} {effort}{protocol.caution}".strip()])
    if network.permit_note:
        _paragraphs(_add(methods, "methodStep"), "description", [network.permit_note])
    _paragraphs(_add(methods, "qualityControl"), "description", [
        "Rows are judged by a published catalogue of rules. A row that a person must look at "
        "first is held back; a value that fails is withheld; a suspect value stands with its "
        "flag. Flags: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing."])
