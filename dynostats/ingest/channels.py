"""The table of channels: what the trade calls them, and what they are stored as."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Literal, cast

from dynostats.errors import InputError
from dynostats.units import find_unit, unit_dimension

Reference = Literal["", "absolute", "gauge"]

_WORDS = {
    "temperature": "temp",
    "temperatur": "temp",
    "temperatura": "temp",
    "tmp": "temp",
    "pressure": "press",
    "pres": "press",
    "cylinder": "cyl",
    "zylinder": "cyl",
    "zyl": "cyl",
    "cylindre": "cyl",
    "cilindro": "cyl",
    "cil": "cyl",
}
_SINGLE = 1
_CYLINDER = re.compile(
    r"^(?:(?P<front>cyl|bank)0*(?P<first>\d{1,2})(?P<rest>\D+)|"
    r"(?P<base>\D+?)(?:cyl|bank|nr|no|sensor)?0*(?P<last>\d{1,2}))$"
)
_USER_KEYS = {"names", "unit", "reference", "column", "stoichiometric", "lag"}
# A sensor slower than this does not follow a pull at all.
_LONGEST_LAG_S = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One channel of the shipped table.

    Args:
        name: Stored name, without cylinder number.
        unit: Stored unit.
        meaning: What it is, in words.
        assumed: Unit taken when none is stated; "" when none may be taken.
        likely: Unit to the lowest and highest value of a loaded engine in it.
        numbered: Largest cylinder or bank number; 0 when the channel has none.
        holds: Whether a reading that stands still is ordinary.
    """

    name: str
    unit: str
    meaning: str = ""
    assumed: str = ""
    likely: Mapping[str, tuple[float, float]] = field(
        default_factory=dict[str, tuple[float, float]]
    )
    numbered: int = 0
    holds: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class UserRule:
    """What the user's own file says about some headers.

    Args:
        channel: Stored name the headers stand for.
        unit: Unit of the file's numbers; "" leaves it to the header.
        reference: Whether a pressure is absolute or gauge; "" leaves it to the header.
        column: Which column of the file, from 1, when the name stands there more than once.
        stoichiometric: Air fuel ratio at lambda 1, to turn an air fuel ratio into lambda.
    """

    channel: str
    unit: str = ""
    reference: Reference = ""
    column: int | None = None
    stoichiometric: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A channel that a name may stand for.

    Args:
        channel: Stored name, with cylinder number.
        spec: The table's entry; None for a channel the user made up.
        reference: The pressure reference that the name itself states.
        needs_unit: Whether the name counts only beside a unit of the right kind.
        charged: Whether the name says that the engine is charged.
        rule: The user's rule, when it was the user who gave the name.
    """

    channel: str
    spec: Channel | None
    reference: Reference = ""
    needs_unit: bool = False
    charged: bool = False
    rule: UserRule | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, weakref_slot=True)
class ChannelTable:
    """Names of channels, the trade's and the user's.

    Args:
        channels: Stored name to entry.
        matches: Key of a name to the channels it may stand for.
        letters: Single letters, case kept, to the channels they may stand for.
        preamble: Key of a name that counts above the table only, to its channel.
        rules: Key of a user's name to the user's rules.
        decimal: The decimal sign the user says the files have; "" leaves it to the files.
        lags: Stored name of a channel to how late it reads, s, as the user says; None where it is
            to be estimated.
    """

    channels: Mapping[str, Channel]
    matches: Mapping[str, tuple[Match, ...]]
    letters: Mapping[str, tuple[Match, ...]]
    preamble: Mapping[str, Match]
    rules: Mapping[str, tuple[Match, ...]] = field(default_factory=dict[str, tuple[Match, ...]])
    decimal: str = ""
    lags: Mapping[str, float | None] = field(default_factory=dict[str, float | None])

    def find_rule(self, text: str) -> Match | None:
        """Return the user's rule for a header or name, or None."""
        found = self.rules.get(channel_key(text))
        return found[0] if found else None

    def find_rules(self, text: str) -> tuple[Match, ...]:
        """Return all of the user's rules for a header or name, in file order."""
        return self.rules.get(channel_key(text), ())

    def find(self, text: str) -> tuple[Match, ...]:
        """Return the channels that a name, without unit, may stand for."""
        name = text.strip()
        if len(name) == _SINGLE and name in self.letters:
            return self.letters[name]
        key = channel_key(name)
        return self.matches.get(key) or self._find_numbered(key)

    def find_above(self, text: str) -> tuple[Match, ...]:
        """Return the channels that a key of the preamble may stand for."""
        above = self.preamble.get(channel_key(text))
        return (above,) if above else self.find(text)

    def _find_numbered(self, key: str) -> tuple[Match, ...]:
        parts = _CYLINDER.match(key)
        if parts is None:
            return ()
        base = parts["rest"] or parts["base"]
        number = int(parts["first"] or parts["last"])
        return tuple(
            Match(channel=f"{match.channel}_{number}", spec=match.spec)
            for match in self.matches.get(base, ())
            if match.spec is not None and 1 <= number <= match.spec.numbered
        )


