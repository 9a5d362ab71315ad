"""A release read by programs that are not ours, and held to the published standards."""

from __future__ import annotations

import csv
import json
import tomllib
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import duckdb
import frictionless
import jsonschema
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest
import xmlschema
from dwca.read import DwCAReader
from metapype.eml import validate
from metapype.model import metapype_io

from shared.flags import Effect
from shared.taxa import UNSTAGED
from tests.warehouse.by_hand import AS_OF, ELVER, GLASS, Check, Rule, days, load, network, send
from warehouse.darwin_core import ARCHIVE_NAME, DWC, ECO, OBIS, TEXT_GUIDE, members
from warehouse.published import published_tables
from warehouse.release import Release, build_release
from warehouse.snapshot import SNAPSHOT_NAME
from warehouse.store import Warehouse

STANDARDS = Path(__file__).parents[2] / "fixtures" / "standards"
XSD = "http://www.w3.org/2001/XMLSchema"
TABLES = [table.name for table in published_tables()]


@pytest.fixture(scope="module")
def release(tmp_path_factory: pytest.TempPathFactory) -> Release:
    """Two sites: zeros, a night without effort, a lifted net, bycatch, awkward names."""
    with Warehouse.open(tmp_path_factory.mktemp("standards") / "network") as warehouse:
        checks = days("2026-03-01", 8)
        checks[1] = replace(checks[1], values={"water_temperature": 54.0, "recorder": "Pat Q",
                                               "salinity": 12.5, "tide_stage": "flood"})
        checks[2] = replace(checks[2], hours=None, set_before=None)
        checks[3] = replace(checks[3], counts={}, values={"net_status": "lifted"}, hours=None)
        checks[4] = replace(checks[4], counts={GLASS: 0.0, ELVER: 0.0})
        checks[5] = replace(checks[5], counts={GLASS: 3.0, ("acipenser", UNSTAGED): 1.0},
                            catch_values={GLASS: {"mortality": 1, "length": 58.5}})
        checks[6] = replace(checks[6], gear='net "B",\nupper')
        send(warehouse, "alder", "alder/a.xlsx", checks)
        send(warehouse, "birch", "birch/b.xlsx", [
            Check("2026-03-01", {GLASS: 5.0}, protocol="seine", gear="1", hours=None,
                  set_before=None, values={"hauls": 3}),
            Check("2026-03-02", {}, {"water_temperature": 4.5}, protocol="water", hours=None,
                  set_before=None)])
        load(warehouse, "alder", Rule("local_date = '2026-03-02'", "water_temperature",
                                      Effect.MASK))
        load(warehouse, "birch")
        return build_release(warehouse, network(), AS_OF, warehouse.network_dir)


def _archive(release: Release) -> zipfile.ZipFile:
    return zipfile.ZipFile(release.path / ARCHIVE_NAME)


# -- readers ------------------------------------------------------------------------------

@pytest.mark.parametrize("table", TABLES)
def test_five_readers_find_the_same_rows_in_every_table(release: Release, table: str) -> None:
    parquet, text = release.path / f"{table}.parquet", release.path / f"{table}.csv"
    arrow = pq.read_table(parquet)
    shape = (arrow.num_rows, arrow.num_columns)
    assert shape[0] > 0
    assert pl.read_parquet(parquet).shape == shape
    assert pd.read_parquet(parquet).shape == shape
    assert pd.read_csv(text).shape == shape
    with duckdb.connect() as con:
        assert con.sql(f"FROM '{parquet.as_posix()}'").fetchall()
        from_csv = con.sql(f"SELECT count(*) FROM read_csv('{text.as_posix()}', header = true, "
                           "all_varchar = true, quote = '\"', delim = ',')").fetchone()
        assert from_csv == (shape[0],)
    with duckdb.connect(str(release.path / SNAPSHOT_NAME), read_only=True) as con:
        same = con.sql(f"SELECT count(*) FROM {table}").fetchone()
        assert same == (shape[0],)


