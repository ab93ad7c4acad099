"""The only conversions between units: pint's definitions under the trade's spellings.

A unit has one short name here (`kPa`, `N.m`, `rpm`); every other spelling is looked up in
`UNITS`. Engine speed is kept apart from frequency on purpose: a count per second is not a speed
until somebody says a count of what.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, Literal, TypeVar, cast

from dynostats.arrays import Floats
from dynostats.errors import InputError

Values = TypeVar("Values", float, Floats)

KW_PER_NM_RPM = math.pi / 30_000.0
_CRITICAL_K, _CRITICAL_KPA = 647.096, 22_064.0
_SATURATION = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One unit of measurement.

    Args:
        name: Short name used everywhere in this package.
        dimension: What it measures; only units of one dimension convert into each other.
        pint: The same unit in pint's words.
        spellings: Other ways to write it, compared without case, spaces and accents.
    """

    name: str
    dimension: str
    pint: str
    spellings: tuple[str, ...] = ()


def _unit(name: str, dimension: str, pint: str, spellings: str = "") -> Unit:
    return Unit(name=name, dimension=dimension, pint=pint, spellings=tuple(spellings.split()))


UNITS: tuple[Unit, ...] = (
    _unit("s", "time", "second", "sec secs second seconds sek sekunde sekunden seconde secondi"),
    _unit("ms", "time", "millisecond", "msec millisecond milliseconds millisekunden"),
    _unit("us", "time", "microsecond", "µs usec microseconds"),
    _unit("min", "time", "minute", "minute minutes minuten"),
    _unit("h", "time", "hour", "hr hour hours std"),
    _unit(
        "rpm",
        "rotational speed",
        "revolution / minute",
        "1/min min-1 min^-1 /min r/min rev/min u/min upm umin tr/min trs/min t/min tpm giri/min "
        "vueltas/min rev.min-1 r.p.m. rpms revs/min",
    ),
    _unit("1/s", "rotational speed", "revolution / second", "rps rev/s s-1 s^-1 u/s tr/s"),
    _unit("rad/s", "rotational speed", "radian / second", "rads rad/sec"),
    _unit("Hz", "frequency", "hertz", "hertz"),
    _unit("kHz", "frequency", "kilohertz"),
    _unit(
        "N.m",
        "torque",
        "newton * meter",
        "nm n*m n-m n·m n_m newtonmeter newton-meter newtonmetre newton-metre newton*meter",
    ),
    _unit("kN.m", "torque", "kilonewton * meter", "knm kn*m kn-m kn·m"),
    _unit("daN.m", "torque", "decanewton * meter", "danm dan*m dan-m dan·m mdan m.dan"),
    _unit(
        "lbf.ft",
        "torque",
        "pound_force * foot",
        "lb.ft lbft lb-ft lb*ft lb/ft lbs-ft lbs.ft lbsft lbs/ft lbf-ft lbfft lbf*ft lb·ft lbf·ft "
        "lb_ft ft.lb ftlb ft-lb ft*lb ft/lb ftlbs ft-lbs ft.lbs ft/lbs ft.lbf ftlbf ft-lbf ft*lbf "
        "ft·lb ft·lbf ft_lb ft_lbs lbs_ft pound-feet poundfeet foot-pound foot-pounds",
    ),
    _unit(
        "lbf.in", "torque", "pound_force * inch", "lb.in lbin lb-in in.lb inlb in-lb in-lbs inlbf"
    ),
    _unit(
        "kgf.m",
        "torque",
        "kilogram_force * meter",
        "kgm kg.m kg-m kg*m kg·m kgfm kgf-m kgf*m kgf·m mkg mkp kpm kp.m kp*m mkgf",
    ),
    _unit("kW", "power", "kilowatt", "kilowatt kilowatts"),
    _unit("W", "power", "watt", "watt watts"),
    _unit("MW", "power", "megawatt", "megawatt"),
    _unit(
        "hp",
        "power",
        "horsepower",
        "bhp whp hp(i) hp(mech) mhp shp fhp hpi hp_i horsepower horse-power",
    ),
    _unit(
        "PS",
        "power",
        "metric_horsepower",
        "cv ch hp(m) hpm hp_m pk din-ps ps(din) psdin cavalli chevaux chdin ch(din) cvdin",
    ),
    _unit("kPa", "pressure", "kilopascal", "kilopascal kpascal"),
    _unit("Pa", "pressure", "pascal", "pascal"),
    _unit("hPa", "pressure", "hectopascal", "hectopascal"),
    _unit("MPa", "pressure", "megapascal", "megapascal n/mm2 n/mm²"),
    _unit("bar", "pressure", "bar", "bars"),
    _unit("mbar", "pressure", "millibar", "millibar mb"),
    _unit("psi", "pressure", "pound_force_per_square_inch", "lbf/in2 lbf/in² lb/in2 lb/in² p.s.i."),
    _unit("inHg", "pressure", "inHg", "in.hg in-hg in_hg inchhg inch-hg inches-hg inchesofmercury"),
    _unit("mmHg", "pressure", "mmHg", "mm.hg mm-hg mm_hg torr"),
    _unit("inH2O", "pressure", "inch_H2O_60F", "in.h2o in-h2o in_h2o inh20 inwc in.wc"),
    _unit("atm", "pressure", "standard_atmosphere"),
    _unit("kgf/cm2", "pressure", "kilogram_force / centimeter ** 2", "kg/cm2 kg/cm² kgf/cm² at"),
    _unit(
        "degC",
        "temperature",
        "degree_Celsius",
        "°c c ºc ˚c deg.c deg-c deg_c degrees-c degreec grad grad.c grad-c celsius gradc grd.c "
        "øc â°c",  # the degree sign of DOS, and of UTF-8 read as Latin-1
    ),
    _unit(
        "degF",
        "temperature",
        "degree_Fahrenheit",
        "°f f ºf ˚f deg.f deg-f deg_f degrees-f degreef fahrenheit",
    ),
    _unit("K", "temperature", "kelvin", "kelvin °k degk deg-k"),
    _unit("1", "ratio", "dimensionless", "- \u2013 \u2014 λ lambda l/l none dimensionless ratio"),
    _unit("%", "ratio", "percent", "percent pct prozent proz vh v.h. per-cent procent porcento"),
    _unit("%RH", "ratio", "percent", "rh% %rf %r.h. %hr rh %r.f. %ur"),
    _unit("AFR", "air fuel ratio", "dimensionless", "a/f afr:1 :1 kg/kg g/g"),
    _unit(
        "deg",
        "angle",
        "degree",
        "° º ˚ degca °ca °kw degkw degcrk °crk °cr deg-ca deg_ca °btdc degbtdc °bt btdc bt dbtdc "
        "°vot degvot °kwvot grad-kw gradkw °v °av °avpmh degrees degree °crank degcrank",
    ),
    _unit("rad", "angle", "radian"),
    _unit("kg/h", "mass flow", "kilogram / hour", "kg/hr kgh kgph kg_h kg.h-1 kg/std kg/hour kg/u"),
    _unit("kg/min", "mass flow", "kilogram / minute", "kg_min"),
    _unit("kg/s", "mass flow", "kilogram / second", "kg_s kg.s-1 kg/sec"),
    _unit("g/s", "mass flow", "gram / second", "g_s g.s-1 g/sec gps gr/s"),
    _unit("g/min", "mass flow", "gram / minute", ""),
    _unit("g/h", "mass flow", "gram / hour", "g_h"),
    _unit(
        "lb/h", "mass flow", "pound / hour", "lb/hr lbs/h lbs/hr lbhr pph lb_h lb_hr lbs_hr lbm/h"
    ),
    _unit("lb/min", "mass flow", "pound / minute", "lbs/min lb_min ppm_mass lbm/min"),
    _unit("L/h", "volume flow", "liter / hour", "l/hr lph ltr/h"),
    _unit("L/min", "volume flow", "liter / minute", "lpm l_min ltr/min"),
    _unit("L/s", "volume flow", "liter / second", ""),
    _unit("cc/min", "volume flow", "centimeter ** 3 / minute", "cm3/min cm³/min ml/min ccm/min"),
    _unit("m3/h", "volume flow", "meter ** 3 / hour", "m³/h cbm/h m3/hr m^3/h"),
    _unit("m3/min", "volume flow", "meter ** 3 / minute", "m³/min"),
    _unit("ft3/min", "volume flow", "foot ** 3 / minute", "cfm scfm ft³/min cuft/min"),
    _unit("gal/h", "volume flow", "gallon / hour", "gph gal/hr us-gal/h"),
    _unit("V", "voltage", "volt", "volt volts"),
    _unit("mV", "voltage", "millivolt", "millivolt"),
    _unit("A", "current", "ampere", "amp amps ampere"),
    _unit("mA", "current", "milliampere"),
    _unit("km/h", "speed", "kilometer / hour", "kph kmh km/hr kmph"),
    _unit("mph", "speed", "mile / hour", "mi/h"),
    _unit("m/s", "speed", "meter / second", "m_s"),
    _unit("N", "force", "newton", "newton"),
    _unit("kN", "force", "kilonewton"),
    _unit("kg", "mass", "kilogram", "kilogram kilograms"),
    _unit("g", "mass", "gram", "gram grams"),
    _unit("mm", "length", "millimeter", "millimeter millimetre"),
    _unit("dm3", "volume", "decimeter ** 3", "dm³ litre liter litres liters"),
    _unit("cm3", "volume", "centimeter ** 3", "cm³ ccm"),
    _unit("in3", "volume", "inch ** 3", "in³ cu.in cuin cubicinch cubicinches"),
    _unit("kg.m2", "inertia", "kilogram * meter ** 2", "kg.m² kgm2 kgm² kg-m2 kg-m² kg.m^2"),
    _unit("kg.cm2", "inertia", "kilogram * centimeter ** 2", "kg.cm² kgcm2 kgcm² kg.cm^2"),
    _unit("lb.ft2", "inertia", "pound * foot ** 2", "lb.ft² lbft2 lb-ft2 lb-ft² lbm.ft2 lb.ft^2"),
    _unit("g/kWh", "specific consumption", "gram / kilowatt_hour", "g/kw-h g/kw.h g/(kwh) gkwh"),
    _unit(
        "lb/hph", "specific consumption", "pound / horsepower / hour", "lb/hp-h lb/hp.h lb/hp/hr"
    ),
)

