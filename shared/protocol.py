"""Protocols: how each kind of field work is done, as data in ``shared/protocols``.

A new protocol is one TOML file in that folder.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from shared.fields import FIELDS
from shared.problems import BadSettings
from shared.taxa import STAGES, TAXA


@dataclass(frozen=True, slots=True)
class Target:
    """A taxon x life stage whose zero counts the protocol publishes."""

    taxon: str
    life_stage: str


@dataclass(frozen=True, slots=True)
class Protocol:
    """One kind of field work. ``effort_field`` is None where there is no effort to give."""

    id: str
    title: str
    description: str
    version: int
    effort_field: str | None
    effort_unit: str
    cpue_hours: float | None
    gear_from: str
    pigment_scale: str
    pigment_stages: tuple[str, ...]
    """Every stage of the scale, from the clearest; empty where there is none."""
    required: tuple[str, ...]
    targets: tuple[Target, ...]
    year_round: bool
    caution: str

    @property
    def cpue_unit(self) -> str | None:
        """Unit of catch per unit effort, or None where the protocol has no effort."""
        if self.effort_field is None:
            return None
        if self.cpue_hours is not None:
            return f"animals per {self.cpue_hours:g} net-hours"
        return f"animals per {self.effort_unit.removesuffix('s')}"

    @property
    def cpue_scale(self) -> float:
        """Units of effort that the catch is given for."""
        return self.cpue_hours if self.cpue_hours is not None else 1.0


def parse_protocol(text: str, where: str) -> Protocol:
    """Build a protocol from TOML ``text``; raises :class:`BadSettings` naming what is wrong."""
    try:
        raw: dict[str, Any] = tomllib.loads(text)
        protocol = Protocol(
            id=raw["id"],
            title=raw["title"],
            description=raw["description"],
            version=int(raw["version"]),
            effort_field=raw.get("effort_field"),
            effort_unit=raw["effort_unit"],
            cpue_hours=raw.get("cpue_hours"),
            gear_from=raw["gear_from"],
            pigment_scale=raw["pigment_scale"],
            pigment_stages=tuple(raw.get("pigment_stages", ())),
            required=tuple(raw["required"]),
            targets=tuple(Target(t["taxon"], t["life_stage"]) for t in raw["targets"]),
            year_round=bool(raw.get("year_round", False)),
            caution=raw["field_card"]["caution"],
        )
    except (tomllib.TOMLDecodeError, KeyError, TypeError, ValueError) as error:
        raise BadSettings(
            f"The protocol cannot be read: {error}.",
            "Compare it with shared/protocols/fyke.toml and mend the entry named.",
            where,
        ) from error
    named = [*protocol.required, *([protocol.effort_field] if protocol.effort_field else [])]
    unknown = [name for name in named if name not in FIELDS]
    unknown += [t.taxon for t in protocol.targets if t.taxon not in TAXA]
    unknown += [t.life_stage for t in protocol.targets if t.life_stage not in STAGES]
    if unknown:
        raise BadSettings(
            f"The protocol names what the dictionary does not have: {', '.join(unknown)}.",
            "Use ids of shared/fields.py and shared/taxa.py.",
            where,
        )
    return protocol


@cache
def protocols() -> dict[str, Protocol]:
    """Every protocol that ships with Tallyweir, by id."""
    found: dict[str, Protocol] = {}
    folder = resources.files("shared") / "protocols"
    for entry in sorted(folder.iterdir(), key=lambda item: item.name):
        if entry.name.endswith(".toml"):
            protocol = parse_protocol(entry.read_text(encoding="utf-8"), entry.name)
            found[protocol.id] = protocol
    return found