# -- data package -------------------------------------------------------------------------

def test_the_data_package_is_valid_by_frictionless(release: Release) -> None:
    report = frictionless.validate(str(release.path / "datapackage.json"))
    assert report.valid, report.flatten(["type", "note"])[:10]
    assert len(report.tasks) == len(TABLES)


def test_the_data_package_is_valid_by_the_first_standard_too(release: Release) -> None:
    schema = json.loads((STANDARDS / "tabular-data-package.json").read_text(encoding="utf-8"))
    package = json.loads((release.path / "datapackage.json").read_text(encoding="utf-8"))
    assert [error.message for error in jsonschema.Draft4Validator(schema).iter_errors(package)
            ] == []


@pytest.mark.parametrize(("table", "old", "new"), [
    ("counts", ",glass eel,10,", ",glass eel,-10,"),
    ("events", "birch:seine:1:2026-03-01T0730,birch,", "birch:seine:1:2026-03-01T0730,cedar,"),
    ("occurrences", ",present,", ",perhaps,"),
])
def test_frictionless_finds_what_the_package_forbids(
    release: Release, tmp_path: Path, table: str, old: str, new: str
) -> None:
    """Constraints and keys are in the package, not only in our heads."""
    for name in ("datapackage.json", *(f"{each}.csv" for each in TABLES)):
        content = (release.path / name).read_bytes()
        if name == f"{table}.csv":
            assert old.encode() in content
            content = content.replace(old.encode(), new.encode(), 1)
        if name == "datapackage.json":
            package = json.loads(content)
            for resource in package["resources"]:
                del resource["bytes"], resource["hash"]
            content = json.dumps(package).encode()
        (tmp_path / name).write_bytes(content)
    assert not frictionless.validate(str(tmp_path / "datapackage.json")).valid


def test_every_column_of_the_package_has_type_description_and_unit_where_it_has_one(
    release: Release,
) -> None:
    package = json.loads((release.path / "datapackage.json").read_text(encoding="utf-8"))
    for resource in package["resources"]:
        with (release.path / resource["path"]).open(encoding="utf-8", newline="") as handle:
            heading = next(csv.reader(handle))
        fields = resource["schema"]["fields"]
        assert [field["name"] for field in fields] == heading
        assert all(field["type"] and field["description"] for field in fields)
    counts = {field["name"]: field for field in package["resources"][0]["schema"]["fields"]}
    assert counts["water_temperature_c"]["unit"] == "degC"
    assert counts["count"]["constraints"] == {
        "required": True, "minimum": 0, "maximum": 2_000_000}
    assert package["resources"][0]["schema"]["foreignKeys"]
    assert "Pat" not in json.dumps(package)


# -- Darwin Core Archive --------------------------------------------------------------------

def test_meta_xml_is_valid_by_the_text_guide_and_names_only_terms_of_the_standards(
    release: Release,
) -> None:
    with _archive(release) as archive:
        meta = archive.read("meta.xml").decode()
        names = archive.namelist()
    schema = xmlschema.XMLSchema(STANDARDS / "dwc_text.xsd")
    schema.validate(meta)
    assert not schema.is_valid(meta.replace("<core ", "<heart ").replace("</core>", "</heart>"))
    terms = tomllib.loads((STANDARDS / "terms.toml").read_text(encoding="utf-8"))
    place = f"{{{TEXT_GUIDE}}}"
    for entry in ET.fromstring(meta):
        known = {space + name for space, listed in terms[entry.attrib["rowType"]].items()
                 for name in listed}
        assert {field.attrib["term"] for field in entry.iter(f"{place}field")} <= known
        assert next(entry.iter(f"{place}location")).text in names


def test_eml_is_valid_by_rules_made_from_its_schema(release: Release) -> None:
    with _archive(release) as archive:
        eml = archive.read("eml.xml").decode()
    errors: list[Any] = []
    validate.tree(metapype_io.from_xml(eml), errors)
    assert errors == []
    validate.tree(metapype_io.from_xml(eml.replace("creator>", "maker>")), errors)
    assert errors, "the rules must be able to fail"
    assert "CC-BY-4.0" in eml and "permits in force" in eml
    assert "Pat" not in eml and "@" not in eml


