"""The columns of a blank sheet: which fields a protocol asks for, under what heading."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from flows.intake.cells import folded
from shared.fields import FIELDS, Field, Group, Kind, Level, Range
from shared.protocol import Protocol
from shared.settings import Site
from shared.taxa import STAGES, TAXA
from shared.units import UNITS, convert


class Section(StrEnum):
    """Columns that belong together, in the order of the work."""

    EFFORT = "Effort"
    TARGETS = "Catch"
    BYCATCH = "Bycatch"
    WATER = "Water"
    WEATHER = "Weather"
    PEOPLE = "People"


@dataclass(frozen=True, slots=True)
class BlankColumn:
    """One column to be filled in.

    ``possible`` and ``plausible`` are in ``unit``, the unit the site writes; either end
    may be None. ``animal`` names what a catch column is about, ``label`` the column
    beside it ("dead"); elsewhere ``label`` is the heading without its unit.
    """

    entry: Field
    section: Section
    heading: str
    label: str
    hint: str
    unit: str | None = None
    sign: str = ""
    """The unit as people write it; empty where there is none."""
    possible: tuple[float | None, float | None] = (None, None)
    plausible: tuple[float | None, float | None] = (None, None)
    choices: tuple[str, ...] = ()
    animal: str = ""
    taxon: str | None = None
    life_stage: str | None = None

    @property
    def field(self) -> str:
        """Id of the field in the dictionary."""
        return self.entry.id


USUAL_BYCATCH: dict[str, tuple[str, ...]] = {
    "nets": ("gasterosteus-aculeatus", "fundulus-heteroclitus", "menidia-menidia",
             "alosa-pseudoharengus", "caridea", "teleostei"),
    "seines": ("menidia-menidia", "fundulus-heteroclitus", "gasterosteus-aculeatus",
               "pseudopleuronectes-americanus", "alosa-pseudoharengus", "anguilla-rostrata",
               "caridea", "teleostei"),
}
"""Taxa with a column of their own, by the gear that takes them (common practice).

"Other fish" comes last and takes the rest; a lead may add a column for any other taxon.
"""

_EFFORT: dict[str, tuple[str, ...]] = {
    "hours_fished": ("set_date", "set_time", "check_time", "hours_fished", "net_status"),
    "hauls": ("check_time", "hauls", "haul_area"),
}
"""What makes up the effort, by the protocol's own effort field."""

_FATES = ("released", "mortality", "kept")
_SUBSAMPLE = ("count_method", "subsample_count", "subsample_volume", "total_volume")
# A meter shows either conductivity or specific conductance; asking for both invites mix-ups.
_NOT_ASKED = frozenset({"conductivity"})
_PEOPLE = ("observers", "volunteer_hours", "recorder", "remarks")

_SIGNS = {"degC": "°C", "degF": "°F", "uS/cm": "µS/cm", "m2": "m²", "ft2": "ft²",
          "mg/l": "mg/L", "kn": "knots", "bft": "Beaufort", "l": "litres"}
_LABELS = {"mortality": "dead", "kept": "kept", "released": "released", "count": "counted"}
_HINTS = {
    "local_date": "One line for each visit, also when the net was out of the water.",
    "gear_unit": "Choose the net. Two nets, two lines.",
    "set_date": "The day the net began to fish: for a daily check, the day before.",
    "set_time": "By the 24-hour clock, such as 07:30 or 15:05.",
    "check_time": "By the 24-hour clock, such as 07:30 or 15:05.",
    "hours_fished": "From setting to check. May stay empty if both dates and times are filled.",
    "net_status": "lifted: the net was out of the water. Then leave the counts empty; do not "
                  "write 0.",
    "hauls": "How many hauls this line holds.",
    "haul_area": "All hauls of this line together.",
    "count": "The whole catch. None there? Write 0. Not counted? Leave it empty.",
    "count_method": "Leave empty if every one was counted.",
    "subsample_count": "Only for a large catch: how many were in the part you counted.",
    "subsample_volume": "Only for a large catch: the volume of the part you counted.",
    "total_volume": "Only for a large catch: the volume of the whole catch.",
    "released": "Let go alive. Counted = released + dead + kept.",
    "mortality": "Found dead or died in handling. Counted = released + dead + kept.",
    "kept": "Kept under your permit. Counted = released + dead + kept.",
    "observers": "How many people took part.",
    "volunteer_hours": "All people together: three people for two hours make 6.",
    "recorder": "Initials of whoever wrote this down.",
    "remarks": "Anything worth knowing. Which fish were \"other\"? What is not quite certain?",
}


