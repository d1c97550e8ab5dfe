"""The one place that knows units: what may be written, what it means (through Pint), how it is shown.

`TABLE` lists every unit a card may use, exactly as it is written: its meaning for Pint, its plural where the
written form is a word, and its UCUM code (https://ucum.org) for the open data. Counted things (burn, eye,
letter) are dimensions of their own here, so that burns are never added to eyes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

import pint

from .text import nearest


@dataclass(frozen=True, slots=True)
class Unit:
    """means: a Pint expression. plural: shown for any number but 1. ucum: code for open data, "" where UCUM has none.

    An annotation in braces counts as the number 1 in UCUM, so it may name what is counted, never a length or an area.
    """

    means: str
    plural: str = ""
    ucum: str = ""


TABLE: dict[str, Unit] = {
    # pressure
    "mmHg": Unit("mmHg", ucum="mm[Hg]"),
    "kPa": Unit("kilopascal", ucum="kPa"),
    "hPa": Unit("hectopascal", ucum="hPa"),
    "Pa": Unit("pascal", ucum="Pa"),
    "cmH2O": Unit("cmH2O", ucum="cm[H2O]"),
    "Pa/mm": Unit("pascal/millimeter", ucum="Pa/mm"),
    "mmHg/year": Unit("mmHg/year", ucum="mm[Hg]/a"),
    "1/µL": Unit("1/microliter", ucum="/uL"),
    "mmHg^(1/3)/µL": Unit("mmHg**(1/3)/microliter"),
    # length, area, volume
    "nm": Unit("nanometer", ucum="nm"),
    "µm": Unit("micrometer", ucum="um"),
    "mm": Unit("millimeter", ucum="mm"),
    "cm": Unit("centimeter", ucum="cm"),
    "m": Unit("meter", ucum="m"),
    "ft": Unit("foot", ucum="[ft_i]"),
    "inch": Unit("inch", "inches", "[in_i]"),
    "µm²": Unit("micrometer**2", ucum="um2"),
    "mm²": Unit("millimeter**2", ucum="mm2"),
    "cm²": Unit("centimeter**2", ucum="cm2"),
    "mm³": Unit("millimeter**3", ucum="mm3"),
    "µL": Unit("microliter", ucum="uL"),
    "mL": Unit("milliliter", ucum="mL"),
    "L": Unit("liter", ucum="L"),
    # mass, dose, concentration
    "ng": Unit("nanogram", ucum="ng"),
    "µg": Unit("microgram", ucum="ug"),
    "mg": Unit("milligram", ucum="mg"),
    "g": Unit("gram", ucum="g"),
    "kg": Unit("kilogram", ucum="kg"),
    "ng/mL": Unit("nanogram/milliliter", ucum="ng/mL"),
    "µg/mL": Unit("microgram/milliliter", ucum="ug/mL"),
    "mg/mL": Unit("milligram/milliliter", ucum="mg/mL"),
    "mg/dL": Unit("milligram/deciliter", ucum="mg/dL"),
    "% w/v": Unit("gram/(100*milliliter)", ucum="g/dL"),
    "mg/kg": Unit("milligram/kilogram", ucum="mg/kg"),
    "IU": Unit("international_dose_unit", ucum="[IU]"),
    "IU/mL": Unit("international_dose_unit/milliliter", ucum="[IU]/mL"),
    "mmol/L": Unit("millimole/liter", ucum="mmol/L"),
    "mmol/mol": Unit("millimole/mole", ucum="mmol/mol"),
    "mOsm/L": Unit("osmotic_unit/liter", ucum="mosm/L"),
    "mOsm/mmol": Unit("osmotic_unit/millimole", ucum="mosm/mmol"),
    "mOsm/kg": Unit("osmotic_unit/kilogram", ucum="mosm/kg"),
    "g/mol": Unit("gram/mole", ucum="g/mol"),
    "g/cm³": Unit("gram/centimeter**3", ucum="g/cm3"),
    # time and rate
    "ns": Unit("nanosecond", ucum="ns"),
    "µs": Unit("microsecond", ucum="us"),
    "ms": Unit("millisecond", ucum="ms"),
    "s": Unit("second", ucum="s"),
    "min": Unit("minute", ucum="min"),
    "hour": Unit("hour", "hours", "h"),
    "day": Unit("day", "days", "d"),
    "week": Unit("week", "weeks", "wk"),
    "month": Unit("month", "months", "mo"),
    "year": Unit("year", "years", "a"),
    "Hz": Unit("hertz", ucum="Hz"),
    "kHz": Unit("kilohertz", ucum="kHz"),
    "MHz": Unit("megahertz", ucum="MHz"),
    "cut/min": Unit("counted_cut/minute", "cuts/min", "/min"),
    "mL/min": Unit("milliliter/minute", ucum="mL/min"),
    "mmHg/min": Unit("mmHg/minute", ucum="mm[Hg]/min"),
    "mmHg/100 m": Unit("mmHg/(100*meter)", ucum="mm[Hg]/(100.m)"),
    "mmHg/1000 ft": Unit("mmHg/(1000*foot)", ucum="mm[Hg]/(1000.[ft_i])"),
    "Pa·s": Unit("pascal*second", ucum="Pa.s"),
    "mPa·s": Unit("millipascal*second", ucum="mPa.s"),
    # light and energy
    "W": Unit("watt", ucum="W"),
    "mW": Unit("milliwatt", ucum="mW"),
    "J": Unit("joule", ucum="J"),
    "mJ": Unit("millijoule", ucum="mJ"),
    "J/cm²": Unit("joule/centimeter**2", ucum="J/cm2"),
    "W/cm²": Unit("watt/centimeter**2", ucum="W/cm2"),
    "W/m²": Unit("watt/meter**2", ucum="W/m2"),
    "1/cm": Unit("1/centimeter", ucum="/cm"),
    "dioptre": Unit("1/meter", "dioptres", "[diop]"),
    # angle, position, the retina's own measures
    "degree": Unit("degree", "degrees", "deg"),
    "clock hour": Unit("30*degree", "clock hours", "30.deg"),
    "disc diameter": Unit("disc_diameter_unit", "disc diameters"),
    "disc area": Unit("disc_area_unit", "disc areas"),
    "burn width": Unit("burn_width_unit", "burn widths"),
    "mm/degree": Unit("millimeter/degree", ucum="mm/deg"),
    "mm/mm": Unit("millimeter/millimeter", ucum="mm/mm"),
    "°C": Unit("temperature_step", ucum="Cel"),
    # counts and shares
    "%": Unit("percent", ucum="%"),
    "%/day": Unit("percent/day", ucum="%/d"),
    "ratio": Unit("dimensionless", "", "1"),
    "burn": Unit("counted_burn", "burns", "{burn}"),
    "line": Unit("counted_line", "lines", "{line}"),
    "letter": Unit("counted_letter", "letters", "{letter}"),
    "point": Unit("counted_point", "points", "{point}"),
    "eye": Unit("counted_eye", "eyes", "{eye}"),
    "patient": Unit("counted_patient", "patients", "{patient}"),
    "logMAR": Unit("dimensionless", ucum="{logMAR}"),
    "dB": Unit("decibel_step", ucum="dB"),
}

_OWN = (
    "international_dose_unit", "osmotic_unit", "disc_diameter_unit", "disc_area_unit", "burn_width_unit",
    "counted_burn", "counted_cut", "counted_line", "counted_letter", "counted_point", "counted_eye",
    "counted_patient", "decibel_step", "temperature_step",
)
# Ways people write these units that are understood well enough to name the form to use.
_OTHER_FORMS = {
    "mm hg": "mmHg", "mmhg": "mmHg", "cm h2o": "cmH2O", "cmh2o": "cmH2O", "um": "µm", "μm": "µm", "micron": "µm",
    "microns": "µm", "ul": "µL", "μl": "µL", "ml": "mL", "ug": "µg", "μg": "µg", "mcg": "µg", "sec": "s",
    "second": "s", "seconds": "s", "minute": "min", "minutes": "min", "h": "hour", "hr": "hour", "hrs": "hour",
    "d": "day", "wk": "week", "wks": "week", "yr": "year", "percent": "%", "dd": "disc diameter", "deg": "degree",
    "°": "degree", "diopter": "dioptre", "diopters": "dioptre", "millimetre": "mm", "millimetres": "mm",
    "millimeter": "mm", "hours": "hour", "cpm": "cut/min", "cuts/min": "cut/min", "mm2": "mm²", "cm2": "cm²",
    "none": "ratio", "1": "ratio", "c": "°C", "o'clock": "clock hour",
}
_SPACELESS = {"%", "°C"}


class Units:
    """Unit arithmetic for one run. Building it takes a moment, so make one and pass it on."""

    def __init__(self) -> None:
        self._pint = pint.UnitRegistry(cache_folder=None)
        for name in _OWN:
            self._pint.define(f"{name} = [{name}]")
        self.in_prose = in_prose()
        self._made = {name: 1 * self._pint(unit.means) for name, unit in TABLE.items()}

    @staticmethod
    def known(name: str) -> bool:
        return name in TABLE

    @staticmethod
    def suggestion(name: str) -> str:
        """The unit probably meant by an unknown one, or an empty string."""
        low = name.strip().lower()
        if low in _OTHER_FORMS:
            return _OTHER_FORMS[low]
        plurals = {unit.plural: key for key, unit in TABLE.items() if unit.plural}
        by_lower = {key.lower(): key for key in TABLE} | plurals
        return by_lower.get(low) or nearest(name, TABLE) or ""

    def same_dimension(self, one: str, other: str) -> bool:
        return self._made[one].dimensionality == self._made[other].dimensionality

    def factor(self, frm: str, to: str) -> float:
        """What a number in `frm` is multiplied by to be in `to`. Both in TABLE and of one dimension."""
        return self.dimension(frm).factor_to(self.dimension(to))

    def dimension(self, name: str) -> "Dimension":
        return Dimension(self._made[name])

    def plain(self) -> "Dimension":
        """The dimension of a bare number."""
        return Dimension(self._pint.Quantity(1, "dimensionless"))


@dataclass(frozen=True, slots=True)
class Dimension:
    """A unit in a formula, as one of that unit: multiplied, divided and raised like a number."""

    one: pint.Quantity

    def __mul__(self, other: "Dimension") -> "Dimension":
        return Dimension(self.one * other.one)

    def __truediv__(self, other: "Dimension") -> "Dimension":
        return Dimension(self.one / other.one)

    def __pow__(self, power: float) -> "Dimension":
        return Dimension(self.one**power)

    def same(self, other: "Dimension") -> bool:
        mine, theirs = self.one.dimensionality, other.one.dimensionality
        if mine == theirs:
            return True
        # Roots make powers that floating arithmetic leaves a hair apart.
        return all(abs(mine.get(d, 0) - theirs.get(d, 0)) < 1e-9 for d in {*mine, *theirs})

    @property
    def bare(self) -> bool:
        """No dimension at all (an angle in radians counts as bare)."""
        return all(abs(power) < 1e-9 for power in self.one.dimensionality.values())

    def factor_to(self, other: "Dimension") -> float:
        """What a number in this unit is multiplied by to be in the other."""
        try:
            ratio = float(self.one.to_base_units().magnitude / other.one.to_base_units().magnitude)
        except ZeroDivisionError:  # a power so high that the unit vanishes
            raise OverflowError from None
        # Whole decimal factors come out of floating arithmetic a hair off; give back the exact one.
        return float(f"{ratio:.15g}")

    def words(self) -> str:
        """The dimension in words, for a message."""
        return _dimension_words(str(self.one.dimensionality))


def _dimension_words(dimensionality: str) -> str:
    names = {
        "dimensionless": "a bare number", "[length]": "a length", "[length] ** 2": "an area",
        "[length] ** 3": "a volume", "[time]": "a time", "[mass]": "a mass",
        "[mass] / [length] / [time] ** 2": "a pressure", "[mass] / [length] ** 3": "a concentration",
        "[length] ** 3 / [time]": "a flow", "1 / [time]": "a rate", "1 / [length]": "a refractive power",
        "[mass] * [length] ** 2 / [time] ** 2": "an energy", "[mass] * [length] ** 2 / [time] ** 3": "a power",
    }
    return names.get(dimensionality, dimensionality.replace("[", "").replace("]", "").replace("counted_", "").replace("_", " ").replace(" ** ", "^"))


def number(value: float, decimals: int | None = None) -> str:
    """A number for reading: no float noise, a true minus sign.

    With decimals: rounded at 15 significant digits, halves away from zero, as the page's own script does. Without:
    as written, thousands set apart by a comma from 10,000 on.
    """
    if decimals is not None:
        exact = Decimal(f"{value:.15g}")
        shown = f"{exact.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP):f}" if abs(value) < 1e15 else f"{value:.6e}"
    else:
        shown = f"{value:.10g}" if abs(value) < 1e15 else f"{value:.3e}"
        if "e" not in shown and abs(value) >= 10_000:
            whole, dot, rest = shown.partition(".")
            shown = f"{int(whole):,}{dot}{rest}"
    if not value or not shown.strip("-0.,e+"):
        shown = shown.lstrip("-")
    return shown.replace("-", "\u2212")


def clock(hours: float) -> str:
    """A clock position: 9.5 is 9:30, 12.25 is 12:15, 13 is 1:00."""
    whole, minutes = divmod(round(hours * 60), 60)
    return f"{(whole - 1) % 12 + 1}:{minutes:02d}"


def unit_shown(unit: str, value: float | None = None) -> str:
    """The unit as printed after a number: plural where it is a word, nothing for a ratio."""
    if unit == "ratio":
        return ""
    entry = TABLE.get(unit)
    return entry.plural if entry and entry.plural and value != 1 else unit


def amount_number(value: float | None, low: float | None, high: float | None) -> str:
    """The figure of an amount without its unit: 60, 4–10, at least 1.4, up to 30."""
    if value is not None:
        return number(value)
    if low is not None and high is not None:
        if low < 0 or high < 0:
            return f"{number(low)} to {number(high)}"
        return f"{number(low)}–{number(high)}"
    if low is not None:
        return f"at least {number(low)}"
    return f"up to {number(high)}" if high is not None else ""


def amount(unit: str, value: float | None, low: float | None, high: float | None) -> str:
    """The figure with its unit, as it stands in a sentence: 60 mmHg, 4–10 days, 30%."""
    figure = amount_number(value, low, high)
    shown = unit_shown(unit, value)
    if not shown:
        return figure
    return figure + ("" if unit in _SPACELESS else "\u00a0") + shown


def in_prose() -> re.Pattern[str]:
    """Finds a number written with a unit in a sentence. 360 degrees, once round the eye, is a trade term; 1970s is no time."""
    words = {w for key, unit in TABLE.items() for w in (key, unit.plural) if w and key not in ("ratio", "eye", "patient", "point", "line", "L", "m", "g")}
    words |= {"mm Hg", "minutes", "minute", "seconds", "second", "microns", "um", "ml", "ul", "mcg", "ug", "per cent",
              "percent", "hrs", "sec", "°", "disc-diameter", "disc-diameters"}
    units = "|".join(sorted(map(re.escape, words), key=len, reverse=True))
    figure = r"\d[\d,]*(?:\.\d+)?"
    return re.compile(
        rf"(?<![\w.])(?!360[\s\u00a0-]?(?:degrees?|°)|(?:1[89]|20)\d0s\b)({figure}(?:\s?(?:-|–|to|and|or)\s?{figure})?[\s\u00a0-]?(?:{units}))(?![\w/²³])"
    )
