"""The data dictionary: every field of the network's record, defined once.

Schemas, range rules, headings that are understood, the clean table's columns, the
published dictionary and the docs all derive from :data:`FIELDS`. A new
water-quality field is one entry here and nothing anywhere else.

``possible`` is what nature and the instrument allow: outside it the value is
wrong. ``plausible`` is what an experienced coordinator expects: outside it the
value is asked about. Each carries its source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from shared.flags import Effect
from shared.taxa import STAGES
from shared.units import UNITS


class Kind(StrEnum):
    """How a field's cells are read and stored."""

    NUMBER = "number"
    WHOLE = "whole number"
    TEXT = "text"
    CHOICE = "choice"
    DATE = "date"
    TIME = "time of day"
    TAXON = "taxon"


class Level(StrEnum):
    """What a value belongs to."""

    EVENT = "event"
    """One net check or seine haul."""
    CATCH = "catch"
    """One taxon x life stage within an event."""


class Group(StrEnum):
    """Where a field stands in reports and docs."""

    IDENTITY = "identity"
    EFFORT = "effort"
    COUNT = "count"
    FISH = "fish"
    WATER = "water"
    WEATHER = "weather"
    PEOPLE = "people"
    PLACE = "place"


@dataclass(frozen=True, slots=True)
class Range:
    """Closed interval in the field's canonical unit; None leaves a side open."""

    low: float | None
    high: float | None
    source: str

    def holds(self, value: float) -> bool:
        """Whether ``value`` lies in the interval."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class Choice:
    """One allowed value of a choice field, with what people write for it."""

    id: str
    spellings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Field:
    """One entry of the dictionary. Units are ids of :mod:`shared.units`."""

    id: str
    title: str
    description: str
    kind: Kind
    level: Level
    group: Group
    headings: tuple[str, ...]
    """Headings that mean this field, lower case, without unit."""
    unit: str | None = None
    """Canonical unit of stored values."""
    accepted: tuple[str, ...] = ()
    """Unit ids a sheet may use, the canonical one first."""
    possible: Range | None = None
    plausible: Range | None = None
    choices: tuple[Choice, ...] = ()
    column: str | None = None
    """Name in the clean table, where it is not the id."""
    measured: bool = False
    """Whether the clean table gives the value a flag column of its own."""
    decimals: int | None = None
    """Decimals people record, for showing values and suggestions."""
    bad_effect: Effect = Effect.MASK
    """What an impossible or unreadable value does to its row."""
    private: bool = False
    """Personal data: never enters a release."""
    bounds: tuple[float, float] | None = field(default=None, compare=False)
    """What a column of this field can look like in any accepted unit: recognition only."""

    @property
    def clean_column(self) -> str:
        """Column of this field in the clean tables."""
        return self.column or self.id


_CP = "common practice"
_UNESCO = "Fofonoff & Millard 1983, UNESCO Tech. Pap. Mar. Sci. 44"

_LENGTHS = ("mm", "cm", "in")
_NET_STATUS = (
    Choice(
        "fishing",
        (
            "fishing",
            "fished",
            "ok",
            "in",
            "set",
            "up",
            "yes",
            "y",
            "good",
            "fine",
            "in water",
            "net in",
        ),
    ),
    Choice(
        "lifted",
        (
            "lifted",
            "out",
            "net out",
            "pulled",
            "not fished",
            "not fishing",
            "no",
            "n",
            "removed",
            "raised",
            "net lifted",
            "up on bank",
            "not set",
            "net up",
        ),
    ),
    Choice(
        "damaged",
        (
            "damaged",
            "torn",
            "broken",
            "vandalised",
            "vandalized",
            "hole",
            "collapsed",
            "fouled",
            "clogged",
        ),
    ),
)
_TIDES = (
    Choice("low", ("low", "lw", "l", "slack low", "low slack", "low tide", "ebb slack")),
    Choice(
        "flood",
        (
            "flood",
            "flooding",
            "rising",
            "incoming",
            "in",
            "f",
            "coming in",
            "mid flood",
            "early flood",
            "late flood",
        ),
    ),
    Choice("high", ("high", "hw", "h", "slack high", "high slack", "high tide", "flood slack")),
    Choice(
        "ebb",
        (
            "ebb",
            "ebbing",
            "falling",
            "outgoing",
            "out",
            "e",
            "going out",
            "mid ebb",
            "early ebb",
            "late ebb",
        ),
    ),
)
_METHODS = (
    Choice(
        "all counted",
        ("all counted", "counted", "full", "full count", "count", "whole", "all", "direct"),
    ),
    Choice(
        "subsample by volume",
        (
            "subsample by volume",
            "volume",
            "subsample",
            "sub-sample",
            "subsampled",
            "volumetric",
            "by volume",
            "by vol",
            "vol",
        ),
    ),
    Choice("subsample by weight", ("subsample by weight", "weight", "weighed", "by weight")),
    Choice("estimated", ("estimated", "estimate", "est", "guess", "approx")),
)
_WINDS = tuple(
    Choice(point, (point.lower(), *names))
    for point, names in (
        ("N", ("north",)),
        ("NNE", ()),
        ("NE", ("northeast", "north-east")),
        ("ENE", ()),
        ("E", ("east",)),
        ("ESE", ()),
        ("SE", ("southeast", "south-east")),
        ("SSE", ()),
        ("S", ("south",)),
        ("SSW", ()),
        ("SW", ("southwest", "south-west")),
        ("WSW", ()),
        ("W", ("west",)),
        ("WNW", ()),
        ("NW", ("northwest", "north-west")),
        ("NNW", ()),
        ("calm", ("calm", "none", "still", "-", "var", "variable")),
    )
)
_STAGE_CHOICES = tuple(Choice(stage.id, stage.spellings) for stage in STAGES.values())

_ENTRIES: tuple[Field, ...] = (
    # -- identity -----------------------------------------------------------------
    Field(
        "site",
        "Site",
        "The site's id or name.",
        Kind.TEXT,
        Level.EVENT,
        Group.IDENTITY,
        ("site", "site name", "station", "location", "creek", "site code", "site id"),
    ),
    Field(
        "gear_unit",
        "Net",
        "Which net or seine of the site.",
        Kind.TEXT,
        Level.EVENT,
        Group.IDENTITY,
        (
            "net",
            "net id",
            "net no",
            "net number",
            "fyke",
            "fyke no",
            "gear",
            "gear unit",
            "net name",
            "trap",
            "which net",
        ),
    ),
    Field(
        "recorder",
        "Recorder",
        "Who wrote the row down.",
        Kind.TEXT,
        Level.EVENT,
        Group.PEOPLE,
        (
            "recorder",
            "recorded by",
            "initials",
            "observer",
            "observer name",
            "names",
            "name",
            "volunteer",
            "who",
            "checked by",
            "staff",
            "crew",
            "leader",
            "counter",
            "by",
        ),
        private=True,
    ),
    Field(
        "local_date",
        "Date",
        "Local date of the net check or haul.",
        Kind.DATE,
        Level.EVENT,
        Group.IDENTITY,
        (
            "date",
            "day",
            "date of check",
            "sample date",
            "survey date",
            "date (local)",
            "date sampled",
            "haul date",
            "date/time",
            "date and time",
            "datetime",
        ),
        bad_effect=Effect.HOLD,
    ),
    # -- effort -------------------------------------------------------------------
    Field(
        "set_date",
        "Set date",
        "Local date the net was set.",
        Kind.DATE,
        Level.EVENT,
        Group.EFFORT,
        (
            "set date",
            "date set",
            "net set date",
            "date in",
            "deployed date",
            "date deployed",
            "set date/time",
            "date/time set",
            "set on",
        ),
        bad_effect=Effect.HOLD,
    ),
    Field(
        "set_time",
        "Set time",
        "Local time the net was set.",
        Kind.TIME,
        Level.EVENT,
        Group.EFFORT,
        (
            "set time",
            "time set",
            "net set",
            "net set time",
            "time in",
            "set",
            "set at",
            "deployed",
            "time deployed",
            "net in",
        ),
        bad_effect=Effect.QUERY,
    ),
    Field(
        "check_date",
        "Check date",
        "Local date the net was checked.",
        Kind.DATE,
        Level.EVENT,
        Group.EFFORT,
        (
            "check date",
            "date checked",
            "date out",
            "net check date",
            "retrieved date",
            "date retrieved",
            "check date/time",
            "date/time checked",
            "pulled on",
            "date pulled",
            "checked on",
        ),
        bad_effect=Effect.HOLD,
    ),
    Field(
        "check_time",
        "Check time",
        "Local time of the net check or haul.",
        Kind.TIME,
        Level.EVENT,
        Group.EFFORT,
        (
            "check time",
            "time checked",
            "time",
            "time of check",
            "net checked",
            "time out",
            "checked",
            "checked at",
            "time retrieved",
            "retrieved",
            "pulled",
            "time pulled",
            "start time",
            "haul time",
            "sample time",
            "net out",
        ),
        bad_effect=Effect.QUERY,
    ),
    Field(
        "hours_fished",
        "Hours fished",
        "Hours the net fished before the check.",
        Kind.NUMBER,
        Level.EVENT,
        Group.EFFORT,
        (
            "hours fished",
            "hours",
            "soak",
            "soak time",
            "soak hours",
            "effort",
            "fishing time",
            "hours in water",
            "hrs fished",
            "duration",
            "effort hours",
            "time fished",
            "soak duration",
            "total hours",
            "net hours",
            "hrs",
            "hours soaked",
        ),
        unit="h",
        accepted=("h", "min", "d"),
        possible=Range(0.0, 24.0 * 31, "a net checked at least monthly; " + _CP),
        decimals=1,
        column="hours_fished",
        bad_effect=Effect.HOLD,
        bounds=(0.2, 400),
    ),
    Field(
        "net_status",
        "Net status",
        "Whether the net was fishing.",
        Kind.CHOICE,
        Level.EVENT,
        Group.EFFORT,
        (
            "net status",
            "status",
            "net condition",
            "condition",
            "net ok",
            "fishing",
            "gear status",
            "net state",
            "net fishing",
            "net in/out",
            "in/out",
            "net in or out",
        ),
        choices=_NET_STATUS,
        bad_effect=Effect.QUERY,
    ),
    Field(
        "hauls",
        "Hauls",
        "Number of seine hauls in the row.",
        Kind.WHOLE,
        Level.EVENT,
        Group.EFFORT,
        (
            "hauls",
            "number of hauls",
            "no of hauls",
            "haul",
            "haul no",
            "# hauls",
            "seine hauls",
            "pulls",
        ),
        unit="1",
        accepted=("1",),
        possible=Range(1, 60, _CP),
        decimals=0,
        bad_effect=Effect.HOLD,
        bounds=(0, 60),
    ),
    Field(
        "haul_area",
        "Area swept",
        "Area swept by the seine in the row.",
        Kind.NUMBER,
        Level.EVENT,
        Group.EFFORT,
        ("area swept", "area", "swept area", "haul area", "seine area", "area seined"),
        unit="m2",
        accepted=("m2", "ft2"),
        possible=Range(1, 20000, _CP),
        plausible=Range(10, 5000, _CP),
        decimals=0,
        column="haul_area_m2",
        bad_effect=Effect.HOLD,
        bounds=(1, 200000),
    ),
    Field(
        "tide_stage",
        "Tide",
        "State of the tide at the check.",
        Kind.CHOICE,
        Level.EVENT,
        Group.WEATHER,
        ("tide", "tide stage", "tidal stage", "tide state", "state of tide", "stage of tide"),
        choices=_TIDES,
        bad_effect=Effect.QUERY,
    ),
    # -- counts -------------------------------------------------------------------
    Field(
        "taxon",
        "Taxon",
        "What was counted.",
        Kind.TAXON,
        Level.CATCH,
        Group.COUNT,
        (
            "taxon",
            "species",
            "species name",
            "fish",
            "common name",
            "animal",
            "what",
            "organism",
            "scientific name",
        ),
        bad_effect=Effect.HOLD,
    ),
    Field(
        "life_stage",
        "Life stage",
        "Life stage of what was counted.",
        Kind.CHOICE,
        Level.CATCH,
        Group.COUNT,
        ("life stage", "stage", "age class", "lifestage", "age", "size class"),
        choices=_STAGE_CHOICES,
        bad_effect=Effect.QUERY,
    ),
    Field(
        "count",
        "Count",
        "Animals of the taxon and stage in the catch.",
        Kind.WHOLE,
        Level.CATCH,
        Group.COUNT,
        (
            "count",
            "number",
            "no",
            "#",
            "n",
            "catch",
            "number caught",
            "no caught",
            "total",
            "total count",
            "total catch",
            "how many",
            "number counted",
            "tally",
            "qty",
            "counted",
            "caught",
        ),
        unit="1",
        accepted=("1",),
        possible=Range(0, 2_000_000, "no net of this kind holds more; " + _CP),
        plausible=Range(0, 20_000, "a season at one site brings some thousands; " + _CP),
        decimals=0,
        bad_effect=Effect.HOLD,
        bounds=(0, 2_000_000),
    ),
    Field(
        "count_method",
        "Count method",
        "How the count was reached.",
        Kind.CHOICE,
        Level.CATCH,
        Group.COUNT,
        ("count method", "method", "counting method", "how counted"),
        choices=_METHODS,
        bad_effect=Effect.QUERY,
    ),
    Field(
        "subsample_count",
        "Subsample count",
        "Animals counted in the subsample.",
        Kind.WHOLE,
        Level.CATCH,
        Group.COUNT,
        (
            "subsample count",
            "sub-sample count",
            "count in subsample",
            "subsample no",
            "sample count",
            "subsample n",
            "sub count",
            "number in subsample",
            "subsample",
        ),
        unit="1",
        accepted=("1",),
        possible=Range(0, 200_000, _CP),
        decimals=0,
        bad_effect=Effect.QUERY,
        bounds=(0, 200_000),
    ),
    Field(
        "subsample_volume",
        "Subsample volume",
        "Volume of the subsample.",
        Kind.NUMBER,
        Level.CATCH,
        Group.COUNT,
        (
            "subsample volume",
            "sub-sample volume",
            "subsample vol",
            "sample volume",
            "sub vol",
            "volume of subsample",
            "sample vol",
        ),
        unit="ml",
        accepted=("ml", "l"),
        possible=Range(0.1, 100_000, _CP),
        decimals=0,
        column="subsample_volume_ml",
        bad_effect=Effect.QUERY,
        bounds=(0, 100_000),
    ),
    Field(
        "total_volume",
        "Total volume",
        "Volume of the whole catch.",
        Kind.NUMBER,
        Level.CATCH,
        Group.COUNT,
        (
            "total volume",
            "total vol",
            "catch volume",
            "volume",
            "volume of catch",
            "vol",
            "whole volume",
            "total catch volume",
        ),
        unit="ml",
        accepted=("ml", "l"),
        possible=Range(0.1, 1_000_000, _CP),
        decimals=0,
        column="total_volume_ml",
        bad_effect=Effect.QUERY,
        bounds=(0, 1_000_000),
    ),
    Field(
        "released",
        "Released",
        "Animals released alive.",
        Kind.WHOLE,
        Level.CATCH,
        Group.COUNT,
        (
            "released",
            "released alive",
            "no released",
            "number released",
            "live",
            "alive",
            "returned",
            "let go",
        ),
        unit="1",
        accepted=("1",),
        possible=Range(0, 2_000_000, _CP),
        decimals=0,
        bad_effect=Effect.QUERY,
        bounds=(0, 2_000_000),
    ),
    Field(
        "mortality",
        "Dead",
        "Animals found dead or that died in handling.",
        Kind.WHOLE,
        Level.CATCH,
        Group.COUNT,
        ("dead", "mortality", "mortalities", "morts", "died", "deaths", "number dead", "no dead"),
        unit="1",
        accepted=("1",),
        possible=Range(0, 2_000_000, _CP),
        decimals=0,
        bad_effect=Effect.QUERY,
        bounds=(0, 200_000),
    ),
    Field(
        "kept",
        "Kept for sample",
        "Animals kept under the permit.",
        Kind.WHOLE,
        Level.CATCH,
        Group.COUNT,
        (
            "kept",
            "retained",
            "kept for sample",
            "sampled",
            "taken",
            "sacrificed",
            "kept for lab",
            "number kept",
        ),
        unit="1",
        accepted=("1",),
        possible=Range(0, 10_000, _CP),
        decimals=0,
        bad_effect=Effect.QUERY,
        bounds=(0, 10_000),
    ),
    # -- fish ---------------------------------------------------------------------
    Field(
        "length",
        "Length",
        "Total length of one animal, or the mean of those measured.",
        Kind.NUMBER,
        Level.CATCH,
        Group.FISH,
        (
            "length",
            "total length",
            "tl",
            "mean length",
            "avg length",
            "average length",
            "length tl",
        ),
        unit="mm",
        accepted=_LENGTHS,
        possible=Range(3, 2000, _CP),
        decimals=0,
        column="length_mm",
        measured=True,
        bounds=(0.5, 2000),
    ),
    Field(
        "weight",
        "Weight",
        "Weight of one animal, or the mean of those weighed.",
        Kind.NUMBER,
        Level.CATCH,
        Group.FISH,
        ("weight", "wet weight", "mean weight", "avg weight", "mass", "wt"),
        unit="g",
        accepted=("g", "mg", "kg"),
        possible=Range(0.005, 30_000, _CP),
        decimals=2,
        column="weight_g",
        measured=True,
        bounds=(0.01, 30_000),
    ),
    Field(
        "pigment_stage",
        "Pigment stage",
        "Stage on the protocol's pigment scale.",
        Kind.TEXT,
        Level.CATCH,
        Group.FISH,
        ("pigment stage", "pigment", "pigmentation", "pigmentation stage"),
        bad_effect=Effect.QUERY,
    ),
    # -- water --------------------------------------------------------------------
    Field(
        "water_temperature",
        "Water temperature",
        "Water temperature at the net.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        (
            "water temperature",
            "water temp",
            "wtemp",
            "temp water",
            "h2o temp",
            "water t",
            "temp",
            "temperature",
            "w temp",
            "wt",
            "creek temp",
            "t water",
            "stream temp",
            "river temp",
            "water deg",
        ),
        unit="degC",
        accepted=("degC", "degF"),
        possible=Range(-2.0, 40.0, "sea water freezes at -1.92 degC at S = 35 (" + _UNESCO + ")"),
        plausible=Range(-1.0, 28.0, "a cold temperate tidal creek, February to June; " + _CP),
        decimals=1,
        column="water_temperature_c",
        measured=True,
        bounds=(-3, 100),
    ),
    Field(
        "salinity",
        "Salinity",
        "Practical salinity (PSS-78, no unit).",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        ("salinity", "sal", "psu", "salt"),
        unit="1",
        accepted=("1",),
        possible=Range(0, 42, "PSS-78 holds to S = 42 (" + _UNESCO + ")"),
        plausible=Range(0, 36, "coastal sea water; " + _CP),
        decimals=1,
        measured=True,
        bounds=(0, 45),
    ),
    Field(
        "conductivity",
        "Conductivity",
        "Conductivity as read, at the water's temperature.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        ("conductivity", "cond", "raw conductivity", "actual conductivity", "conductance"),
        unit="uS/cm",
        accepted=("uS/cm", "mS/cm"),
        possible=Range(
            0, 75_000, "sea water of S = 40 at 30 degC stays below (PSS-78, " + _UNESCO + ")"
        ),
        plausible=Range(20, 56_000, "rain-fed creek to sea water; " + _CP),
        decimals=0,
        column="conductivity_us_cm",
        measured=True,
        bounds=(0, 75_000),
    ),
    Field(
        "specific_conductance",
        "Specific conductance",
        "Conductivity referred to 25 degC.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        (
            "specific conductance",
            "spec cond",
            "specific conductivity",
            "sp cond",
            "spc",
            "cond 25",
            "sc",
            "conductivity at 25",
            "spcond",
        ),
        unit="uS/cm",
        accepted=("uS/cm", "mS/cm"),
        possible=Range(0, 75_000, "as conductivity"),
        plausible=Range(20, 56_000, "sea water at S = 35, 25 degC is 53,071 (PSS-78); " + _CP),
        decimals=0,
        column="specific_conductance_us_cm",
        measured=True,
        bounds=(0, 75_000),
    ),
    Field(
        "dissolved_oxygen",
        "Dissolved oxygen",
        "Dissolved oxygen, mass per volume.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        ("dissolved oxygen", "do", "oxygen", "o2", "d o", "diss oxygen", "do conc"),
        unit="mg/l",
        accepted=("mg/l",),
        possible=Range(
            0,
            25,
            "fresh water at 0 degC holds 14.6 mg/l (Benson & Krause 1984); "
            "170 % of it leaves room for blooms",
        ),
        plausible=Range(3, 16, _CP),
        decimals=1,
        column="dissolved_oxygen_mg_l",
        measured=True,
        bounds=(0, 25),
    ),
    Field(
        "dissolved_oxygen_saturation",
        "Oxygen saturation",
        "Dissolved oxygen, % of saturation.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        (
            "dissolved oxygen saturation",
            "oxygen saturation",
            "do sat",
            "do saturation",
            "saturation",
            "o2 sat",
            "do %",
            "% do",
            "do percent",
            "percent saturation",
            "% sat",
            "do % sat",
            "o2 %",
            "oxygen %",
        ),
        unit="%",
        accepted=("%",),
        possible=Range(0, 250, _CP),
        plausible=Range(40, 140, _CP),
        decimals=0,
        column="dissolved_oxygen_percent",
        measured=True,
        bounds=(0, 250),
    ),
    Field(
        "ph",
        "pH",
        "pH of the water.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        ("ph", "ph water", "water ph", "acidity"),
        unit="1",
        accepted=("1",),
        possible=Range(0, 14, "QARTOD manual for pH: sensor span"),
        plausible=Range(5.5, 9.3, "natural fresh to coastal water; " + _CP),
        decimals=1,
        measured=True,
        bounds=(0, 14),
    ),
    Field(
        "turbidity",
        "Turbidity",
        "Turbidity.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        ("turbidity", "turb", "cloudiness", "clarity ntu"),
        unit="NTU",
        accepted=("NTU",),
        possible=Range(0, 4000, "span of field meters; " + _CP),
        plausible=Range(0, 500, _CP),
        decimals=1,
        column="turbidity_ntu",
        measured=True,
        bounds=(0, 4000),
    ),
    Field(
        "secchi_depth",
        "Secchi depth",
        "Depth at which the Secchi disc disappears.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        ("secchi depth", "secchi", "visibility", "secchi disc", "water clarity"),
        unit="cm",
        accepted=("cm", "m", "ft", "in"),
        possible=Range(0, 4000, _CP),
        plausible=Range(5, 1000, _CP),
        decimals=0,
        column="secchi_depth_cm",
        measured=True,
        bounds=(0, 4000),
    ),
    Field(
        "water_level",
        "Water level",
        "Water level on the site's staff.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WATER,
        (
            "water level",
            "level",
            "stage height",
            "depth",
            "water depth",
            "staff",
            "gauge",
            "gage",
            "gage height",
            "staff gauge",
        ),
        unit="cm",
        accepted=("cm", "m", "ft", "in"),
        possible=Range(-500, 2000, _CP),
        decimals=0,
        column="water_level_cm",
        measured=True,
        bounds=(-500, 2000),
    ),
    # -- weather ------------------------------------------------------------------
    Field(
        "air_temperature",
        "Air temperature",
        "Air temperature at the check.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WEATHER,
        (
            "air temperature",
            "air temp",
            "atemp",
            "temp air",
            "a temp",
            "air t",
            "t air",
            "air deg",
            "air",
        ),
        unit="degC",
        accepted=("degC", "degF"),
        possible=Range(-40, 50, "colder or hotter than any tidal site is fished; " + _CP),
        plausible=Range(-20, 35, _CP),
        decimals=1,
        column="air_temperature_c",
        measured=True,
        bounds=(-40, 110),
    ),
    Field(
        "precipitation",
        "Precipitation",
        "Precipitation in the 24 h before the check.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WEATHER,
        (
            "precipitation",
            "precip",
            "rain",
            "rainfall",
            "rain 24h",
            "rain last 24h",
            "24h rain",
            "rain gauge",
            "precip 24h",
        ),
        unit="mm",
        accepted=("mm", "in", "cm"),
        possible=Range(
            0, 500, "above any coastal day on record in cold temperate climates; " + _CP
        ),
        plausible=Range(0, 150, _CP),
        decimals=1,
        column="precipitation_mm",
        measured=True,
        bounds=(0, 500),
    ),
    Field(
        "wind_speed",
        "Wind speed",
        "Wind speed.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WEATHER,
        ("wind speed", "wind", "windspeed", "wind force", "wind strength"),
        unit="m/s",
        accepted=("m/s", "mph", "kn", "km/h", "bft"),
        possible=Range(0, 75, _CP),
        plausible=Range(0, 25, "nobody tends a net in more; " + _CP),
        decimals=1,
        column="wind_speed_m_s",
        measured=True,
        bounds=(0, 120),
    ),
    Field(
        "wind_direction",
        "Wind direction",
        "Where the wind comes from.",
        Kind.CHOICE,
        Level.EVENT,
        Group.WEATHER,
        ("wind direction", "wind dir", "wind from", "dir", "direction"),
        choices=_WINDS,
        bad_effect=Effect.QUERY,
    ),
    Field(
        "cloud_cover",
        "Cloud cover",
        "Share of sky covered.",
        Kind.NUMBER,
        Level.EVENT,
        Group.WEATHER,
        ("cloud cover", "cloud", "clouds", "sky", "sky cover", "cloudiness", "cloud amount"),
        unit="%",
        accepted=("%", "oktas", "tenths"),
        possible=Range(0, 100, "a share"),
        decimals=0,
        column="cloud_cover_percent",
        measured=True,
        bounds=(0, 100),
    ),
    # -- people and place ---------------------------------------------------------
    Field(
        "observers",
        "Observers",
        "How many people took part.",
        Kind.WHOLE,
        Level.EVENT,
        Group.PEOPLE,
        (
            "observers",
            "number of observers",
            "no observers",
            "volunteers",
            "no of volunteers",
            "# volunteers",
            "people",
            "# people",
            "number of volunteers",
            "participants",
            "# vols",
            "vols",
        ),
        unit="1",
        accepted=("1",),
        possible=Range(0, 500, _CP),
        plausible=Range(1, 60, _CP),
        decimals=0,
        bounds=(0, 500),
    ),
    Field(
        "volunteer_hours",
        "Volunteer hours",
        "Hours given, all people together.",
        Kind.NUMBER,
        Level.EVENT,
        Group.PEOPLE,
        (
            "volunteer hours",
            "vol hours",
            "hours given",
            "person hours",
            "man hours",
            "vol hrs",
            "volunteer hrs",
            "people hours",
        ),
        unit="h",
        accepted=("h", "min"),
        possible=Range(0, 2000, _CP),
        plausible=Range(0, 200, _CP),
        decimals=1,
        bounds=(0, 2000),
    ),
    Field(
        "latitude",
        "Latitude",
        "Decimal degrees north, WGS 84.",
        Kind.NUMBER,
        Level.EVENT,
        Group.PLACE,
        ("latitude", "lat", "decimal latitude"),
        unit="deg",
        accepted=("deg",),
        possible=Range(-90, 90, "definition"),
        decimals=5,
        bounds=(-90, 90),
    ),
    Field(
        "longitude",
        "Longitude",
        "Decimal degrees east, WGS 84.",
        Kind.NUMBER,
        Level.EVENT,
        Group.PLACE,
        ("longitude", "long", "lon", "decimal longitude"),
        unit="deg",
        accepted=("deg",),
        possible=Range(-180, 180, "definition"),
        decimals=5,
        bounds=(-180, 180),
    ),
    Field(
        "remarks",
        "Remarks",
        "What the recorder wanted to say.",
        Kind.TEXT,
        Level.EVENT,
        Group.PEOPLE,
        (
            "remarks",
            "remark",
            "notes",
            "note",
            "comments",
            "comment",
            "observations",
            "other",
            "memo",
        ),
    ),
)

FIELDS: dict[str, Field] = {entry.id: entry for entry in _ENTRIES}
"""Field id -> entry, in the order of the published dictionary."""

EVENT_FIELDS: tuple[Field, ...] = tuple(f for f in _ENTRIES if f.level is Level.EVENT)
CATCH_FIELDS: tuple[Field, ...] = tuple(f for f in _ENTRIES if f.level is Level.CATCH)
NUMERIC_KINDS = frozenset({Kind.NUMBER, Kind.WHOLE})
MEASURED_FIELDS: tuple[Field, ...] = tuple(f for f in _ENTRIES if f.measured)


def check_dictionary() -> list[str]:
    """Contradictions within the dictionary itself, as sentences; empty when sound."""
    found: list[str] = []
    for entry in _ENTRIES:
        if entry.accepted and entry.accepted[0] != entry.unit:
            found.append(f"{entry.id}: the canonical unit must be accepted first")
        for unit_id in entry.accepted:
            if unit_id not in UNITS:
                found.append(f"{entry.id}: unknown unit {unit_id}")
        if entry.kind is Kind.CHOICE and not entry.choices:
            found.append(f"{entry.id}: a choice field needs choices")
        for name, span in (("possible", entry.possible), ("plausible", entry.plausible)):
            if span is not None and not span.source:
                found.append(f"{entry.id}: the {name} range has no source")
        if entry.possible and entry.plausible:
            for value in (entry.plausible.low, entry.plausible.high):
                if value is not None and not entry.possible.holds(value):
                    found.append(f"{entry.id}: plausible reaches outside possible")
    return found
