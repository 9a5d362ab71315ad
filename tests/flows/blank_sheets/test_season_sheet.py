"""A sheet that a site filled in from ours is understood in full and asks no question."""

from __future__ import annotations

import datetime as dt
import io
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from filled_in import SEASON, fill_in, season_lines
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fixtures.lantern_bay import SITES, settings_text
from flows.blank_sheets import write_season_sheet
from flows.blank_sheets.columns import BlankColumn, columns_of
from flows.blank_sheets.season_sheet import HOW_TO_SHEET, rule_for, season_dates, tab_name
from flows.checking import Checked, check_bytes
from flows.intake.recognising import CONFIDENCE_LINE
from shared.fields import FIELDS, Group, Kind, Level
from shared.problems import NothingRecognised
from shared.protocol import protocols
from shared.settings import Network, Profile, Site, parse_network
from shared.units import convert

NETWORK = parse_network(settings_text(SITES))
AS_OF = dt.date(2026, 11, 25)


def _checked(path: Path, site: Site, **options: Any) -> Checked:
    network = replace(NETWORK, sites={**NETWORK.sites, site.id: site})
    return check_bytes(fill_in(path, site, network, **options), "season.xlsx", network, site.id,
                       AS_OF)


def _as_asked(checked: Checked, site: Site, protocol_id: str) -> None:
    """Every heading of the protocol's tab was taken for what it stands for, in its unit."""
    asked = columns_of(site, protocols()[protocol_id])
    table = next(t for t in checked.recognised.tables if t.protocol == protocol_id)
    understood = {column.index: column for column in table.columns}
    assert sorted(understood) == list(range(len(asked)))
    for index, column in enumerate(asked):
        found = understood[index]
        assert found.field == column.field, (column.heading, found)
        assert found.unit == column.unit, (column.heading, found)
        assert not column.sign or found.unit_from == "heading", (column.heading, found)
        assert found.confidence > CONFIDENCE_LINE, (column.heading, found)
        assert found.taxon == column.taxon, (column.heading, found)
        if column.life_stage:
            assert found.life_stage == column.life_stage, (column.heading, found)


@pytest.mark.parametrize("site_id", sorted(NETWORK.sites))
def test_a_filled_in_season_passes_with_no_finding(tmp_path: Path, site_id: str) -> None:
    site = NETWORK.sites[site_id]
    checked = _checked(tmp_path / "s.xlsx", site)
    assert [f"{f.rule} {f.cell}: {f.message}" for f in checked.findings] == []
    assert checked.trouble is None
    assert [name for name, _ in checked.recognised.left_aside] == [HOW_TO_SHEET]
    assert len(checked.recognised.tables) == len(site.protocols)
    assert not any(table.skipped for table in checked.recognised.tables)
    for protocol_id in site.protocols:
        _as_asked(checked, site, protocol_id)


@pytest.mark.parametrize("site_id", ["cinderpath-brook", "dorymans-creek"])
def test_what_was_typed_is_what_is_staged(tmp_path: Path, site_id: str) -> None:
    site = NETWORK.sites[site_id]
    staged = _checked(tmp_path / "s.xlsx", site).staged
    fyke = protocols()["fyke"]
    columns = columns_of(site, fyke)
    lines = season_lines(site, fyke, columns, 45)
    events = [i for i, p in enumerate(staged.events["protocol"]) if p == "fyke"]
    assert len(events) == len(lines)
    for number, line in zip(events, lines, strict=True):
        for column, typed in zip(columns, line, strict=True):
            if column.animal:
                continue
            value = staged.events[column.field][number]
            if isinstance(typed, (int, float)) and column.unit and column.entry.unit:
                typed = pytest.approx(convert(typed, column.unit, column.entry.unit), abs=1e-6)
            if column.field == "net_status" and typed is None:
                continue
            assert value == typed, column.heading
    rows = {staged.events["row_id"][i] for i in events}
    for animal, taxon, stage in (("Glass eels", "anguilla-rostrata", "glass eel"),
                                 ("Mummichog", "fundulus-heteroclitus", "unspecified")):
        for field in ("count", "mortality"):
            place = next(i for i, c in enumerate(columns)
                         if c.animal == animal and c.field == field)
            found = [staged.catches[field][i] for i in range(len(staged.catches["count"]))
                     if staged.catches["row_id"][i] in rows
                     and staged.catches["taxon"][i] == taxon
                     and staged.catches["life_stage"][i] == stage]
            typed_in = [line[place] for line in lines if line[place] is not None]
            assert [v for v in found if v is not None] == typed_in
            assert 0 in typed_in


