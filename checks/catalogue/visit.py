"""Rules about the visit: what sky, air, people and place say of one another."""

from __future__ import annotations

import math
from collections.abc import Iterator

from checks.relations import local_median_sql
from checks.rule import (
    Case,
    Limits,
    Outside,
    Over,
    Probe,
    Rule,
    Suggestion,
    Threshold,
    suggest_number,
)
from shared.flags import Effect
from shared.settings import Network

_WATER, _AIR = "e.water_temperature", "e.air_temperature"


# -- air and water ----------------------------------------------------------------------------


def _temperature_pair(limits: Limits, _: Network) -> Iterator[Probe]:
    near, apart = limits["near"], limits["apart"]
    # The other sites' water is known best where several measured it; the air swings more.
    swapped = (
        f"n.water_temperature_sites >= 2 AND n.air_temperature_sites >= 2 "
        f"AND abs({_WATER} - {_AIR}) > {2 * near!r} "
        f"AND abs({_WATER} - n.air_temperature) < {near!r} "
        f"AND abs({_AIR} - n.water_temperature) < {near!r} "
        f"AND abs({_WATER} - n.water_temperature) > {near!r}"
    )
    far = f"abs({_WATER} - {_AIR}) > {min(apart, 2 * near)!r}"
    facts = {
        "air": _AIR, "water": _WATER,
        "air_text": f"format('{{:.1f}}', {_AIR})", "water_text": f"format('{{:.1f}}', {_WATER})",
        "usual_water": local_median_sql("water_temperature"),
        "usual_air": local_median_sql("air_temperature"),
    }
    for name in ("water_temperature", "air_temperature"):
        yield Probe(
            Over.NEIGHBOURS, name, Effect.QUERY, swapped, facts=facts | {"swapped": "1.0"},
            message="Water {water_text} and air {air_text} degC fit the other sites the other "
            "way round.",
            guard=far,
        )
    # What is beyond all water or air has a rule of its own.
    odd = (
        f"abs({_WATER} - {_AIR}) > {apart!r} AND {_WATER} BETWEEN -2 AND 40 "
        f"AND {_AIR} BETWEEN -40 AND 50"
    )
    for name in ("water_temperature", "air_temperature"):
        yield Probe(
            Over.NEIGHBOURS, name, Effect.QUERY, f"{odd} AND NOT coalesce({swapped}, FALSE)",
            facts=facts | {"near_water": "n.water_temperature", "near_air": "n.air_temperature"},
            keep=_stray, guard=far,
        )


def _stray(case: Case) -> bool:
    """Whether this of the two is the one that strays from the other sites, or the days around.

    Where nothing tells them apart, both are.
    """
    strays = {}
    for name, value in (("water", case.fact("water")), ("air", case.fact("air"))):
        expected = case.fact(f"near_{name}")
        expected = case.fact(f"usual_{name}") if expected is None else expected
        if value is None or expected is None:
            return True
        strays[f"{name}_temperature"] = abs(value - expected)
    mine = strays.pop(case.field)
    (other,) = strays.values()
    return mine > other + 5 or abs(mine - other) <= 5


def _the_other(case: Case) -> Suggestion | None:
    if case.fact("swapped") is None:
        return None
    other = case.fact("air" if case.field == "water_temperature" else "water")
    return None if other is None else suggest_number(case, other)


# -- ice and sky ------------------------------------------------------------------------------

_ICE = r"\b(ice|icy|iced|frozen|frazil|slush)\b"
_NO_ICE = (
    r"\b(no|not|without|free of|gone|out|off|melted|clear of|last|cream|pack|packs|box|chest|"
    r"bucket|cooler|tea|on ice)\b"
)
"""What makes the word tell of no ice on the water: "no ice", "ice out", "kept on ice"."""


def _ice(limits: Limits, _: Network) -> Iterator[Probe]:
    said = "lower(e.remarks)"
    warm = (
        f"{_WATER} > {limits['degrees']!r} AND {_WATER} <= 40 AND e.remarks IS NOT NULL"
    )
    yield Probe(
        Over.EVENTS,
        "water_temperature",
        Effect.QUERY,
        f"{warm} AND regexp_matches({said}, '{_ICE}') AND NOT regexp_matches({said}, '{_NO_ICE}')",
        facts={"remark": "e.remarks", "water_text": f"format('{{:.1f}}', {_WATER})"},
        guard=warm,
    )


