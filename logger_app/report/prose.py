"""The fixed words of the report: cautions and method, the same on the page and on paper."""

from __future__ import annotations

CAUTIONS = (
    (
        "A recorder’s figures. They are no substitute for the flight manual, approved data, the rules that apply to you, or a "
        "qualified person. Do not fly to them: no approach speed, placard or limit follows from this report."
    ),
    (
        "A stall with a new modification can end in a spin. Brief spin recovery, wear parachutes where you can leave the aircraft, "
        "keep to the floor altitude, keep to the centre-of-gravity range that has been tested, one change at a time, and stop for the "
        "day at any surprise. Eyes stay outside and on the instruments: nothing on the wing can be watched in flight."
    ),
)

METHOD = (
    (
        "Readings",
        (
            "The pilot says the indicated airspeed as it falls. Each call is heard with its time on the flight clock and a posterior; "
            "a person may confirm, correct or reject it. What was heard is never changed."
        ),
    ),
    (
        "The stall",
        (
            "The event is what was called: pitch-down, control on the aft stop, a device, deterrent buffet, roll-off. Different kinds "
            "are different speeds and are never averaged together without saying so (14 CFR 23.201(b) before Amdt 23-64; 14 CFR 25.201(d)). Entry "
            "is meant to be at 1 kt/s or less, from at least 10 kt above the stall (14 CFR 23.201(b))."
        ),
    ),
    (
        "Stall speed of a run",
        (
            "A robust fit of the readings near the stall, read at the event; where too few calls fit, the lowest steady call, and then "
            "it says so. A constant delay from reading to speech cancels when the event is spoken too; what is left of it is in the budget."
        ),
    ),
    (
        "Entry rate",
        (
            "Mean loss of speed from 1.1 Vs to Vs (FAA AC 25-7, from memory). Regression to 1 kt/s only where the flown rates span it; "
            "nothing is extrapolated."
        ),
    ),
    (
        "Calibration",
        (
            "Indicated to calibrated airspeed through the campaign’s table for that flap setting. Below the slowest calibrated speed it "
            "is an extrapolation, marked, with a larger uncertainty. No rule bounds the error of the airspeed system at the stall "
            "itself: 14 CFR 23.1323(b) begins at 1.3 Vs1."
        ),
    ),
    (
        "Weight",
        (
            "Vs × √(reference weight / weight): same lift coefficient (Society of Flight Test Engineers, Reference Handbook 2013, "
            "chapter 12). Weight from loading and fuel. Centre of gravity is stated and, unless it says otherwise, not corrected."
        ),
    ),
    (
        "Bank",
        "Each figure says its basis: as flown, √cos of the bank, or measured load factor. They are never mixed in one comparison.",
    ),
    (
        "Uncertainty",
        (
            "Standard uncertainties (k = 1) combined as the root of the sum of squares (NIST Technical Note 1297, 1994). Intervals of "
            "means are Student’s, 95 %. Systematic terms do not shrink with more runs."
        ),
    ),
    (
        "Comparison",
        (
            "Difference of means with unequal variances (B. L. Welch, Biometrika 34, 1947), or with entry rate or day as a covariate "
            "where it says so; p adjusted over all comparisons (S. Holm, Scandinavian Journal of Statistics 6, 1979). “Not shown” is "
            "not “no difference”: the smallest difference that the runs could have shown stands beside it. Errors common to both sides "
            "cancel only with the same instrument and flap, and only if the change leaves the flow at the static port alone."
        ),
    ),
    (
        "Wing drop and warning",
        (
            "Sides are compared by an exact test (R. A. Fisher, 1922). Stall warning is to begin at least 5 kt above the stall "
            "(14 CFR 23.207(c)); the first warning or buffet that was called counts as its start."
        ),
    ),
    (
        "Pictures",
        (
            "A picture stands at the speed of the fitted approach at that moment; cameras are put on the flight clock by their sound, "
            "with the uncertainty given below. Tuft states are a person’s observation."
        ),
    ),
)
SOURCES_NOTE = "Rules quoted are those read when the program was written; the rules that apply to you come first."