def test_every_unit_a_site_may_keep_is_understood_from_the_heading(tmp_path: Path) -> None:
    plain = NETWORK.sites["jackstraw-creek"]
    most = max(len(entry.accepted) for entry in FIELDS.values())
    for number in range(1, most):
        units = {entry.id: entry.accepted[min(number, len(entry.accepted) - 1)]
                 for entry in FIELDS.values() if len(entry.accepted) > 1}
        site = replace(plain, profile=Profile(units=units))
        checked = _checked(tmp_path / "s.xlsx", site, days=30)
        for protocol_id in site.protocols:
            _as_asked(checked, site, protocol_id)


def test_a_tab_that_nobody_used_does_no_harm(tmp_path: Path) -> None:
    site = NETWORK.sites["dorymans-creek"]
    checked = _checked(tmp_path / "s.xlsx", site, leave=("seine",))
    assert checked.findings == []
    assert [table.protocol for table in checked.recognised.tables] == ["fyke"]


def test_an_empty_sheet_is_refused_with_a_sentence_and_reads_as_no_data(tmp_path: Path) -> None:
    path = tmp_path / "s.xlsx"
    write_season_sheet(path, NETWORK.sites["alder-creek"], NETWORK, SEASON)
    with pytest.raises(NothingRecognised, match="no row with a date"):
        check_bytes(path.read_bytes(), "s.xlsx", NETWORK, "alder-creek", AS_OF)


@pytest.mark.parametrize("nets", [("1", "2"), ("upper", "lower"), ("A", "B, old", "C")])
def test_nets_of_any_name_are_told_apart(tmp_path: Path, nets: tuple[str, ...]) -> None:
    site = replace(NETWORK.sites["alder-creek"], nets=nets)
    checked = _checked(tmp_path / "s.xlsx", site, days=20)
    assert checked.findings == []
    assert set(checked.staged.events["gear_unit"]) == set(nets)


def test_a_heading_that_the_site_reads_otherwise_gives_way(tmp_path: Path) -> None:
    claimed = {"Remarks": "-", "pH": "turbidity", "Net status": "count_method",
               "Glass eels": "hours_fished"}
    site = replace(NETWORK.sites["alder-creek"], profile=Profile(columns=claimed))
    _as_asked(_checked(tmp_path / "s.xlsx", site, days=30), site, "fyke")


def test_a_new_water_field_of_the_dictionary_is_asked_for() -> None:
    asked = {c.field for c in columns_of(NETWORK.sites["alder-creek"], protocols()["fyke"])}
    watery = {entry.id for entry in FIELDS.values()
              if entry.group in (Group.WATER, Group.WEATHER) and entry.level is Level.EVENT}
    assert watery - asked == {"conductivity"}


def test_every_target_of_every_protocol_has_its_columns() -> None:
    for protocol in protocols().values():
        asked = {(c.taxon, c.life_stage, c.field)
                 for c in columns_of(NETWORK.sites["alder-creek"], protocol)}
        for target in protocol.targets:
            for field in ("count", "released", "mortality", "kept"):
                assert (target.taxon, target.life_stage, field) in asked
        if protocol.effort_field:
            assert (None, None, protocol.effort_field) in asked


# -- what the cells say and allow --------------------------------------------------------------


def _allowed(column: BlankColumn, rule: dict[str, Any], value: Any) -> bool:
    if rule["validate"] == "any":
        return True
    if rule["validate"] == "list":
        return value in rule["source"]
    if column.entry.kind is Kind.WHOLE and value != int(value):
        return False
    if rule["criteria"] == "between":
        return bool(rule["minimum"] <= value <= rule["maximum"])
    return bool(value <= rule["value"] if rule["criteria"] == "<=" else value >= rule["value"])


@pytest.mark.parametrize("site_id", ["cinderpath-brook", "jackstraw-creek", "dorymans-creek"])
def test_nothing_valid_is_stopped_and_the_impossible_is(site_id: str) -> None:
    site = NETWORK.sites[site_id]
    for protocol_id in site.protocols:
        protocol = protocols()[protocol_id]
        columns = columns_of(site, protocol)
        span = season_dates(NETWORK, protocol, SEASON)
        rules = [rule_for(column, span) for column in columns]
        for line in season_lines(site, protocol, columns, 60):
            for column, rule, value in zip(columns, rules, line, strict=True):
                assert value is None or _allowed(column, rule, value), (column.heading, value)
        for column, rule in zip(columns, rules, strict=True):
            _, high = column.possible
            if high is not None:
                assert not _allowed(column, rule, high * 1.01 + 1), column.heading
                assert rule.get("error_type", "stop") == "stop"
            if column.entry.kind is Kind.DATE:
                assert rule["error_type"] == "warning"
                assert not _allowed(column, rule, dt.date(SEASON - 1, 4, 1))