_FOLD = str.maketrans({"·": ".", "∙": ".", "⋅": ".", "*": ".", "×": ".", " ": "", "\u00a0": ""})  # noqa: RUF001 - the dots and crosses headers really hold
_BY_NAME = {unit.name: unit for unit in UNITS}


def _fold(text: str) -> str:
    """Return a spelling reduced to what tells units apart."""
    return unicodedata.normalize("NFC", text).translate(_FOLD).replace("\u03bc", "µ").lower()


def _spellings() -> dict[str, str]:
    table: dict[str, str] = {}
    for unit in UNITS:
        for spelling in (unit.name, *unit.spellings):
            table.setdefault(_fold(spelling), unit.name)
    return table


_BY_SPELLING = _spellings()


@lru_cache(maxsize=4096)
def find_unit(text: str) -> str | None:
    """Return the short name of a unit written in any of its spellings, or None.

    Args:
        text: A unit as a header, a units row or a user writes it, without brackets.

    Example:
        >>> find_unit("1/min"), find_unit("ft-lbs"), find_unit("° C"), find_unit("furlong")
        ('rpm', 'lbf.ft', 'degC', None)
    """
    folded = _fold(text)
    return _BY_SPELLING.get(folded) or _BY_SPELLING.get(folded.rstrip("."))