@lru_cache(maxsize=4096)
def channel_key(text: str) -> str:
    """Return what two spellings of one name have in common.

    Example:
        >>> channel_key("Ladeluft-Temperatur"), channel_key("ladelufttemp.")
        ('ladelufttemp', 'ladelufttemp')
    """
    return _key(text, umlauts={})


_UMLAUTS = {"ä": "ae", "ö": "oe", "ü": "ue"}


def _key(text: str, *, umlauts: Mapping[str, str]) -> str:
    lowered = unicodedata.normalize("NFC", text).lower().replace("ß", "ss").replace("λ", "lambda")
    for umlaut, letters in umlauts.items():
        lowered = lowered.replace(umlaut, letters)
    plain = "".join(
        letter
        for letter in unicodedata.normalize("NFKD", lowered)
        if not unicodedata.combining(letter)
    )
    words = re.findall(r"[a-z]+|[0-9]+", plain)
    return "".join(_WORDS.get(word, _shorten(word)) for word in words)


def _shorten(word: str) -> str:
    """Return a compound word with its last part shortened (Ladelufttemperatur)."""
    return word.removesuffix("eratur") if word.endswith("temperatur") else word


def load_channel_table(user_toml: Path | None = None) -> ChannelTable:
    """Return the shipped table, extended by the user's file.

    Args:
        user_toml: One table a channel: `names` (headers as they stand in the files), `unit` of the
            files' numbers, `reference` ("absolute" or "gauge"), `column` (number, from 1, where a
            header stands more than once), `stoichiometric` (turns an air fuel ratio into lambda),
            `lag` (how late the sensor reads, s; "estimate" for lambda); before the tables,
            `decimal = ","` or `"."`.

    Raises:
        InputError: If the user's file is missing, no TOML, or says something not in this list.
    """
    shipped = _shipped_table()
    if user_toml is None:
        return shipped
    document = _read_toml(user_toml)
    decimal = document.pop("decimal", "")
    if decimal not in {"", ",", "."}:
        raise InputError(
            f"decimal is {decimal!r}.", where=str(user_toml), mend='Write decimal = "," or "."'
        )
    rules: dict[str, tuple[Match, ...]] = {}
    lags: dict[str, float | None] = {}
    for name, entry in document.items():
        if isinstance(entry, dict) and "lag" in entry:
            lags[name] = _read_lag(
                name, cast("object", entry["lag"]), where=f"{user_toml} [{name}]"
            )
        for key, match in _read_rules(name, entry, shipped, where=f"{user_toml} [{name}]"):
            rules[key] = (*rules.get(key, ()), match)
    return ChannelTable(
        channels=shipped.channels,
        matches=shipped.matches,
        letters=shipped.letters,
        preamble=shipped.preamble,
        rules=rules,
        decimal=cast("str", decimal),
        lags=lags,
    )


@cache
def _shipped_table() -> ChannelTable:
    text = files("dynostats.ingest").joinpath("channels.toml").read_text(encoding="utf-8")
    channels: dict[str, Channel] = {}
    matches: dict[str, tuple[Match, ...]] = {}
    letters: dict[str, tuple[Match, ...]] = {}
    preamble: dict[str, Match] = {}
    for name, entry in tomllib.loads(text).items():
        spec = Channel(
            name=name,
            unit=entry["unit"],
            meaning=entry["meaning"],
            assumed=entry.get("assumed", ""),
            likely={unit: (low, high) for unit, (low, high) in entry.get("likely", {}).items()},
            numbered=entry.get("numbered", 0),
            holds=entry.get("holds", False),
        )
        channels[name] = spec
        for spelling in entry.get("preamble", ()):
            preamble[channel_key(spelling)] = Match(channel=name, spec=spec)
        for spelling, match in _shipped_names(spec, entry):
            book = letters if len(spelling) == _SINGLE else matches
            for key in _keys(spelling) if book is matches else (spelling,):
                book[key] = (*book.get(key, ()), match)
    return ChannelTable(channels=channels, matches=matches, letters=letters, preamble=preamble)


def _shipped_names(spec: Channel, entry: Mapping[str, list[str]]) -> list[tuple[str, Match]]:
    plain = Match(channel=spec.name, spec=spec)
    stated = Match(channel=spec.name, spec=spec, needs_unit=True)
    absolute = Match(channel=spec.name, spec=spec, reference="absolute")
    gauge = Match(channel=spec.name, spec=spec, reference="gauge")
    charged = Match(channel=spec.name, spec=spec, charged=True)
    return [
        (spec.name, plain),
        *((name, plain) for name in entry.get("names", ()) if channel_key(name) != spec.name),
        *((name, absolute) for name in entry.get("absolute", ())),
        *((name, gauge) for name in entry.get("gauge", ())),
        *((name, charged) for name in entry.get("charged", ())),
        *((name, stated) for name in entry.get("stated", ())),
    ]


