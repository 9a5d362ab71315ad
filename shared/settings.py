"""A network's settings: what ``network.toml`` says, checked and typed.

Parsing takes text, so that this package stays free of files; whoever reads the
file passes its name along for the messages.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from shared.fields import FIELDS, Level
from shared.identity import names_a_folder, short_digest
from shared.operating import Operating, parse_operating
from shared.problems import BadSettings
from shared.protocol import Protocol, protocols
from shared.taxa import ALL_STAGES, STAGES, TAXA, UNSTAGED
from shared.units import UNITS

DATE_ORDERS = ("dmy", "mdy", "ymd")


@dataclass(frozen=True, slots=True)
class Profile:
    """What a site's sheets do not say themselves.

    ``units``: field id -> unit id, where no heading, units row or cell gives one.
    ``columns``: heading as written -> field id (``"-"``: leave the column aside).
    """

    units: Mapping[str, str] = field(default_factory=dict)
    columns: Mapping[str, str] = field(default_factory=dict)
    date_order: str | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """One partner site."""

    id: str
    name: str
    zone: str
    latitude: float | None = None
    longitude: float | None = None
    protocols: tuple[str, ...] = ("fyke",)
    nets: tuple[str, ...] = ("A",)
    seines: tuple[str, ...] = ("1",)
    contact: str = ""
    profile: Profile = field(default_factory=Profile)

    def gear_units(self, protocol: Protocol) -> tuple[str, ...]:
        """Names of the gear units that ``protocol`` uses here; one of them at least."""
        named = {"nets": self.nets, "seines": self.seines}.get(protocol.gear_from, ())
        return named or ("1",)


@dataclass(frozen=True, slots=True)
class Publishing:
    """What the network sets for its releases, in ``[release]``."""

    publisher: str = ""
    """Who answers for the data; empty: the network's own name."""
    protected_decimals: int = 2
    """Decimal degrees kept of a site's position once a protected animal was caught there."""
    largest_drop: float = 0.05
    """Share of a site's events in a season that a release may lose without a reason on record."""
    parts_from: int = 500_000
    """Events from which on a release is published in parts (:mod:`warehouse.release_parts`)."""


@dataclass(frozen=True, slots=True)
class Network:
    """A network of sites and what holds for all of them."""

    id: str
    name: str
    season_start: tuple[int, int]
    season_end: tuple[int, int]
    licence: str
    coordinator: str
    permit_note: str
    sites: Mapping[str, Site]
    thresholds: Mapping[str, Mapping[str, float]]
    """Rule id -> threshold name -> value: only what differs from the catalogue's defaults."""
    publishing: Publishing = field(default_factory=Publishing)
    operating: Operating = field(default_factory=Operating)

    def season_of(self, date: dt.date) -> int:
        """The season (a year) that ``date`` is counted to.

        A season that crosses New Year is named after the year it ends in.
        """
        if self.season_start <= self.season_end:
            return date.year
        return date.year + (1 if (date.month, date.day) >= self.season_start else 0)

    def season_sql(self, date: str) -> str:
        """SQL: as :meth:`season_of`, of the column ``date``."""
        if self.season_start <= self.season_end:
            return f"year({date})::INTEGER"
        month, day = self.season_start
        return (f"(year({date}) + (month({date}) * 100 + day({date}) >= {month * 100 + day})"
                "::INTEGER)::INTEGER")

    def season_span(self, season: int) -> tuple[dt.date, dt.date]:
        """First and last day of ``season``."""
        crosses = self.season_start > self.season_end
        start = dt.date(season - 1 if crosses else season, *self.season_start)
        return start, dt.date(season, *self.season_end)

    def in_season(self, date: dt.date) -> bool:
        """Whether ``date`` lies within a season of the network."""
        start, end = self.season_span(self.season_of(date))
        return start <= date <= end

    def digest(self, site: str) -> str:
        """Changes whenever a setting that judges ``site`` changes."""
        return short_digest(
            self.season_start,
            self.season_end,
            self.sites[site],
            sorted((rule, sorted(values.items())) for rule, values in self.thresholds.items()),
        )


