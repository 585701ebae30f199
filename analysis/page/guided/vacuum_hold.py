"""Vacuum hold: whether an evacuated circuit keeps its vacuum."""

from analysis.page.guided import Step, Watch
from analysis.vacuum import LIMITS, PUMP_OFF

ORDER = 3
TITLE = "Vacuum hold"
CAUTION = "Recover first, never vent. Never run the compressor in vacuum: leave the engine off."
NEEDS = ("vacuum",)
ENOUGH = "Ten minutes of rest are recorded. A rise that flattens is moisture, one that goes on is a leak."
HOLD_S = LIMITS["tight_after"].value + 30.0
"""What the analysis judges by [s], and what its valve and the last frames may take of it."""


def _pulled(watch: Watch) -> bool:
    kpa = watch.seen.value("vacuum")
    return kpa is not None and kpa < LIMITS["evacuated"].value


def _held(watch: Watch) -> bool:
    return watch.since_s >= HOLD_S


STEPS = (
    Step("Start recovering the refrigerant with the charging machine. Confirm.", marks=(("recovery", ""),)),
    Step("When all is recovered, start the vacuum pump.", _pulled, (("vacuum", "pump on"),)),
    Step(
        "Let it pump as long as the vehicle maker asks. Close the valves, stop the pump, confirm at that moment.",
        marks=(("note", PUMP_OFF),),
    ),
    Step("Leave it alone for ten minutes.", _held, (("note", "vacuum hold recorded"),), enough_s=HOLD_S),
)
