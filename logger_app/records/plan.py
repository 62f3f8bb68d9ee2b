"""What is planned: the aircraft, what is fitted to it, the cards and the points to fly.

Frozen and checked: a record that exists is valid on its own. Checks that need two records
(a card against the aircraft's limits) are in `plan.cards`. Reading and writing
`campaign.toml` is `plan.cards_io`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from logger_app.units import AIRSPEED_UNITS

POWER_IDLE = "idle"
"""The power setting that every stall campaign has; others are named by their rpm or per cent."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Indicator:
    """The airspeed indicator as the pilot reads it.

    `unit` is what is painted on the dial; `graduation` is the step between its marks, in that
    unit; `reading_lag_s` is from reading the needle to the start of the spoken word.
    """

    unit: str = "kt"
    graduation: float = 1.0
    reading_lag_s: float = 0.5
    reading_lag_u_s: float = 0.2
    instrument_u_kt: float = 0.5
    # Instrument correction from a bench test, to be added to what is read; for calibration tables
    # that were not made with this very indicator.
    correction_ias_kt: tuple[float, ...] = ()
    correction_kt: tuple[float, ...] = ()

    def __post_init__(self):
        if len(self.correction_ias_kt) != len(self.correction_kt):
            raise ValueError("indicator: correction_ias_kt and correction_kt must have the same number of values")
        if any(b <= a for a, b in zip(self.correction_ias_kt, self.correction_ias_kt[1:])):
            raise ValueError(f"indicator: correction_ias_kt must rise: {self.correction_ias_kt}")
        if self.unit not in AIRSPEED_UNITS:
            raise ValueError(f"indicator unit {self.unit!r}; allowed: {', '.join(AIRSPEED_UNITS)}")
        if not self.graduation > 0:
            raise ValueError(f"graduation {self.graduation}; needs more than 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class FlapLimit:
    """Flap setting and the fastest indicated airspeed allowed with it."""

    flap_deg: float
    max_ias_kt: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """A place where weight is carried, and its arm from the datum."""

    name: str
    arm_mm: float
    max_kg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlSurface:
    """A flap, aileron or the like on one wing: from and to along the span, hinge line along the chord; both wings alike."""

    name: str
    span_from_pct: float
    span_to_pct: float
    chord_from_pct: float = 75.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Planform:
    """One wing from above, as a drawing needs it: a straight-edged panel. Percent of semispan from the root, of chord
    from the leading edge."""

    semispan_mm: float
    root_chord_mm: float
    tip_chord_mm: float
    tip_setback_mm: float = 0.0  # leading edge of the tip behind that of the root
    surfaces: tuple[ControlSurface, ...] = ()
    stations: tuple[tuple[str, float], ...] = ()  # (name, percent of semispan)
    measured: bool = True  # False: a plain rectangle from the wing area alone

    def chord_mm(self, span_pct: float) -> float:
        """Chord at a place along the span [mm]."""
        return self.root_chord_mm + (self.tip_chord_mm - self.root_chord_mm) * span_pct / 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Aircraft:
    """The aircraft: weights, wing, fuel and limits. Arms and CG are in millimetres aft of datum."""

    name: str
    empty_weight_kg: float
    reference_weight_kg: float
    max_weight_kg: float
    wing_area_m2: float
    fuel_density_kg_per_l: float = 0.72
    fuel_burn_l_per_h: float = 0.0
    fuel_capacity_l: float | None = None
    fuel_reserve_l: float = 0.0
    empty_arm_mm: float | None = None
    fuel_arm_mm: float | None = None
    cg_min_mm: float | None = None
    cg_max_mm: float | None = None
    never_exceed_ias_kt: float | None = None
    max_bank_deg: float = 60.0
    flap_limits: tuple[FlapLimit, ...] = ()
    stations: tuple[Station, ...] = ()
    planform: Planform | None = None

    def __post_init__(self):
        if not 0 < self.empty_weight_kg <= self.max_weight_kg:
            raise ValueError(f"empty weight {self.empty_weight_kg} kg; needs 0 to {self.max_weight_kg} kg")
        if not self.wing_area_m2 > 0:
            raise ValueError(f"wing area {self.wing_area_m2} m2; needs more than 0")


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationTable:
    """Indicated to calibrated airspeed for one flap setting, rising in IAS.

    `u_kt` is the standard uncertainty of the table [kt]; `source` says where it came from.
    """

    flap_deg: float
    ias_kt: tuple[float, ...]
    cas_kt: tuple[float, ...]
    u_kt: float = 1.0
    source: str = ""

    def __post_init__(self):
        if len(self.ias_kt) != len(self.cas_kt) or len(self.ias_kt) < 2:
            raise ValueError("a calibration needs at least two pairs of IAS and CAS")
        if any(b <= a for a, b in zip(self.ias_kt, self.ias_kt[1:])):
            raise ValueError(f"calibration IAS must rise: {self.ias_kt}")


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceRow:
    """A row of like devices on one surface. All optional but the span.

    Percent of semispan from the root and of chord from the leading edge; the chord position runs in a straight line
    between both ends. `size_pct` is a scale of the base design; `side` is ``left``, ``right`` or ``both``.
    """

    span_from_pct: float
    span_to_pct: float
    side: str = "both"
    surface: str = "wing"
    count: int | None = None  # on each side
    chord_from_pct: float | None = None
    chord_to_pct: float | None = None
    angle_deg: float | None = None
    spacing_mm: float | None = None
    size_mm: float | None = None
    size_pct: float | None = None
    state: str = "nominal"  # nominal | measured
    mass_kg: float | None = None
    photo: str = ""


SIDES = ("both", "left", "right")


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing that differs from the parent configuration.

    `item` names it ("leading-edge cuff"); `details` are structured fields (surface, span,
    chord position, count, ...) as (name, value) pairs; `state` is ``measured`` or ``nominal``. `rows` says where the
    devices stand. `takes_off` names an item of an earlier configuration that is removed.
    """

    item: str
    what: str = ""
    state: str = "nominal"
    details: tuple[tuple[str, str], ...] = ()
    rows: tuple[DeviceRow, ...] = ()
    takes_off: str = ""

    @property
    def side(self) -> str:
        """``both``, ``left`` or ``right``: of its rows where they agree, else as its own field says."""
        sides = {row.side for row in self.rows}
        if len(sides) == 1:
            return sides.pop()
        return "both" if sides else dict(self.details).get("side", "both")


@dataclass(frozen=True, slots=True, kw_only=True)
class AircraftConfig:
    """What is fitted: the baseline (no parent) or a named change to its parent."""

    id: str
    name: str
    parent: str | None = None
    changes: tuple[Change, ...] = ()
    note: str = ""
    question: str = ""  # what the team wants to know next, in its own words


@dataclass(frozen=True, slots=True, kw_only=True)
class TestPoint:
    """One combination on a card: power x flap x bank.

    `power` is ``idle`` or a label such as ``2100 rpm`` or ``60 %``; `power_rpm` and `power_pct`
    hold its number when there is one. Bank is positive to the right.
    """

    __test__ = False  # not a pytest class

    id: str
    card: str
    power: str = POWER_IDLE
    power_rpm: float | None = None
    power_pct: float | None = None
    flap_deg: float = 0.0
    bank_deg: float = 0.0
    runs_wanted: int = 3
    altitude_low_ft: float | None = None
    altitude_high_ft: float | None = None
    rate_low_kt_per_s: float = 0.5
    rate_high_kt_per_s: float = 1.5
    trim_ias_kt: float | None = None
    expected_stall_ias_kt: float | None = None

    def __post_init__(self):
        if self.runs_wanted < 1:
            raise ValueError(f"point {self.id}: runs_wanted {self.runs_wanted}; needs at least 1")
        if not 0 < self.rate_low_kt_per_s < self.rate_high_kt_per_s:
            raise ValueError(f"point {self.id}: the entry-rate band must rise and be positive")

    @property
    def label(self) -> str:
        """As on the card: ``idle, flap 15, wings level``."""
        bank = (
            f"bank {abs(self.bank_deg):g} {'right' if self.bank_deg > 0 else 'left'}"
            if self.bank_deg
            else "wings level"
        )
        return f"{self.power}, flap {self.flap_deg:g}, {bank}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TestCard:
    """What the pilot flies: objective, set-up, entry, procedure, recovery, limits and points."""

    __test__ = False

    id: str
    title: str
    objective: str = ""
    setup: str = ""
    entry: str = ""
    procedure: tuple[str, ...] = ()
    recovery: str = ""
    limits: tuple[str, ...] = ()
    hazard: int = 1
    basis: str = ""  # the paragraph that the card follows, if any
    points: tuple[TestPoint, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading:
    """What is aboard at engine start: (station name, kg) pairs and fuel."""

    items: tuple[tuple[str, float], ...] = ()
    fuel_l: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedFlight:
    """One flight of the campaign: which configuration flies, how it is loaded, which cards."""

    id: str
    configuration: str
    loading: Loading = field(default_factory=Loading)
    cards: tuple[str, ...] = ()
    work_done: tuple[str, ...] = ()  # what was altered on the aircraft before this flight
    note: str = ""
    # The air at the aerodrome: a METAR as issued, and what holds instead of it or beside it.
    metar: str = ""
    elevation_ft: float | None = None
    oat_degc: float | None = None
    qnh_hpa: float | None = None
    wind_deg: float | None = None
    wind_kt: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Team:
    """What the team briefed: its own words for calls, knock-it-off criteria, floor, cautions.

    `words` maps a call name of the language pack (``knock_it_off``) to the phrases that this
    team says for it; they replace the pack's own phrases for that name (knock_it_off keeps them).
    """

    words: tuple[tuple[str, tuple[str, ...]], ...] = ()
    knock_it_off: tuple[str, ...] = ()
    floor_ft: float | None = None
    entry_min_ft: float | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Planning:
    """What the number of runs, the order and the time of a flight are worked out from.

    `scatter_kt` is the standard deviation of repeated stalls at one point, the reading left out; `call_step_kt` from
    one airspeed called to the next, from which the reading's part follows; `build_up` says what counts first when points are put in order of hazard. `flight_scatter_kt` is how far flights of one configuration
    differ (standard deviation); it is what a comparison uses until two flights of a configuration show it.
    `no_worse_kt` is the margin of "no worse than".
    """

    smallest_difference_kt: float = 2.0
    scatter_kt: float = 0.7
    call_step_kt: float = 2.0
    flight_scatter_kt: float = 0.35
    no_worse_kt: float = 1.0
    minutes_per_run: float = 3.0
    minutes_to_area: float = 20.0
    minutes_back: float = 15.0
    most_runs_per_flight: int = 20
    build_up: tuple[str, ...] = ("hazard", "bank", "power", "flap")


@dataclass(frozen=True, slots=True, kw_only=True)
class Campaign:
    """One aircraft, what is tried on it, and all that is to be flown."""

    name: str
    aircraft: Aircraft
    indicator: Indicator = field(default_factory=Indicator)
    calibrations: tuple[CalibrationTable, ...] = ()
    configurations: tuple[AircraftConfig, ...] = ()
    cards: tuple[TestCard, ...] = ()
    flights: tuple[PlannedFlight, ...] = ()
    team: Team = field(default_factory=Team)
    planning: Planning = field(default_factory=Planning)
    comparisons: tuple[tuple[str, str], ...] = ()
    named: tuple[str, str, str] | None = None  # (reference, changed, point): the question, asked before flying
    language: str = "en"

    @property
    def points(self) -> tuple[TestPoint, ...]:
        """Every test point of every card, in card order."""
        return tuple(point for card in self.cards for point in card.points)

    def configuration(self, id: str) -> AircraftConfig | None:
        """The configuration with this id, or None."""
        return next((c for c in self.configurations if c.id == id), None)

    def flight(self, id: str) -> PlannedFlight | None:
        """The planned flight with this id, or None."""
        return next((f for f in self.flights if f.id == id), None)

    def pairs(self) -> tuple[tuple[str, str], ...]:
        """Comparisons to make, (reference, changed): as listed, else each child with its parent."""
        if self.comparisons:
            return self.comparisons
        return tuple((c.parent, c.id) for c in self.configurations if c.parent)