def columns_of(site: Site, protocol: Protocol) -> tuple[BlankColumn, ...]:
    """Every column that ``protocol`` asks ``site`` for, in the order of the work."""
    found = [_plain(site, "local_date", Section.EFFORT,
                    title="Date of check" if protocol.gear_from == "nets" else "Date",
                    hint=_HINTS["local_date"] if protocol.gear_from == "nets"
                    else "One line for each time you were out.")]
    gear = site.gear_units(protocol)
    if len(gear) > 1:
        found.append(_plain(site, "gear_unit", Section.EFFORT, choices=gear,
                            title="Net" if protocol.gear_from == "nets" else "Gear",
                            hint=_HINTS["gear_unit"] if protocol.gear_from == "nets"
                            else "Choose which one was used."))
    own = _EFFORT.get(protocol.effort_field or "")
    if own is None:
        own = ("check_time", *([protocol.effort_field] if protocol.effort_field else []))
    for name in own:
        title = None
        if name == "check_time":
            title = {"nets": "Check time", "seines": "Haul time"}.get(protocol.gear_from, "Time")
        found.append(_plain(site, name, Section.EFFORT, title=title))
    for target in protocol.targets:
        found += _catch(site, target.taxon, target.life_stage, Section.TARGETS,
                        ("count", *_FATES))
    if protocol.targets:
        first = protocol.targets[0]
        found += _catch(site, first.taxon, first.life_stage, Section.TARGETS, _SUBSAMPLE)
    aimed = {target.taxon for target in protocol.targets}
    for taxon in USUAL_BYCATCH.get(protocol.gear_from, ()):
        if taxon not in aimed:
            found += _catch(site, taxon, None,
                            Section.BYCATCH if protocol.targets else Section.TARGETS,
                            ("count", "mortality"))
    for group, section in ((Group.WATER, Section.WATER), (Group.WEATHER, Section.WEATHER)):
        found += [
            _plain(site, entry.id, section) for entry in FIELDS.values()
            if entry.group is group and entry.level is Level.EVENT and entry.id not in _NOT_ASKED
        ]
    found += [_plain(site, name, Section.PEOPLE) for name in _PEOPLE]
    return tuple(found)


def animal_name(taxon: str, life_stage: str | None) -> str:
    """What a heading calls a taxon (and stage): ``Glass eels``, ``Mummichog``."""
    known = TAXA[taxon]
    if life_stage is None:
        return known.vernacular
    if any(stage == life_stage for _, stage in known.staged_names):
        return f"{STAGES[life_stage].id}s".capitalize()
    return f"{known.vernacular} {STAGES[life_stage].id}"


def _plain(
    site: Site, field_id: str, section: Section, *, title: str | None = None,
    hint: str | None = None, choices: tuple[str, ...] = (),
) -> BlankColumn:
    entry = FIELDS[field_id]
    names = (title or entry.title, entry.title, *(name.capitalize() for name in entry.headings))
    label, heading = _unclaimed(site, entry, names)
    return _column(site, entry, section, heading, label,
                   hint if hint is not None else _HINTS.get(field_id, entry.description),
                   choices=choices or tuple(choice.id for choice in entry.choices))


def _catch(
    site: Site, taxon: str, life_stage: str | None, section: Section, fields: Iterable[str],
) -> list[BlankColumn]:
    animal = animal_name(taxon, life_stage)
    found = []
    for field_id in fields:
        entry = FIELDS[field_id]
        label = _LABELS.get(field_id, entry.title.lower())
        title = animal if field_id == "count" else f"{animal} {label}"
        _, heading = _unclaimed(site, entry, (title, f"{TAXA[taxon].vernacular} {title}"))
        found.append(_column(
            site, entry, section, heading, label, _HINTS.get(field_id, entry.description),
            choices=tuple(choice.id for choice in entry.choices), animal=animal, taxon=taxon,
            life_stage=life_stage))
    return found


def _column(
    site: Site, entry: Field, section: Section, heading: str, label: str, hint: str, *,
    choices: tuple[str, ...] = (), animal: str = "", taxon: str | None = None,
    life_stage: str | None = None,
) -> BlankColumn:
    unit = unit_of(site, entry)
    return BlankColumn(
        entry, section, heading, label, hint, unit, sign_of(entry, unit),
        _ends(entry, entry.possible, unit), _ends(entry, entry.plausible, unit),
        choices, animal, taxon, life_stage)


def unit_of(site: Site, entry: Field) -> str | None:
    """Unit id in which ``site`` writes ``entry``: its profile's, else the dictionary's."""
    return None if entry.unit is None else site.profile.units.get(entry.id, entry.unit)


def sign_of(entry: Field, unit: str | None) -> str:
    """The unit as a heading shows it. Salinity shows its scale, though it has no unit."""
    if entry.id == "salinity":
        return "psu"
    if unit is None or UNITS[unit].quantity in ("number", "angle"):
        return ""
    return _SIGNS.get(unit, unit)


def _ends(
    entry: Field, span: Range | None, unit: str | None
) -> tuple[float | None, float | None]:
    if span is None or unit is None or entry.unit is None:
        return None, None
    low, high = (
        None if end is None else round(convert(end, entry.unit, unit), 4)
        for end in (span.low, span.high)
    )
    return low, high


_FORMS = {Kind.DATE: "yyyy-mm-dd", Kind.TIME: "hh:mm"}


def _unclaimed(site: Site, entry: Field, names: Iterable[str]) -> tuple[str, str]:
    """The first of ``names`` whose heading the site's profile does not read otherwise.

    Returns the name and the heading, which has the unit or the form of writing in brackets.
    """
    claimed = {folded(text): meaning for text, meaning in site.profile.columns.items()}
    sign = _FORMS.get(entry.kind) or sign_of(entry, unit_of(site, entry))
    made = [(name, f"{name} ({sign})" if sign else name) for name in names]
    return next((pair for pair in made
                 if claimed.get(folded(pair[1]), entry.id).split(":")[0] == entry.id), made[0])
