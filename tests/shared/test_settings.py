"""network.toml: what it says, and how it is told that it says something wrong."""

from __future__ import annotations

import datetime as dt
import pickle
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import problems
from shared.problems import BadSettings, Problem
from shared.protocol import parse_protocol, protocols
from shared.settings import DATE_ORDERS, Network, lone_site, parse_network, unit_spelling

HEAD = """
[network]
id = "lantern-bay"
name = "Lantern Bay count"
season_start = "02-01"
season_end = "06-30"
"""
SITE = """
[sites.alder-creek]
name = "Alder Creek"
zone = "Etc/GMT+5"
"""


def test_a_network_is_read() -> None:
    network = parse_network(HEAD + SITE + """
protocols = ["fyke", "seine"]
nets = ["A", "B"]
[sites.alder-creek.profile]
date_order = "mdy"
units = {water_temperature = "degF"}
columns = {"Eels!" = "count:anguilla-rostrata", "Odd" = "-"}
[thresholds.soak-too-long]
query_hours = 60
""")
    site = network.sites["alder-creek"]
    assert (network.season_start, network.season_end) == ((2, 1), (6, 30))
    assert network.thresholds == {"soak-too-long": {"query_hours": 60.0}}
    assert site.profile.units == {"water_temperature": "degF"}
    assert site.profile.date_order in DATE_ORDERS
    assert site.gear_units(protocols()["fyke"]) == ("A", "B")
    assert site.gear_units(protocols()["seine"]) == ("1",)
    assert site.gear_units(protocols()["water"]) == ("1",)


@pytest.mark.parametrize(("text", "entry", "remedy"), [
    ("[network", "not valid TOML", "Mend the line named"),
    (SITE, "[network] lacks id, name, season_start, season_end", "Add the entries"),
    (HEAD.replace('id = "lantern-bay"', "") + SITE, "[network] lacks id", "Add the entries"),
    (HEAD, "names no site", "[sites.<id>]"),
    (HEAD.replace("02-01", "13-01") + SITE, 'season_start = "13-01"', '"02-01"'),
    (HEAD.replace("06-30", "30 June") + SITE, 'season_end = "30 June"', '"02-01"'),
    (HEAD + SITE.replace("Etc/GMT+5", "Moon/Sea"), '[sites.alder-creek] zone = "Moon/Sea"', "IANA"),
    (HEAD + SITE.replace('zone = "Etc/GMT+5"', ""), '[sites.alder-creek] zone = ""', "IANA"),
    (HEAD + SITE + 'protocols = ["dredge"]', '[sites.alder-creek] protocol "dredge"', "fyke"),
    (HEAD + SITE + 'profile.units = {ph = "degF"}', 'profile.units: ph = "degF"', "there: 1"),
    (HEAD + SITE + 'profile.units = {mood = "degF"}', '"mood" is no field', "water_temperature"),
    (HEAD + SITE + 'profile.columns = {Eels = "fish!"}', '"fish!" is no field', "or -"),
    (HEAD + SITE + 'profile.columns = {Temp = "watr_temperature"}', "is no field",
     "mean water_temperature?"),
    (HEAD + SITE + 'profile.columns = {Eels = "count:anguila-rostrata"}', "is no animal we know",
     "mean anguilla-rostrata?"),
    (HEAD + SITE + 'profile.columns = {Eels = "count:anguilla-rostrata:elvr"}',
     '"elvr" is no life stage', "glass eel"),
    (HEAD + SITE + 'profile.columns = {Sal = "salinity:anguilla-rostrata"}',
     "salinity takes no animal", '"Sal" = "salinity"'),
    (HEAD + SITE + 'profile.date_order = "ydm"', 'profile.date_order = "ydm"', "order in which"),
    (HEAD + SITE + "[thresholds]\nspike = 3", "[thresholds] spike", "[thresholds.spike]"),
    (HEAD + SITE + '[thresholds.spike]\nby = "a lot"', "[thresholds] spike", "name = number"),
])
def test_a_wrong_entry_is_named_with_what_to_write(text: str, entry: str, remedy: str) -> None:
    with pytest.raises(BadSettings) as caught:
        parse_network(text, "bay/network.toml")
    assert entry in caught.value.what
    assert remedy in caught.value.remedy
    assert str(caught.value).startswith("bay/network.toml: ")


@pytest.mark.parametrize("id_", [
    "../elsewhere", "..", "/etc", "a/b", "a\\\\b", "con", "NUL.x", "_coordinator", ".hidden",
    "x" * 65, "a\\nb", ""])
@pytest.mark.parametrize("text", [
    HEAD + SITE.replace("[sites.alder-creek]", '[sites."{}"]'),
    HEAD.replace("lantern-bay", "{}") + SITE])
def test_an_id_that_would_name_another_folder_is_refused(text: str, id_: str) -> None:
    """Ids name folders of the inbox and the outbox, and backups."""
    with pytest.raises(BadSettings, match="cannot name a folder"):
        parse_network(text.format(id_))


# -- the season -------------------------------------------------------------------------------


def _network(start: tuple[int, int], end: tuple[int, int]) -> Network:
    return replace(lone_site(), season_start=start, season_end=end)