def test_limits_are_in_the_unit_of_the_sheet() -> None:
    # Water freezes at 32 degF: the possible -2 degC is 28.4 degF, 40 degC is 104 degF.
    columns = columns_of(NETWORK.sites["cinderpath-brook"], protocols()["fyke"])
    water = next(c for c in columns if c.field == "water_temperature")
    rule = rule_for(water, (dt.date(2026, 2, 1), dt.date(2026, 6, 15)))
    assert (rule["minimum"], rule["maximum"]) == (28.4, 104.0)
    assert water.heading == "Water temperature (°F)"
    assert "28.4 to 104 °F" in rule["error_message"]


def test_the_workbook_itself(tmp_path: Path) -> None:
    site = NETWORK.sites["dorymans-creek"]
    path = tmp_path / "s.xlsx"
    write_season_sheet(path, site, NETWORK, SEASON)
    with zipfile.ZipFile(path) as parts:
        assert not [name for name in parts.namelist() if "vba" in name.lower()]
        assert not [name for name in parts.namelist()
                    if "worksheets/" in name and b"<f>" in parts.read(name)]
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == [HOW_TO_SHEET, "Fyke", "Seine"]
    assert book.active is not None and book.active.title == "Fyke"
    for protocol_id in site.protocols:
        protocol = protocols()[protocol_id]
        sheet = book[tab_name(protocol)]
        columns = columns_of(site, protocol)
        assert sheet.max_row == 1, "nothing but headings"
        assert sheet.freeze_panes in ("B2", "C2")
        assert sheet.print_title_rows == "$1:$1"
        rules = {str(r.sqref).split(":")[0]: r for r in sheet.data_validations.dataValidation}
        for index, column in enumerate(columns, start=1):
            rule = rules[sheet.cell(2, index).coordinate]
            assert rule.prompt and len(rule.prompt) <= 255 and len(rule.promptTitle) <= 32
            assert not rule.error or len(rule.error) <= 255
            if column.choices:
                assert rule.type == "list"
                assert rule.formula1.strip('"').split(",") == list(column.choices)
            letter = sheet.cell(1, index).column_letter
            assert 7 < sheet.column_dimensions[letter].width < 50
            shown = sheet.column_dimensions[letter].number_format
            if column.entry.kind is Kind.DATE:
                assert shown == "yyyy-mm-dd"
            if column.entry.kind is Kind.TIME:
                assert shown == "hh:mm"
    said = " ".join(str(row[0]) for row in book[HOW_TO_SHEET].iter_rows(values_only=True))
    for protocol_id in site.protocols:
        assert protocols()[protocol_id].caution in said
    assert NETWORK.permit_note in said and NETWORK.coordinator in said


def test_the_same_arguments_give_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one.xlsx", "two.xlsx"):
        write_season_sheet(tmp_path / name, NETWORK.sites["dorymans-creek"], NETWORK, SEASON)
    assert (tmp_path / "one.xlsx").read_bytes() == (tmp_path / "two.xlsx").read_bytes()


def test_a_season_over_new_year_takes_dates_of_both_years() -> None:
    winter = replace(NETWORK, season_start=(11, 1), season_end=(3, 31))
    fyke = protocols()["fyke"]
    span = season_dates(winter, fyke, 2026)
    column = columns_of(NETWORK.sites["alder-creek"], fyke)[0]
    rule = rule_for(column, span)
    assert _allowed(column, rule, dt.date(2025, 12, 24))
    assert _allowed(column, rule, dt.date(2026, 3, 31))
    assert not _allowed(column, rule, dt.date(2026, 5, 1))


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(min_size=1, max_size=90),
       chosen=st.lists(st.sampled_from(sorted(protocols())), min_size=1, unique=True))
def test_any_name_and_any_protocols_make_a_sheet_that_opens(
    tmp_path: Path, name: str, chosen: list[str]
) -> None:
    site = Site("odd", name, "UTC", protocols=tuple(chosen), seines=("1", "2"))
    network: Network = replace(NETWORK, sites={"odd": site}, name=name, permit_note=name)
    path = tmp_path / "odd.xlsx"
    write_season_sheet(path, site, network, SEASON)
    book = openpyxl.load_workbook(io.BytesIO(path.read_bytes()))
    assert len(book.sheetnames) == len(chosen) + 1
    assert not any(cell.data_type == "f" for sheet in book for row in sheet for cell in row)
