"""Cold-morning static test: a soaked system's pressure against saturation."""

from analysis.page.guided import Step, Watch

ORDER = 2
TITLE = "Cold-morning static test"
CAUTION = "A soaked system is still under pressure. Eye and hand protection at the ports."
NEEDS = ("low_side", "high_side", "ambient")
ENOUGH = "Both sides and the air held still long enough for a static pressure."
STILL_S, STILL_KPA, STILL_K = 180.0, 6.0, 0.6


def _still(watch: Watch) -> bool:
    sides = watch.steady("low_side", STILL_S, STILL_KPA) and watch.steady("high_side", STILL_S, STILL_KPA)
    return sides and watch.steady("ambient", STILL_S, STILL_K)


STEPS = (
    Step("The vehicle has stood overnight, in the shade, engine cold. Confirm it."),
    Step(
        "Engine off, doors shut. Three minutes of stillness.", _still,
        (("note", "static pressure recorded"),), enough_s=STILL_S,
    ),
)  # fmt: skip