def unit_dimension(unit: str) -> str:
    """Return what a unit (short name) measures; "" for a unit not in the table."""
    found = _BY_NAME.get(unit)
    return found.dimension if found else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """A conversion as arithmetic: value * factor / divisor + offset; one of the two is 1."""

    factor: float
    divisor: float
    offset: float


_SAME = Scale(factor=1.0, divisor=1.0, offset=0.0)


@lru_cache(maxsize=1024)
def find_scale(from_unit: str, to_unit: str) -> Scale:
    """Return the arithmetic that turns one unit into another.

    Args:
        from_unit: Unit of the numbers, any spelling.
        to_unit: Unit wanted, any spelling.

    Raises:
        InputError: If a unit is unknown or the two measure different things.
    """
    source, target = _look_up(from_unit), _look_up(to_unit)
    if source.dimension != target.dimension:
        raise InputError(
            f"{source.name} measures {source.dimension}, {target.name} measures "
            f"{target.dimension}; one cannot become the other.",
            mend="Correct the unit in the header, the units row or the --channels file.",
        )
    if source.pint == target.pint:
        return _SAME
    return _ask_pint(source.pint, target.pint)


def _look_up(text: str) -> Unit:
    name = find_unit(text)
    if name is None:
        raise InputError(
            f"'{text}' is not a unit this program knows.",
            mend="Write it another way, for example kPa, bar, psi, N.m, lbf.ft, kW, hp, degC.",
        )
    return _BY_NAME[name]