EML = xmlschema.XMLSchema(STANDARDS / "eml-2.2.0" / "eml.xsd")


def _eml(release: Release) -> str:
    with _archive(release) as archive:
        return archive.read("eml.xml").decode()


def test_eml_is_valid_by_its_schema(release: Release) -> None:
    eml = _eml(release)
    EML.validate(eml)
    # Where our copy of the schema leaves the content open, it would say yes to anything.
    open_names = {element.local_name for schema in EML.maps.iter_schemas()
                  for element in schema.iter_components(xmlschema.XsdElement)
                  if element.local_name and element.type.name == "{" + XSD + "}anyType"}
    assert {"project", "dataTable", "citation"} <= open_names
    assert not {element.tag for element in ET.fromstring(eml).iter()} & open_names


@pytest.mark.parametrize(("old", "new"), [
    ('packageId="', 'packageid="'),
    (' system="tallyweir"', ""),
    ("eml-2.2.0\" xmlns", "eml-2.3.0\" xmlns"),
    ("<title>", "<pubDate>2026</pubDate><title>"),
    ("creator>", "maker>"),
    ("<pubDate>2026-", "<pubDate>26-"),
    ("keyword>", "word>"),
    ("intellectualRights>", "rights>"),
    ("licenseName>", "licenceName>"),
    ("<identifier>CC-BY-4.0<", "<identifier> <"),
    ("BoundingCoordinate>4", "BoundingCoordinate>94"),
    ("BoundingCoordinate>4", "BoundingCoordinate>4,"),
    ("calendarDate>2026-", "calendarDate>March 2026-"),
    ("beginDate>", "firstDate>"),
    ("<taxonRankValue>", "<taxonRankValue></taxonRankValue><taxonRankValue>"),
    (">weekly<", ">fortnightly<"),
    ("contact>", "coordinator>"),
    ("methodStep>", "step>"),
    ("para>", "p>"),
    ("</methods>", "</methods><coverage/>"),
])
def test_eml_that_breaks_its_schema_is_found(release: Release, old: str, new: str) -> None:
    eml = _eml(release)
    assert old in eml
    assert not EML.is_valid(eml.replace(old, new))


def test_an_independent_reader_gives_back_the_table(release: Release) -> None:
    """Archive -> python-dwca-reader -> rows equals the occurrences table."""
    found = {}
    with DwCAReader(str(release.path / ARCHIVE_NAME)) as reader:
        assert reader.descriptor.core.type == DWC + "Event"
        for event in reader:
            for row in event.extensions:
                if row.rowtype == DWC + "Occurrence":
                    data = row.data
                    found[data[DWC + "occurrenceID"]] = (
                        row.core_id, data[DWC + "scientificName"], data[DWC + "lifeStage"],
                        data[DWC + "occurrenceStatus"], data[DWC + "individualCount"],
                        data[DWC + "organismQuantityType"], data[DWC + "basisOfRecord"])
    with (release.path / "occurrences.csv").open(encoding="utf-8", newline="") as handle:
        expected = {
            row["occurrence_id"]: (
                row["event_id"], row["scientific_name"],
                "" if row["life_stage"] == UNSTAGED else row["life_stage"],
                row["occurrence_status"], row["count"], "individuals", "HumanObservation")
            for row in csv.DictReader(handle)
        }
    assert found == expected
    assert {row[3] for row in found.values()} == {"present", "absent"}