@pytest.mark.parametrize(("date", "season", "inside"), [
    (dt.date(2025, 11, 14), 2025, False), (dt.date(2025, 11, 15), 2026, True),
    (dt.date(2025, 12, 31), 2026, True), (dt.date(2026, 1, 1), 2026, True),
    (dt.date(2026, 4, 30), 2026, True), (dt.date(2026, 5, 1), 2026, False),
])
def test_a_season_across_new_year_is_named_after_the_year_it_ends_in(
    date: dt.date, season: int, inside: bool
) -> None:
    network = _network((11, 15), (4, 30))
    assert network.season_of(date) == season
    assert network.in_season(date) is inside


@pytest.mark.parametrize(("date", "inside"), [
    (dt.date(2026, 1, 31), False), (dt.date(2026, 2, 1), True), (dt.date(2026, 6, 30), True),
    (dt.date(2026, 7, 1), False),
])
def test_a_season_within_a_year_is_that_year(date: dt.date, inside: bool) -> None:
    network = _network((2, 1), (6, 30))
    assert network.season_of(date) == 2026
    assert network.in_season(date) is inside


@given(st.dates(dt.date(2000, 1, 1), dt.date(2060, 1, 1)),
       st.sampled_from([((2, 1), (6, 30)), ((11, 15), (4, 30)), ((1, 1), (12, 31))]))
def test_a_day_is_in_season_exactly_when_the_span_of_its_season_holds_it(
    date: dt.date, span: tuple[tuple[int, int], tuple[int, int]]
) -> None:
    network = _network(*span)
    spans = [network.season_span(year) for year in range(date.year - 1, date.year + 3)]
    assert network.in_season(date) is any(start <= date <= end for start, end in spans)


# -- what a change of settings stirs ----------------------------------------------------------


def test_the_digest_changes_with_what_judges_a_site_and_with_nothing_else() -> None:
    network = parse_network(HEAD + SITE + SITE.replace("alder", "heron").replace("Alder", "Heron"))
    digest = network.digest("alder-creek")
    assert replace(network, coordinator="new@example.org").digest("alder-creek") == digest
    stirred = [
        replace(network, thresholds={"soak-too-long": {"query_hours": 60.0}}),
        replace(network, season_end=(7, 15)),
        replace(network, sites=dict(network.sites) | {
            "alder-creek": replace(network.sites["alder-creek"], nets=("A", "B"))}),
    ]
    assert len({digest, *(changed.digest("alder-creek") for changed in stirred)}) == 4


def test_a_lone_sheet_has_a_season_all_year() -> None:
    network = lone_site("creek")
    assert network.in_season(dt.date(2026, 1, 1)) and network.in_season(dt.date(2026, 12, 31))
    assert set(network.sites["creek"].protocols) == set(protocols())


@pytest.mark.parametrize(("unit", "shown"), [("uS/cm", "µS/cm"), ("1", ""), ("deg", ""),
                                             ("degC", "degC")])
def test_units_are_shown_to_people(unit: str, shown: str) -> None:
    assert unit_spelling(unit) == shown


# -- protocols --------------------------------------------------------------------------------

FYKE = """
id = "f"
title = "t"
description = "d"
version = 1
effort_field = "hours_fished"
effort_unit = "net-hours"
cpue_hours = 24
gear_from = "nets"
pigment_scale = "none"
required = ["count"]
targets = [{taxon = "anguilla-rostrata", life_stage = "elver"}]
field_card.caution = "Mind the tide."
"""


def test_a_protocol_is_read_and_gives_its_unit_of_catch() -> None:
    protocol = parse_protocol(FYKE, "f.toml")
    assert (protocol.cpue_unit, protocol.cpue_scale) == ("animals per 24 net-hours", 24)
    assert protocols()["seine"].cpue_unit == "animals per haul"
    assert protocols()["water"].cpue_unit is None


@pytest.mark.parametrize(("text", "said"), [
    ("id = ", "cannot be read"), (FYKE.replace('title = "t"', ""), "'title'"),
    (FYKE.replace("hours_fished", "hours_dreamt"), "hours_dreamt"),
    (FYKE.replace("elver", "teen"), "teen"), (FYKE.replace("rostrata", "x"), "anguilla-x"),
    (FYKE.replace('["count"]', '["tally"]'), "tally"),
])
def test_a_wrong_protocol_is_named(text: str, said: str) -> None:
    with pytest.raises(BadSettings) as caught:
        parse_protocol(text, "f.toml")
    assert said in caught.value.what
    assert caught.value.where == "f.toml"


# -- problems ---------------------------------------------------------------------------------

PROBLEMS = sorted(
    (kind for kind in vars(problems).values()
     if isinstance(kind, type) and issubclass(kind, Problem)), key=lambda kind: kind.__name__)


@pytest.mark.parametrize("kind", PROBLEMS, ids=lambda kind: kind.__name__)
def test_a_problem_survives_pickling(kind: type[Problem]) -> None:
    problem = kind("It is torn.", "Mend it.", "net.csv")
    back = pickle.loads(pickle.dumps(problem))
    assert type(back) is kind
    assert back.trouble == problem.trouble
    assert str(back) == "net.csv: It is torn. Mend it."


def test_problems_have_codes_of_their_own() -> None:
    codes = [kind.code for kind in PROBLEMS if kind is not problems.UnreadableFile]
    assert len(set(codes)) == len(codes)


def test_a_problem_with_no_place_is_said_without_one() -> None:
    assert str(Problem("It is torn.", "Mend it.")) == "It is torn. Mend it."