def _clear_sky(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.EVENTS,
        "precipitation",
        Effect.NOTE,
        f"e.precipitation > {limits['mm']!r} AND e.cloud_cover <= {limits['cloud']!r}",
        facts={"sky": "format('{:.0f}', e.cloud_cover)"},
        guard=f"e.precipitation > {limits['mm']!r} AND e.cloud_cover <= {limits['cloud']!r}",
    )


# -- people -----------------------------------------------------------------------------------


def _observers(limits: Limits, _: Network) -> Iterator[Probe]:
    yield Probe(
        Over.EVENTS,
        "observers",
        Effect.QUERY,
        "e.observers <> floor(e.observers)",
        message="{field} says {raw}: people come whole.",
        guard="e.observers <> floor(e.observers)",
    )
    given = f"e.volunteer_hours > {limits['hours_each']!r} * e.observers"
    yield Probe(
        Over.EVENTS,
        "volunteer_hours",
        Effect.QUERY,
        f"{given} AND e.observers > 0",
        facts={
            "given_text": "format('{:g}', e.volunteer_hours)",
            "people": "format('{:.0f}', e.observers)",
        },
        guard=given,
    )
    yield Probe(
        Over.EVENTS,
        "observers",
        Effect.QUERY,
        "e.observers = 0 AND e.volunteer_hours > 0",
        facts={"given_text": "format('{:g}', e.volunteer_hours)"},
        message="{field} says 0, yet {given_text} volunteer hours are given.",
        guard="e.observers = 0 AND e.volunteer_hours > 0",
    )
    # 2 became 22: the key was pressed twice. A school class is seldom just that many.
    yield Probe(
        Over.EVENTS,
        "observers",
        Effect.QUERY,
        "e.observers IN (11, 22, 33, 44, 55, 66, 77, 88, 99)",
        facts={"usual": local_median_sql("observers", of_rows=5), "times": repr(limits["times"])},
        keep=_pressed_twice,
        message="{field} says {raw}, where this site has few; it looks like a key pressed twice.",
        guard=Outside("e.observers", None, 10.0),
    )


def _pressed_twice(case: Case) -> bool:
    usual, times = case.fact("usual"), case.fact("times")
    return (case.value is not None and usual is not None and times is not None
            and case.value > times * usual)