@cache
def _registry() -> Any:  # noqa: ANN401 - pint's registry is built at run time
    import pint  # noqa: PLC0415 - costs 0.2 s, and most files need no conversion

    return cast("Any", pint.UnitRegistry(autoconvert_offset_to_baseunit=True))


def _ask_pint(source: str, target: str) -> Scale:
    """Return pint's conversion; a division where that keeps decimals exact (W to kW)."""
    registry = _registry()

    def turn(value: float, one: str, other: str) -> float:
        return float(registry.Quantity(value, one).to(other).magnitude)

    offset = turn(0.0, source, target)
    if offset:
        factor = (turn(1000.0, source, target) - offset) / 1000.0
        return Scale(factor=factor, divisor=1.0, offset=offset)
    factor = turn(1.0, source, target)
    inverse = turn(1.0, target, source)
    if inverse > 1.0 and math.isclose(inverse, round(inverse), rel_tol=1e-12):
        return Scale(factor=1.0, divisor=float(round(inverse)), offset=0.0)
    if math.isclose(factor, round(factor), rel_tol=1e-12):
        factor = float(round(factor))
    return Scale(factor=factor, divisor=1.0, offset=0.0)


def convert(values: Values, from_unit: str, to_unit: str) -> Values:
    """Return values in another unit of the same dimension.

    Args:
        values: A number or an array of any shape.
        from_unit: Unit of the numbers, any spelling the trade uses.
        to_unit: Unit wanted.

    Returns:
        The same shape; the input itself when both units are one.

    Raises:
        InputError: If a unit is unknown or the two measure different things.

    Example:
        >>> round(convert(1.0, "hp", "W"), 5), round(convert(1.0, "PS", "W"), 5)
        (745.69987, 735.49875)
    """
    scale = find_scale(from_unit, to_unit)
    if scale == _SAME:
        return values
    return values * scale.factor / scale.divisor + scale.offset


