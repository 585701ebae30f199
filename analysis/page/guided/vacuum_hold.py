"""Vacuum hold: whether an evacuated circuit keeps its vacuum."""

from analysis.page.guided import Step, Watch

ORDER = 3
TITLE = "Vacuum hold"
CAUTION = "Recover first, never vent. Never run the compressor in vacuum: leave the engine off."
NEEDS = ("vacuum",)
ENOUGH = "Ten minutes of rest are recorded. A rise that flattens is moisture, one that goes on is a leak."
HOLD_S = 600.0


def _held(watch: Watch) -> bool:
    return watch.since_s >= HOLD_S


STEPS = (
    Step(
        "Recover the refrigerant with the charging machine, then start its pump. Confirm when it pumps.",
        mark=("vacuum", "pump on"),
    ),
    Step("Let it pump as long as the vehicle maker asks, then close the valves and stop the pump. Confirm."),
    Step("Leave it alone for ten minutes.", _held, ("note", "vacuum hold recorded"), enough_s=HOLD_S),
)  # fmt: skip
