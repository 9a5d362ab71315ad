"""Units a volunteer may write, and how each becomes the field's canonical unit.

One entry in :data:`UNITS` is all a new unit needs. A conversion is
``factor * (x + shift) ** exponent``, which covers every unit in the trade
(Beaufort included) and can be written as SQL as well as computed here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of one quantity.

    ``factor``, ``shift`` and ``exponent`` take a value in this unit to the
    quantity's canonical unit (the one whose conversion is the identity).
    """

    id: str
    quantity: str
    spellings: tuple[str, ...]
    factor: float = 1.0
    shift: float = 0.0
    exponent: float = 1.0
    source: str = ""

    def to_canonical(self, value: float) -> float:
        """Convert ``value`` in this unit to the quantity's canonical unit."""
        moved = value + self.shift
        if self.exponent != 1.0:
            # A negative Beaufort number has no meaning; keep the sign so that a rule sees it.
            moved = abs(moved) ** self.exponent * (1 if moved >= 0 else -1)
        return round(self.factor * moved, 9)

    def from_canonical(self, value: float) -> float:
        """Convert ``value`` in the canonical unit to this unit."""
        scaled = value / self.factor
        if self.exponent != 1.0:
            scaled = abs(scaled) ** (1 / self.exponent) * (1 if scaled >= 0 else -1)
        return round(scaled - self.shift, 9)


_SI = "SI Brochure, 9th ed. (BIPM 2019)"
_NIST = "NIST SP 811 (2008), Appendix B"

UNITS: dict[str, Unit] = {
    unit.id: unit
    for unit in (
        Unit("degC", "temperature", ("c", "°c", "deg c", "degc", "celsius", "centigrade", "ºc")),
        Unit(
            "degF",
            "temperature",
            ("f", "°f", "deg f", "degf", "fahrenheit", "ºf"),
            factor=5 / 9,
            shift=-32.0,
            source=_NIST,
        ),
        Unit("h", "duration", ("h", "hr", "hrs", "hour", "hours")),
        Unit("min", "duration", ("min", "mins", "minute", "minutes"), factor=1 / 60, source=_SI),
        Unit("d", "duration", ("d", "day", "days"), factor=24.0, source=_SI),
        Unit("mm", "length", ("mm", "millimetre", "millimetres", "millimeter", "millimeters")),
        Unit("cm", "length", ("cm", "centimetre", "centimetres"), factor=10.0, source=_SI),
        Unit("m", "length", ("m", "metre", "metres", "meter", "meters"), factor=1000.0, source=_SI),
        Unit("in", "length", ("in", "inch", "inches", '"', "ins"), factor=25.4, source=_NIST),
        Unit("ft", "length", ("ft", "foot", "feet", "'"), factor=304.8, source=_NIST),
        Unit("m2", "area", ("m2", "m²", "sq m", "sqm", "square metres", "square meters")),
        Unit(
            "ft2",
            "area",
            ("ft2", "ft²", "sq ft", "sqft", "square feet"),
            factor=0.09290304,
            source=_NIST,
        ),
        Unit("uS/cm", "conductivity", ("us/cm", "µs/cm", "μs/cm", "us", "µs", "μs", "umho/cm")),
        Unit(
            "mS/cm",
            "conductivity",
            ("ms/cm", "ms", "mmho/cm"),
            factor=1000.0,
            source=_SI,
        ),
        Unit("mg/l", "mass concentration", ("mg/l", "mg/ltr", "mgl", "mg l-1", "ppm")),
        Unit("%", "ratio", ("%", "percent", "pct", "% sat", "%sat", "percent sat")),
        Unit(
            "oktas",
            "ratio",
            ("okta", "oktas", "eighths", "/8"),
            factor=12.5,
            source="WMO-No. 8 (2018), ch. 15: cloud amount in eighths",
        ),
        Unit("tenths", "ratio", ("tenths", "/10"), factor=10.0, source="common practice"),
        Unit("1", "number", ("psu", "ppt", "pss", "pss-78", "‰", "g/kg", "ph units", "su")),
        Unit("NTU", "turbidity", ("ntu", "fnu", "ntus", "jtu")),
        Unit("m/s", "speed", ("m/s", "mps", "m s-1", "ms-1")),
        Unit("mph", "speed", ("mph", "mi/h"), factor=0.44704, source=_NIST),
        Unit("kn", "speed", ("kn", "kt", "kts", "knots", "knot"), factor=1852 / 3600, source=_NIST),
        Unit("km/h", "speed", ("km/h", "kph", "kmh"), factor=1 / 3.6, source=_SI),
        Unit(
            "bft",
            "speed",
            ("bft", "beaufort", "bf", "force"),
            factor=0.836,
            exponent=1.5,
            source="WMO-No. 8 (2018), ch. 5: v = 0.836 B^1.5 m/s",
        ),
        Unit("ml", "volume", ("ml", "mls", "millilitre", "millilitres", "cc")),
        Unit("l", "volume", ("l", "litre", "litres", "liter", "liters"), factor=1000.0, source=_SI),
        Unit("g", "mass", ("g", "gram", "grams", "gm")),
        Unit("mg", "mass", ("mg", "milligram", "milligrams"), factor=0.001, source=_SI),
        Unit("kg", "mass", ("kg", "kilogram", "kilograms"), factor=1000.0, source=_SI),
        Unit("deg", "angle", ("decimal degrees", "dd")),
    )
}

CANONICAL: dict[str, str] = {
    unit.quantity: unit.id
    for unit in UNITS.values()
    if unit.factor == 1.0 and unit.shift == 0.0 and unit.exponent == 1.0
}
"""Quantity -> id of the unit its conversions end in."""

_SPACES = re.compile(r"\s+")


def spelling_key(text: str) -> str:
    """Fold a written unit to the form the table of spellings is kept in."""
    return _SPACES.sub(" ", text.replace(" ", " ").strip().strip(".").lower())


def unit_named(text: str, accepted: tuple[str, ...]) -> Unit | None:
    """The unit that ``text`` spells among the ``accepted`` unit ids, or None.

    The accepted set decides between spellings that several quantities share
    ("m" is metres of level, never minutes).
    """
    key = spelling_key(text)
    for unit_id in accepted:
        unit = UNITS[unit_id]
        if key == unit.id.lower() or key in unit.spellings:
            return unit
    return None


def convert(value: float, source: str, target: str) -> float:
    """Convert ``value`` between two unit ids of one quantity.

    Raises ``ValueError`` when the units measure different quantities.
    """
    first, second = UNITS[source], UNITS[target]
    if first.quantity != second.quantity:
        raise ValueError(f"{source} measures {first.quantity}, {target} {second.quantity}")
    if first is second:
        return value
    return second.from_canonical(first.to_canonical(value))