def _keys(name: str) -> set[str]:
    """Return the keys of a name: umlauts as vowels (u) and as two letters (ue)."""
    return {_key(name, umlauts={}), _key(name, umlauts=_UMLAUTS)}


def _read_toml(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(
            f"The channel file cannot be read ({error.strerror}).", where=str(path)
        ) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputError(
            f"The channel file is no valid TOML: {error}.",
            where=str(path),
            mend='A channel looks like this: [torque] then names = ["Drehmoment 1"] '
            'then unit = "N.m".',
        ) from error


def _read_rules(
    name: str, entry: object, shipped: ChannelTable, *, where: str
) -> list[tuple[str, Match]]:
    if not isinstance(entry, dict):
        raise InputError(
            f"'{name}' stands outside a channel.", where=where, mend="Write it below [channel]."
        )
    fields = cast("dict[str, object]", entry)
    unknown = sorted(set(fields) - _USER_KEYS)
    if unknown:
        raise InputError(
            f"'{unknown[0]}' is not a setting of a channel.",
            where=where,
            mend=f"Settings are {', '.join(sorted(_USER_KEYS))}.",
        )
    names = _name_list(fields.get("names", []), where=where)
    spec = _find_spec(name, shipped)
    rule = _read_rule(name, fields, spec, where=where)
    match = Match(channel=name, spec=spec, reference=rule.reference, rule=rule)
    return [(channel_key(spelling), match) for spelling in (*names, name)]


def _find_spec(name: str, shipped: ChannelTable) -> Channel | None:
    if name in shipped.channels:
        return shipped.channels[name]
    found = [match for match in shipped.find(name) if match.channel == name]
    return found[0].spec if found else None


def _name_list(value: object, *, where: str) -> list[str]:
    names = cast("list[object]", value) if isinstance(value, list) else [None]
    if not all(isinstance(item, str) and item.strip() for item in names):
        raise InputError(
            "names must be a list of headers.", where=where, mend='Write names = ["Torque 1"].'
        )
    return cast("list[str]", names)


def _read_rule(
    name: str, fields: Mapping[str, object], spec: Channel | None, *, where: str
) -> UserRule:
    unit = _read_unit(fields.get("unit", ""), spec, where=where)
    reference = fields.get("reference", "")
    if reference not in {"", "absolute", "gauge"}:
        raise InputError(
            f"reference is {reference!r}.", where=where, mend='Write "absolute" or "gauge".'
        )
    column = fields.get("column")
    if column is not None and (type(column) is not int or column < 1):
        raise InputError(
            f"column is {column!r}.", where=where, mend="Count columns from 1: column = 3."
        )
    ratio = fields.get("stoichiometric")
    if ratio is not None and not (isinstance(ratio, int | float) and 1.0 < ratio < 50.0):
        raise InputError(
            f"stoichiometric is {ratio!r}.",
            where=where,
            mend="Write the air fuel ratio of the fuel at lambda 1, from its data sheet.",
        )
    return UserRule(
        channel=name,
        unit=unit,
        reference=cast("Reference", reference),
        column=column,
        stoichiometric=None if ratio is None else float(ratio),
    )


def _read_lag(name: str, value: object, *, where: str) -> float | None:
    if name in {"time", "engine_speed"}:
        raise InputError(
            f"{name} cannot have a lag: the other channels are aligned to it.",
            where=where,
            mend="State the lag of the channels that read later than engine speed.",
        )
    if value == "estimate":
        if re.fullmatch(r"lambda(_\d+)?", name):
            return None
        raise InputError(
            f"the lag of {name} cannot be estimated: only lambda has faster channels to follow "
            "(air_flow over fuel_flow).",
            where=where,
            mend="Write seconds: lag = 0.35.",
        )
    seconds = float(value) if isinstance(value, int | float) and value is not True else 0.0
    if not 0.0 < seconds <= _LONGEST_LAG_S:
        raise InputError(
            f"lag is {value!r}.",
            where=where,
            mend=f"Write seconds, above 0 and up to {_LONGEST_LAG_S:g}: lag = 0.35; or, for "
            'lambda, lag = "estimate".',
        )
    return seconds


def _read_unit(value: object, spec: Channel | None, *, where: str) -> str:
    if value == "":
        return ""
    unit = find_unit(value) if isinstance(value, str) else None
    if unit is None:
        raise InputError(
            f"unit is {value!r}, which this program does not know.",
            where=where,
            mend="Write for example kPa, bar, psi, N.m, lbf.ft, kW, hp, PS, degC, degF.",
        )
    allowed = {unit_dimension(spec.unit)} if spec else {unit_dimension(unit)}
    if spec and spec.name == "lambda":
        allowed.add("air fuel ratio")
    if unit_dimension(unit) not in allowed:
        raise InputError(
            f"{unit} measures {unit_dimension(unit)}, but {spec.name if spec else ''} is stored "
            f"in {spec.unit if spec else ''}.",
            where=where,
            mend="Correct the unit or the channel.",
        )
    return unit
