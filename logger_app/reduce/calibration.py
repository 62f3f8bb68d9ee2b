"""Indicated to calibrated airspeed through the campaign's tables, one a flap setting.

No rule bounds the airspeed error at the stall (14 CFR 23.1323(b) begins at 1.3 VS1), so an
indicated stall speed is never passed off as CAS: without a table there is no CAS. Reading
beyond a table's ends is marked and its uncertainty increased. Not for: making a table (see `gps`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from logger_app.errors import BadQuantity
from logger_app.records.plan import CalibrationTable, Indicator
from logger_app.units import CasKt, IasKt, from_kt, speed_text

# How fast trust fades beyond a table's end. Common practice, no source; the size is taken from
# a certificated table (C172S Fig. 5-1, flaps up: slope 0.6 then 0.8 kt/kt), whose slope changes
# by 0.2 to 0.3 between neighbouring 10 kt intervals near the stall.
GROWTH_KT_PER_KT = 0.25
# Beyond this a line says nothing. A run just outside would otherwise be left out while its neighbour counts, and what
# is left of a configuration would be its fastest runs: the growing uncertainty tells, not a limit close by.
FARTHEST_KT = 30.0
FLAP_TOLERANCE_DEG = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """A calibrated airspeed. `slope` is dCAS/dIAS there; `beyond_kt` how far outside the table [kt]."""

    cas_kt: CasKt
    u_kt: float
    slope: float
    beyond_kt: float = 0.0
    notes: tuple[str, ...] = ()


def calibrate_ias(
    tables: Sequence[CalibrationTable], flap_deg: float | None, ias_kt: IasKt, unit: str = "kt"
) -> Calibrated | str:
    """Calibrated airspeed of an indicated one.

    Parameters
    ----------
    flap_deg : float or None
        Flap setting [deg].
    ias_kt : float
        Indicated airspeed [kt].
    unit : str
        What the notes give speeds in.

    Returns
    -------
    Calibrated or str
        The speed with its standard uncertainty, or the reason why there is none.

    Raises
    ------
    BadQuantity
        The airspeed is not positive.

    Notes
    -----
    Linear between points; the end segment continued beyond them, with
    u = sqrt(u_table^2 + (0.25 d)^2) at d knots outside, and no value farther than 30 kt out.
    Between two flap settings both tables are read and interpolated, with half their
    difference as a rectangular uncertainty.

    References
    ----------
    [CFR23.1323] (b). [CP] calibrate each flap setting down to the lowest trimmed speed.

    Examples
    --------
    >>> table = CalibrationTable(flap_deg=0, ias_kt=(50, 60), cas_kt=(56, 62), u_kt=1.0)
    >>> round(calibrate_ias([table], 0, 52).cas_kt, 1)
    57.2
    """
    if not ias_kt > 0:
        raise BadQuantity(f"indicated airspeed {ias_kt:g} kt; needs more than 0")
    if not tables:
        return "the campaign has no airspeed calibration"
    if flap_deg is None:
        return "the flap setting is not known, so no calibration applies"
    exact = [table for table in tables if abs(table.flap_deg - flap_deg) <= FLAP_TOLERANCE_DEG]
    if exact:
        return _read(min(exact, key=lambda table: abs(table.flap_deg - flap_deg)), ias_kt, unit)
    return _between(tables, flap_deg, ias_kt, unit)


def instrument_corrected_kt(indicator: Indicator, ias_kt: IasKt) -> IasKt:
    """A reading with the indicator's own error taken out.

    Parameters
    ----------
    indicator : Indicator
        With its bench-test correction, if it has one.
    ias_kt : float
        As read [kt].

    Returns
    -------
    float
        Vic = IAS + dVic, linear between the tested speeds, constant beyond them [kt].

    References
    ----------
    [SFTE] ch. 4, instrument correction before position correction.

    Examples
    --------
    >>> instrument_corrected_kt(Indicator(correction_ias_kt=(40, 60), correction_kt=(1.0, 2.0)), 50)
    51.5
    """
    if not indicator.correction_ias_kt:
        return ias_kt
    return IasKt(ias_kt + float(np.interp(ias_kt, indicator.correction_ias_kt, indicator.correction_kt)))


def _read(table: CalibrationTable, ias_kt: IasKt, unit: str) -> Calibrated | str:
    ias, cas = np.asarray(table.ias_kt, float), np.asarray(table.cas_kt, float)
    left = int(np.clip(np.searchsorted(ias, ias_kt) - 1, 0, len(ias) - 2))
    slope = float((cas[left + 1] - cas[left]) / (ias[left + 1] - ias[left]))
    beyond = max(float(ias[0]) - ias_kt, ias_kt - float(ias[-1]), 0.0)
    where = f"calibration for flap {table.flap_deg:g} runs from {from_kt(ias[0], unit):.4g} to {speed_text(ias[-1], unit, '.4g')} IAS"
    if beyond > FARTHEST_KT:
        return f"{where}; {speed_text(ias_kt, unit)} is too far outside it"
    notes = (f"{where}; extrapolated by {speed_text(beyond, unit)}, uncertainty increased",) if beyond > 0 else ()
    return Calibrated(
        cas_kt=CasKt(float(cas[left] + slope * (ias_kt - ias[left]))),
        u_kt=math.hypot(table.u_kt, GROWTH_KT_PER_KT * beyond),
        slope=slope,
        beyond_kt=beyond,
        notes=notes,
    )


def _between(tables: Sequence[CalibrationTable], flap_deg: float, ias_kt: IasKt, unit: str) -> Calibrated | str:
    below = max((t for t in tables if t.flap_deg < flap_deg), key=lambda t: t.flap_deg, default=None)
    above = min((t for t in tables if t.flap_deg > flap_deg), key=lambda t: t.flap_deg, default=None)
    have = ", ".join(f"{t.flap_deg:g}" for t in tables)
    if below is None or above is None:
        return f"no calibration for flap {flap_deg:g} (there is one for {have})"
    low, high = _read(below, ias_kt, unit), _read(above, ias_kt, unit)
    if isinstance(low, str) or isinstance(high, str):
        return low if isinstance(low, str) else str(high)
    share = (flap_deg - below.flap_deg) / (above.flap_deg - below.flap_deg)
    spread = abs(high.cas_kt - low.cas_kt) / 2 / math.sqrt(3)
    note = f"no calibration for flap {flap_deg:g}: between those for {below.flap_deg:g} and {above.flap_deg:g}"
    return replace(
        low,
        cas_kt=CasKt(low.cas_kt + share * (high.cas_kt - low.cas_kt)),
        u_kt=math.hypot(max(low.u_kt, high.u_kt), spread),
        slope=low.slope + share * (high.slope - low.slope),
        beyond_kt=max(low.beyond_kt, high.beyond_kt),
        notes=(note, *low.notes, *high.notes),
    )
