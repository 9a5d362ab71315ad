"""Identifiers of published vocabularies for what is measured and its units.

NERC Vocabulary Server, collections P01 (what was measured) and P06 (units), as used in the
OBIS manual and in published marine archives. Only identifiers seen in use for exactly this
meaning are here; what has none is published by its name alone, never by a guessed one.
"""

from __future__ import annotations

_P01 = "http://vocab.nerc.ac.uk/collection/P01/current/"
_P06 = "http://vocab.nerc.ac.uk/collection/P06/current/"

MEASURED_IDS: dict[str, str] = {
    "water_temperature": _P01 + "TEMPPR01/",
    "salinity": _P01 + "PSLTZZ01/",
    "dissolved_oxygen": _P01 + "DOXYZZ01/",
    "ph": _P01 + "PHXXZZXX/",
    "air_temperature": _P01 + "CTMPZZ01/",
    "wind_speed": _P01 + "EWSBZZ01/",
}
"""Field id -> identifier of what it measures."""

UNIT_IDS: dict[str, str] = {
    "degC": _P06 + "UPAA/",
    "1": _P06 + "UUUU/",
    "%": _P06 + "UPCT/",
    "mg/l": _P06 + "UMGL/",
    "m/s": _P06 + "UVAA/",
    "mm": _P06 + "UXMM/",
    "cm": _P06 + "ULCM/",
    "g": _P06 + "UGRM/",
    "h": _P06 + "UHOR/",
}
"""Unit id -> identifier of the unit."""

LICENCES: dict[str, tuple[str, str]] = {
    "CC0-1.0": ("Creative Commons Zero 1.0 Universal",
                "https://creativecommons.org/publicdomain/zero/1.0/legalcode"),
    "CC-BY-4.0": ("Creative Commons Attribution 4.0 International",
                  "https://creativecommons.org/licenses/by/4.0/legalcode"),
    "CC-BY-NC-4.0": ("Creative Commons Attribution-NonCommercial 4.0 International",
                     "https://creativecommons.org/licenses/by-nc/4.0/legalcode"),
    "CC-BY-SA-4.0": ("Creative Commons Attribution-ShareAlike 4.0 International",
                     "https://creativecommons.org/licenses/by-sa/4.0/legalcode"),
    "ODbL-1.0": ("Open Data Commons Open Database License 1.0",
                 "https://opendatacommons.org/licenses/odbl/1-0/"),
}
"""SPDX id -> name of the licence and where its text stands (SPDX License List 3)."""