def _pressed_once(case: Case) -> Suggestion | None:
    if case.field != "observers" or "times" not in case.facts or case.value is None:
        return None
    return suggest_number(case, case.value // 10)


# -- place ------------------------------------------------------------------------------------

_KM_A_DEGREE = 111.2
"""Kilometres in a degree of latitude: a sphere of radius 6,371 km."""


def _position(limits: Limits, network: Network) -> Iterator[Probe]:
    placed = [site for site in network.sites.values()
              if site.latitude is not None and site.longitude is not None]
    if not placed:
        return
    most = limits["metres"] / 1000

    def home(what: str) -> str:
        return "CASE e.site " + " ".join(
            f"WHEN '{site.id}' THEN {float(getattr(site, what))!r}" for site in placed) + " END"

    home_lat, home_lon = home("latitude"), home("longitude")
    north = f"(e.latitude - {home_lat}) * {_KM_A_DEGREE!r}"
    east = f"(e.longitude - {home_lon}) * {_KM_A_DEGREE!r} * cos(radians({home_lat}))"
    distance = f"sqrt(pow({north}, 2) + pow({east}, 2))"
    facts = {
        "home_latitude": home_lat, "home_longitude": home_lon,
        "row_latitude": "e.latitude", "row_longitude": "e.longitude",
        "most": repr(most), "km_away": f"format('{{:.0f}}', {distance})",
    }
    for name in ("latitude", "longitude"):
        yield Probe(
            Over.EVENTS, name, Effect.QUERY, f"{distance} > {most!r}", facts=facts,
            keep=_out_of_place, guard=f"{distance} > {most!r}",
        )


def _km_off(case: Case, what: str, value: float) -> float:
    home_lat = case.fact("home_latitude") or 0.0
    home = case.fact(f"home_{what}") or 0.0
    scale = 1.0 if what == "latitude" else math.cos(math.radians(home_lat))
    return abs(value - home) * _KM_A_DEGREE * scale


def _out_of_place(case: Case) -> bool:
    """Whether this coordinate, not only the other one, lies off the site."""
    value = case.fact(f"row_{case.field}")
    return value is not None and _km_off(case, case.field, value) > (case.fact("most") or 0.0) / 2


def _put_right(case: Case) -> Suggestion | None:
    """A lost sign, or the other coordinate where the two changed columns."""
    other = "longitude" if case.field == "latitude" else "latitude"
    mine, theirs = case.fact(f"row_{case.field}"), case.fact(f"row_{other}")
    if mine is None or theirs is None:
        return None
    near = [value for value in (-mine, theirs, -theirs)
            if _km_off(case, case.field, value) <= (case.fact("most") or 0.0)]
    return suggest_number(case, near[0]) if len(near) == 1 else None



RULES = (
    Rule(
        id="temperature-pair",
        title="Air and water temperature that do not go together",
        about="The two changed columns, as the other sites' readings of the day show; or they "
        "lie further apart than a creek and its air do. The one that strays from the other sites, "
        "or from the days around, is pointed at, else both.",
        source="common practice: water follows the air of some days within some degrees",
        effect=Effect.QUERY,
        message="Water {water_text} and air {air_text} degC are far apart.",
        remedy="Check both against the field sheet.",
        probes=_temperature_pair,
        suggest=_the_other,
        thresholds={
            "near": Threshold(4.0, "degC", "how near the other sites a reading must be to be "
                              "theirs"),
            "apart": Threshold(24.0, "degC", "differences up to this are weather"),
        },
        yields_to=("temperature-unit",),
        pairs=True,
        example={"water_text": "4.5", "air_text": "31.0"},
    ),
    Rule(
        id="ice-in-warm-water",
        title="Ice, and warm water",
        about="The remarks tell of ice and the thermometer of water in which none lasts. Ice "
        "that is gone, in a cooler or in words like \"no ice\" is not meant.",
        source="ice melts above -1.9 to 0 degC, by salinity; floes drift into water of some "
        "degrees, common practice",
        effect=Effect.QUERY,
        message='Water of {water_text} degC, and the remarks say "{remark}".',
        remedy="Check the water temperature and its unit, or tell us where the ice was.",
        probes=_ice,
        thresholds={"degrees": Threshold(7.0, "degC", "warmest water that ice may drift in")},
        yields_to=("temperature-unit", "temperature-pair"),
        example={"water_text": "14.0", "remark": "ice along the bank"},
    ),
    Rule(
        id="rain-from-clear-sky",
        title="Rain, and a clear sky",
        about="Rain is of the day before and the sky of the moment, so both may be right. Noted, "
        "never asked.",
        source="common practice",
        effect=Effect.NOTE,
        message="{raw} of rain, and only {sky} % of the sky is cloud.",
        remedy="Nothing to do if it cleared since.",
        probes=_clear_sky,
        thresholds={
            "mm": Threshold(10.0, "mm", "less rain is not worth a note"),
            "cloud": Threshold(12.5, "%", "a sky with no more cloud is clear: one okta"),
        },
        yields_to=("precipitation-unit", "out-of-range", "implausible"),
        example={"raw": "24.5", "sky": "0"},
    ),
    Rule(
        id="observer-count",
        title="People and hours that do not go together",
        about="Volunteer hours are of all people together: more than a long day of each, or "
        "hours given by nobody, are a slip. People come whole. A digit that stands twice (22 "
        "for 2) is told by what the site has usually.",
        source="common practice",
        effect=Effect.QUERY,
        message="{given_text} volunteer hours are much for {people} people.",
        remedy="Check both; hours are those of all people together.",
        probes=_observers,
        suggest=_pressed_once,
        thresholds={
            "hours_each": Threshold(12.0, "h", "the longest day of one person"),
            "times": Threshold(4.0, "", "a doubled digit that is so many times the site's usual "
                               "is asked about"),
        },
        yields_to=("out-of-range", "implausible"),
        example={"given_text": "45", "people": "2"},
    ),
    Rule(
        id="position-off-site",
        title="A position away from the site",
        about="Coordinates in the sheet against the site's in network.toml. A lost minus sign, "
        "or the two in each other's column, is told as such.",
        source="common practice; 111.2 km to a degree of latitude",
        effect=Effect.QUERY,
        message="This row's position is {km_away} km from the site.",
        remedy="Check the sign, the order and the digits; or tell us if the net was moved.",
        probes=_position,
        suggest=_put_right,
        thresholds={"metres": Threshold(2000.0, "m", "how far from its site a net may be")},
        yields_to=("out-of-range",),
        pairs=True,
        example={"km_away": "38"},
    ),
)