def lone_site(name: str = "site") -> Network:
    """The settings that ``check FILE`` uses when no network is named: a season all year."""
    return Network(
        id="",
        name="",
        season_start=(1, 1),
        season_end=(12, 31),
        licence="",
        coordinator="",
        permit_note="",
        sites={name: Site(name, name, "UTC", protocols=tuple(protocols()))},
        thresholds={},
    )


def _month_day(text: Any, key: str, where: str) -> tuple[int, int]:
    try:
        month, day = (int(part) for part in str(text).split("-"))
        dt.date(2024, month, day)
    except ValueError as error:
        raise BadSettings(
            f'[network] {key} = "{text}" is not a day of the year.',
            'Write month and day, as in "02-01".',
            where,
        ) from error
    return month, day


def _check_meaning(
    heading: str, meaning: str, refuse: Callable[[str, str], BadSettings]
) -> None:
    """Hold a line of ``profile.columns`` to the dictionary: field, animal and stage if named."""
    if meaning == "-":
        return
    field_id, *named = meaning.split(":")
    here = f'profile.columns: "{heading}" = "{meaning}"'
    if field_id not in FIELDS:
        near = get_close_matches(field_id, FIELDS, 1)
        raise refuse(
            f'{here}: "{field_id}" is no field.',
            (f"Did you mean {near[0]}? " if near else "")
            + "Use a field id of the dictionary, or - to leave the column aside.",
        )
    if not named:
        return
    if FIELDS[field_id].level is not Level.CATCH or len(named) > 2:
        raise refuse(f"{here}: {field_id} takes no animal.", f'Write "{heading}" = "{field_id}".')
    if named[0] not in TAXA:
        near = get_close_matches(named[0], TAXA, 1)
        raise refuse(
            f'{here}: "{named[0]}" is no animal we know.',
            (f"Did you mean {near[0]}? " if near else "") + f"Known are: {', '.join(TAXA)}.",
        )
    known = dict.fromkeys((*STAGES, ALL_STAGES, UNSTAGED))
    if len(named) == 2 and named[1] not in known:
        raise refuse(f'{here}: "{named[1]}" is no life stage.', f"Known are: {', '.join(known)}.")


_SITE_KEYS = frozenset(
    {"name", "zone", "latitude", "longitude", "protocols", "nets", "seines", "contact", "profile",
     "collect", "quiet_weeks", "reminders"}
)


def _site(site_id: str, raw: dict[str, Any], where: str) -> Site:
    here = f"[sites.{site_id}]"

    def refuse(what: str, remedy: str) -> BadSettings:
        return BadSettings(f"{here} {what}", remedy, where)

    strange = sorted(set(raw) - _SITE_KEYS)
    if strange:
        raise refuse(
            f'"{strange[0]}" is no entry of a site.',
            f"Entries are: {', '.join(sorted(_SITE_KEYS))}.",
        )
    for name, limit in (("latitude", 90), ("longitude", 180)):
        value = raw.get(name, 0)
        if not isinstance(value, (int, float)) or abs(value) > limit:
            raise refuse(
                f"{name} = {value} is not a position.",
                f"Write decimal degrees between -{limit} and {limit}.",
            )
    zone = str(raw.get("zone", ""))
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise refuse(
            f'zone = "{zone}" is not a time zone.', "Use an IANA name such as Etc/UTC or CET."
        ) from error
    known = protocols()
    chosen = tuple(raw.get("protocols", ("fyke",)))
    for protocol in chosen:
        if protocol not in known:
            raise refuse(f'protocol "{protocol}" is not known.', f"Known are: {', '.join(known)}.")
    profile = raw.get("profile", {})
    units = dict(profile.get("units", {}))
    for field_id, unit_id in units.items():
        if field_id not in FIELDS:
            raise refuse(
                f'profile.units: "{field_id}" is no field.',
                "Use a field id such as water_temperature.",
            )
        if unit_id not in FIELDS[field_id].accepted:
            accepted = ", ".join(FIELDS[field_id].accepted)
            raise refuse(
                f'profile.units: {field_id} = "{unit_id}" is not accepted.',
                f"Accepted there: {accepted}.",
            )
    columns = dict(profile.get("columns", {}))
    for heading, field_id in columns.items():
        _check_meaning(str(heading), str(field_id), refuse)
    order = profile.get("date_order")
    if order is not None and order not in DATE_ORDERS:
        raise refuse(
            f'profile.date_order = "{order}" is not one of {", ".join(DATE_ORDERS)}.',
            "Use the order in which this site writes day, month and year.",
        )
    return Site(
        id=site_id,
        name=str(raw.get("name", site_id)),
        zone=zone,
        latitude=raw.get("latitude"),
        longitude=raw.get("longitude"),
        protocols=chosen,
        nets=tuple(raw.get("nets", ("A",))),
        seines=tuple(raw.get("seines", ("1",))),
        contact=str(raw.get("contact", "")),
        profile=Profile(units, columns, order),
    )