System = Literal["si", "us"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """How a stored unit is shown to a person.

    Args:
        name: The unit as it is printed, e.g. "lb·ft".
        scale: From the stored unit to this one.
        more_digits: Decimals to print beyond those of the stored unit, so that nothing is lost.
    """

    name: str
    scale: Scale
    more_digits: int = 0

    def of(self, value: float) -> float:
        """Return a value in the stored unit as it is shown."""
        return value * self.scale.factor / self.scale.divisor + self.scale.offset


# Stored unit: printed name, short name here, decimals more than the stored unit needs.
_US_UNITS = {
    "kW": ("hp", "hp", 0),
    "N.m": ("lb·ft", "lbf.ft", 0),
    "kPa": ("psi", "psi", 1),
    "degC": ("°F", "degF", 0),
    "kg/h": ("lb/h", "lb/h", 0),
    "g/kWh": ("lb/hp·h", "lb/hph", 3),
}
_PRINTED = {"N.m": "N·m", "degC": "°C"}
_STORED = {printed: unit for unit, printed in _PRINTED.items()}
_FAHRENHEIT_STEP = Scale(factor=1.8, divisor=1.0, offset=0.0)
_SPOKEN = re.compile(
    r"(?<![\w.,/])(?:(?P<first>[+\-\u2212]?\d[\d,]*(?:\.\d+)?)(?P<between> to ))?"
    r"(?P<last>[+\-\u2212]?\d[\d,]*(?:\.\d+)?) (?P<unit>kW|N[.·]m|kPa|°C|degC|kg/h|g/kWh|K)"
    r"(?![\w/·²³])"
)
# Names that a user gave, and commands to be copied, are left as they are.
_VERBATIM = re.compile(r"((?<!\w)'[^']*'(?!\w)|\"[^\"]*\"|`[^`]*`|\bdynostats [a-z]+ .*$)")
_WEATHER = re.compile(r"ambient|baromet", re.IGNORECASE)


@lru_cache(maxsize=64)
def shown_unit(unit: str, system: System, *, barometer: bool = False) -> Shown:
    """Return how a stored unit is shown in a system of units.

    Args:
        unit: Stored unit, e.g. "kPa"; "K" is a difference of temperatures, also as "K a pull".
        system: "si" for the stored units, "us" for hp, lb·ft, psi, °F, lb/h.
        barometer: Whether it is the pressure of the air, which "us" shows in inHg.

    Returns:
        Its printed name and the conversion; the stored unit itself where the system has no other.

    Example:
        >>> shown_unit("kPa", "us").name, round(shown_unit("kPa", "us").of(100.0), 1)
        ('psi', 14.5)
        >>> shown_unit("K", "us").name, shown_unit("K", "us").of(10.0)
        ('°F', 18.0)
    """
    stored = _STORED.get(unit, unit)
    if system == "us" and unit.split(maxsplit=1)[0] == "K":
        return Shown(name=unit.replace("K", "°F", 1), scale=_FAHRENHEIT_STEP)
    if system == "us" and stored in _US_UNITS:
        name, short, more = ("inHg", "inHg", 1) if barometer else _US_UNITS[stored]
        return Shown(name=name, scale=find_scale(stored, short), more_digits=more)
    return Shown(name=_PRINTED.get(stored, stored), scale=_SAME)


def say_in(text: str, system: System) -> str:
    """Return a sentence with its numbers in a system of units.

    A number is converted where its unit stands behind it, and in ranges ("3 to 5 kPa"). What
    stands in quotation marks and in commands to be copied stays as it is.

    Args:
        text: A sentence in stored units; K stands for differences of temperature only.
        system: "si" leaves the sentence alone.

    Example:
        >>> say_in("Oil pressure is 180 kPa at 4200 rpm, 60 to 70 °C.", "us")
        'Oil pressure is 26.1 psi at 4200 rpm, 140 to 158 °F.'
    """
    if system == "si":
        return text
    parts = _VERBATIM.split(text)
    return "".join(
        part if at % 2 else _SPOKEN.sub(lambda found: _spoken(found, system), part)
        for at, part in enumerate(parts)
    )


def _spoken(found: re.Match[str], system: System) -> str:
    near = found.string[max(0, found.start() - 40) : found.end() + 20]
    shown = shown_unit(found["unit"], system, barometer=bool(_WEATHER.search(near)))
    first = _respoken(found["first"], shown) + found["between"] if found["first"] else ""
    return f"{first}{_respoken(found['last'], shown)} {shown.name}"


def _respoken(number: str, shown: Shown) -> str:
    """Return a number as it stands in a sentence, converted, with its sign and its decimals."""
    plain = number.replace(",", "").replace("\u2212", "-")
    _, _, decimals = plain.partition(".")
    digits = len(decimals) + shown.more_digits
    value = round(shown.of(float(plain)), digits) + 0.0  # never minus nothing
    sign = "+" if number[0] == "+" and value >= 0 else ""
    comma = "," if "," in number else ""
    text = f"{sign}{value:{comma}.{digits}f}"
    return text.replace("-", "\u2212") if number[0] == "\u2212" else text


def power_kw(torque_nm: Values, speed_rpm: Values) -> Values:
    """Return power in kW: P = T * n * pi / 30000, T in N.m, n in 1/min.

    Example:
        >>> round(power_kw(100.0, 9549.296586), 6)
        100.0
    """
    return torque_nm * speed_rpm * KW_PER_NM_RPM


def torque_nm(power_kw: Values, speed_rpm: Values) -> Values:
    """Return torque in N.m: T = P * 30000 / (pi * n), P in kW, n in 1/min.

    Example:
        >>> round(torque_nm(100.0, 9549.296586), 6)
        100.0
    """
    return power_kw / (speed_rpm * KW_PER_NM_RPM)


def saturation_pressure_kpa(temperature_c: float) -> float:
    """Return the vapour pressure of saturated air over water, kPa.

    Source:
        IAPWS SR1-86(1992), the auxiliary equation of Wagner & Pruss (1993), J. Phys. Chem. Ref.
        Data 22:783. The 0.4 % that air adds at 1 bar is left out, as the correction standards do.

    Example:
        >>> round(saturation_pressure_kpa(30.0), 3)
        4.247
    """
    kelvin = temperature_c + 273.15
    away = 1.0 - kelvin / _CRITICAL_K
    series = sum(factor * away**power for factor, power in _SATURATION)
    return _CRITICAL_KPA * math.exp(_CRITICAL_K / kelvin * series)


def humidity_pct(vapour_pressure_kpa: float, temperature_c: float) -> float:
    """Return relative humidity in percent from vapour pressure and dry-bulb temperature."""
    return 100.0 * vapour_pressure_kpa / saturation_pressure_kpa(temperature_c)