def test_seasons_and_sites_stand_above_net_checks_and_no_link_dangles(release: Release) -> None:
    with DwCAReader(str(release.path / ARCHIVE_NAME)) as reader:
        rows = {row.id: row for row in reader}
        parents = {key: row.data[DWC + "parentEventID"] for key, row in rows.items()}
        types = {key: row.data[DWC + "eventType"] for key, row in rows.items()}
        assert parents["alder:2026"] == "test-bay:2026" and parents["test-bay:2026"] == ""
        assert types["test-bay:2026"] == "Season" and types["alder:2026"] == "Site in season"
        assert {parent for parent in parents.values() if parent} <= set(rows)
        assert len(rows) == 3 + pq.read_metadata(release.path / "events.parquet").num_rows
        check = rows["alder:fyke:A:2026-03-01T0730"].data
        assert check[DWC + "eventDate"] == "2026-02-28T12:30:00Z/2026-03-01T12:30:00Z"
        assert check[DWC + "sampleSizeValue"] == "24.0"
        assert check[DWC + "sampleSizeUnit"] == "net-hours"
        with duckdb.connect() as con:
            events = con.sql("SELECT event_id FROM read_parquet('"
                             f"{(release.path / 'events.parquet').as_posix()}')").fetchall()
        assert {row[0] for row in events} <= set(rows)


def test_water_and_effort_have_units_and_vocabulary_ids(release: Release) -> None:
    facts = {}
    with DwCAReader(str(release.path / ARCHIVE_NAME)) as reader:
        for event in reader:
            for row in event.extensions:
                if row.rowtype == OBIS + "ExtendedMeasurementOrFact":
                    facts[row.data[DWC + "measurementID"]] = row.data
    effort = facts["alder:fyke:A:2026-03-01T0730:effort"]
    assert (effort[DWC + "measurementValue"], effort[DWC + "measurementUnit"]) == (
        "24.0", "net-hours")
    water = facts["alder:fyke:A:2026-03-01T0730:water_temperature"]
    assert water[DWC + "measurementValue"] == "4.0"
    assert water[OBIS + "measurementTypeID"].endswith("/P01/current/TEMPPR01/")
    assert water[OBIS + "measurementUnitID"].endswith("/P06/current/UPAA/")
    assert "alder:fyke:A:2026-03-02T0730:water_temperature" not in facts, "withheld"
    assert facts["alder:fyke:A:2026-03-02T0730:tide_stage"][DWC + "measurementValue"] == "flood"


def test_effort_and_completeness_are_told_of_every_net_check(release: Release) -> None:
    told = {}
    with DwCAReader(str(release.path / ARCHIVE_NAME)) as reader:
        for event in reader:
            for row in event.extensions:
                if row.rowtype == ECO + "Event":
                    told[row.core_id] = {key.removeprefix(ECO): value
                                         for key, value in row.data.items()}
    full = told["alder:fyke:A:2026-03-01T0730"]
    assert (full["samplingEffortValue"], full["samplingEffortUnit"]) == ("24.0", "trapHours")
    assert (full["isTaxonomicScopeFullyReported"], full["isAbsenceReported"]) == ("true", "true")
    no_effort = told["alder:fyke:A:2026-03-03T0730"]
    assert (no_effort["isSamplingEffortReported"], no_effort["samplingEffortValue"]) == (
        "false", "")
    zeros = told["alder:fyke:A:2026-03-05T0730"]
    assert zeros["absentTaxa"] == "Anguilla rostrata"
    mixed = told["alder:fyke:A:2026-03-06T0730"]
    assert (mixed["hasNonTargetTaxa"], mixed["nonTargetTaxa"]) == ("true", "Acipenser")
    assert mixed["isTaxonomicScopeFullyReported"] == "false", "no elver was counted"
    assert told["alder:fyke:A:2026-03-04T0730"]["isAbundanceReported"] == "false"
    assert "birch:water::2026-03-02T0730" not in told
    assert not any(":water:" in key for key in told)


def test_the_archive_is_stored_and_carries_no_clock(release: Release) -> None:
    assert members(network())[0].row_type == DWC + "Event"
    with _archive(release) as archive:
        assert archive.testzip() is None
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {info.compress_type for info in archive.infolist()} == {zipfile.ZIP_STORED}
