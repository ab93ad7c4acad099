"""The standards by name.

Read: SAE J1349 of June 1990 as public pages quote it; the constants 1.176 and 0.176 of August 2004
from one secondary source; Directive 88/195/EEC, JIS D 1001:1993 and ISO 1585:1982 as a public data
set quotes them (spark ignition: exponents, air, factor); UN R85 annex 5, 5.4.2.2 (engine factor) as
a public test quotes it; the engine factor of ISO 1585 in an engine maker's manual. From memory,
not read in the standards: SAE J607, the formula of DIN 70020, the limits of SAE J1349, the
exponents and the air of compression ignition.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from dynostats.curves.correction.standards import EngineFactor, Standard
from dynostats.errors import AnalysisError
from dynostats.words import did_you_mean

NONE = "none"
# 60 degF and 29.92 inHg, with degF + 460 for the absolute temperature.
_J607_ZERO_K = (460.0 + 32.0) / 1.8
_J607_REFERENCE_K = (460.0 + 60.0) / 1.8
_J607_REFERENCE_KPA = 29.92 * 3.386389

_J1349 = Standard(
    name="sae_j1349",
    title="SAE J1349 (June 1990), spark ignition",
    ignition="spark",
    reference_kpa=99.0,
    reference_k=298.0,
    pressure_exponent=1.0,
    temperature_exponent=0.5,
    gain=1.18,
    range_c=(15.0, 35.0),
    range_kpa=(90.0, 105.0),
    range_factor=(0.95, 1.05),
    source="1.18 (99 / pd) sqrt((t + 273) / 298) - 0.18, read in public quotations; assumes a "
    "mechanical efficiency of 85 % at reference; the limits are from memory",
)
_ISO_1585 = Standard(
    name="iso_1585",
    title="ISO 1585, spark ignition",
    ignition="spark",
    reference_kpa=99.0,
    reference_k=298.0,
    pressure_exponent=1.2,
    temperature_exponent=0.6,
    range_c=(15.0, 35.0),
    range_kpa=(80.0, 110.0),
    range_factor=(0.93, 1.07),
    source="(99 / pd)^1.2 (T / 298)^0.6, naturally aspirated or charged; factor limits read in "
    "ISO 1585:1982, air limits in Directive 88/195/EEC, which follows it",
)
_ISO_1585_CI = Standard(
    name="iso_1585_ci",
    title="ISO 1585, compression ignition, naturally aspirated or mechanically charged",
    ignition="compression",
    reference_kpa=99.0,
    reference_k=298.0,
    pressure_exponent=1.0,
    temperature_exponent=0.7,
    range_c=(10.0, 40.0),
    range_kpa=(80.0, 110.0),
    range_factor=(0.9, 1.1),
    engine_factor=EngineFactor(from_qc=37.2, least=0.2),
    source="((99 / pd) (T / 298)^0.7)^fm; fm from 37.2 mg/(l cycle), 0.2 below, and the factor "
    "limits read in an engine maker's manual; exponents and air from memory",
)
_UN_R85_FACTOR = EngineFactor(from_qc=40.0, least=0.3)

_ALL = (
    _J1349,
    replace(
        _J1349,
        name="sae_j1349_2004",
        title="SAE J1349 (August 2004), spark ignition",
        gain=1.176,
        source="1.176 (99 / pd) sqrt((t + 273) / 298) - 0.176 from one secondary source: 1.176 is "
        "1 / 0.85, the assumed mechanical efficiency; the limits are from memory",
    ),
    Standard(
        name="sae_j607",
        title="SAE J607 (withdrawn)",
        ignition="spark",
        reference_kpa=_J607_REFERENCE_KPA,
        reference_k=_J607_REFERENCE_K,
        zero_k=_J607_ZERO_K,
        pressure_exponent=1.0,
        temperature_exponent=0.5,
        range_c=(15.0, 35.0),
        range_kpa=(80.0, 110.0),
        range_factor=None,
        refuses=False,
        source="(29.92 / pd [inHg]) sqrt((t [degF] + 460) / 520), from memory; no limits of its "
        "own are known here, air outside those of ISO 1585 is marked",
    ),
    _ISO_1585,
    _ISO_1585_CI,
    replace(
        _ISO_1585_CI,
        name="iso_1585_ci_turbo",
        title="ISO 1585, compression ignition, turbocharged, charge uncooled or cooled by air",
        pressure_exponent=0.7,
        temperature_exponent=1.2,
        source="((99 / pd)^0.7 (T / 298)^1.2)^fm; as iso_1585_ci, exponents from memory",
    ),
    replace(
        _ISO_1585_CI,
        name="iso_1585_ci_turbo_liquid",
        title="ISO 1585, compression ignition, turbocharged, charge cooled by liquid",
        pressure_exponent=0.7,
        temperature_exponent=0.7,
        source="((99 / pd)^0.7 (T / 298)^0.7)^fm; as iso_1585_ci, exponents from memory",
    ),
    replace(
        _ISO_1585,
        name="un_r85",
        title="UN R85, spark ignition",
        compensated_is_one=True,
        source="(99 / ps)^1.2 (T / 298)^0.6, air and factor limits read in Directive 88/195/EEC, "
        "of the same text; 1 for boost that compensates for the air: known from the record of its "
        "supplement 7",
    ),
    replace(
        _ISO_1585_CI,
        name="un_r85_ci",
        title="UN R85, compression ignition, naturally aspirated or mechanically charged",
        engine_factor=_UN_R85_FACTOR,
        compensated_is_one=True,
        source="((99 / ps) (T / 298)^0.7)^fm; fm from 40 mg/(l cycle), 0.3 below, read in a "
        "quotation of annex 5; exponents, air and factor limits from memory",
    ),
    replace(
        _ISO_1585_CI,
        name="un_r85_ci_turbo",
        title="UN R85, compression ignition, turbocharged",
        pressure_exponent=0.7,
        temperature_exponent=1.5,
        engine_factor=_UN_R85_FACTOR,
        compensated_is_one=True,
        source="((99 / ps)^0.7 (T / 298)^1.5)^fm; as un_r85_ci, exponents from memory",
    ),
    Standard(
        name="din_70020",
        title="DIN 70020 (withdrawn)",
        ignition="spark",
        reference_kpa=101.325,
        reference_k=293.0,
        pressure_exponent=1.0,
        temperature_exponent=0.5,
        dry=False,
        range_c=(15.0, 35.0),
        range_kpa=(80.0, 110.0),
        range_factor=None,
        refuses=False,
        source="(760 Torr / p) sqrt((t + 273) / 293) of the total pressure: reference and total "
        "pressure read in secondary sources, formula from memory; no limits of its own are known "
        "here, air outside those of ISO 1585 is marked",
    ),
    replace(
        _ISO_1585,
        name="jis_d_1001",
        title="JIS D 1001:1993, spark ignition",
        source="(99 / p)^1.2 ((t + 273) / 298)^0.6, air and factor limits read in a quotation of "
        "the text",
    ),
)
STANDARDS = {standard.name: standard for standard in _ALL}
"""Every standard by its name here."""

_ALSO = {
    "uncorrected": NONE,
    "raw": NONE,
    "no": NONE,
    "j1349": "sae_j1349",
    "saej1349jun90": "sae_j1349",
    "saej13491990": "sae_j1349",
    "saej1349aug04": "sae_j1349_2004",
    "j607": "sae_j607",
    "r85": "un_r85",
    "ecer85": "un_r85",
    "uneceregulation85": "un_r85",
}


def find_standard(name: str, *, where: str = "--correction") -> str:
    """Return the name of a standard, or "none", however its capitals and signs are written.

    Short forms that can mean two standards ("SAE", "DIN" of two editions) are not guessed.

    Args:
        name: As a sheet or a user writes it.
        where: Where it was written, for the message.

    Raises:
        AnalysisError: If it is none of them; names the nearest.

    Example:
        >>> find_standard("SAE J1349")
        'sae_j1349'
    """
    known = {_fold(one): one for one in (NONE, *STANDARDS)} | _ALSO
    folded = _fold(name)
    if folded in known:
        return known[folded]
    hint = _hint(folded, known)
    raise AnalysisError(
        f"there is no ambient correction '{name}'",
        where=where,
        mend=f"{hint}Known: none, {', '.join(STANDARDS)}.",
    )


def _hint(folded: str, known: Mapping[str, str]) -> str:
    """Name the standards a short form can mean, else the nearest name."""
    meant = [name for name in STANDARDS if folded and _fold(name).startswith(folded)]
    if len(meant) > 1:
        return f"It can mean {', '.join(meant[:-1])} or {meant[-1]}. "
    return did_you_mean(folded, known.values())


def _fold(name: str) -> str:
    return "".join(sign for sign in name.casefold() if sign.isalnum())