_PUBLISHING = Publishing()


def _publishing(raw: Mapping[str, Any], where: str) -> Publishing:
    known = {entry.name: entry for entry in fields(Publishing)}
    strange = sorted(set(raw) - set(known))
    if strange:
        raise BadSettings(f'[release] "{strange[0]}" is no entry.',
                          f"Entries are: {', '.join(known)}.", where)
    decimals = raw.get("protected_decimals", _PUBLISHING.protected_decimals)
    if not isinstance(decimals, int) or not 0 <= decimals <= 6:
        raise BadSettings(f"[release] protected_decimals = {decimals} is no number of decimals.",
                          "Write a whole number from 0 (about 100 km) to 6.", where)
    drop = raw.get("largest_drop", _PUBLISHING.largest_drop)
    if not isinstance(drop, (int, float)) or not 0 <= drop <= 1:
        raise BadSettings(f"[release] largest_drop = {drop} is no share.",
                          "Write a number from 0 to 1.", where)
    parts = raw.get("parts_from", _PUBLISHING.parts_from)
    if not isinstance(parts, int) or isinstance(parts, bool) or parts < 0:
        raise BadSettings(f"[release] parts_from = {parts} is no number of events.",
                          "Write a whole number; releases of so many events come in parts.", where)
    return Publishing(str(raw.get("publisher", "")), decimals, float(drop), parts)


def parse_network(text: str, where: str = "network.toml") -> Network:
    """Settings from the text of ``network.toml``.

    Raises :class:`BadSettings` naming the entry that is wrong and what to write.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadSettings(
            f"It is not valid TOML: {error}.",
            "Mend the line named; quotes and brackets must be closed.",
            where,
        ) from error
    head = raw.get("network", {})
    missing = [key for key in ("id", "name", "season_start", "season_end") if key not in head]
    if missing:
        raise BadSettings(f"[network] lacks {', '.join(missing)}.", "Add the entries named.", where)
    for key, id_ in (("[network] id", head["id"]),
                     *((f"[sites.{site_id}]", site_id) for site_id in raw.get("sites", {}))):
        if not names_a_folder(str(id_)):
            raise BadSettings(
                f'{key}: "{id_}" cannot name a folder.',
                "Use letters, digits and hyphens, as in alder-creek; its full name goes into name.",
                where)
    thresholds = raw.get("thresholds", {})
    for rule, values in thresholds.items():
        if not isinstance(values, dict) or not all(
            isinstance(value, (int, float)) for value in values.values()
        ):
            raise BadSettings(
                f"[thresholds] {rule} must be a table of numbers.",
                f"Write [thresholds.{rule}] and one name = number a line.",
                where,
            )
    sites = {
        site_id: _site(site_id, entry, where) for site_id, entry in raw.get("sites", {}).items()
    }
    if not sites:
        raise BadSettings("It names no site.", "Add a [sites.<id>] table for each.", where)
    return Network(
        id=str(head["id"]),
        name=str(head["name"]),
        season_start=_month_day(head["season_start"], "season_start", where),
        season_end=_month_day(head["season_end"], "season_end", where),
        licence=str(head.get("licence", "")),
        coordinator=str(head.get("coordinator", "")),
        permit_note=str(head.get("permit_note", "")),
        sites=sites,
        thresholds={
            rule: {k: float(v) for k, v in values.items()} for rule, values in thresholds.items()
        },
        publishing=_publishing(raw.get("release", {}), where),
        operating=parse_operating(raw, where),
    )


def unit_spelling(unit_id: str) -> str:
    """How a unit is shown to people: the number-only unit shows nothing."""
    unit = UNITS[unit_id]
    return "" if unit.quantity in ("number", "angle") else unit.id.replace("uS", "µS")
