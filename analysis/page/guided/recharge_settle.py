"""Recharge and settle: from the charge to steady running."""

from analysis.page.guided import Step, Watch

ORDER = 4
TITLE = "Recharge and settle"
CAUTION = "Charge by mass, engine off, by certified hands. Never open a cylinder to the high side of a running system."
NEEDS = ("low_side", "high_side", "vent")
ENOUGH = "Pressures and vent air have settled."
SETTLED_S, VENT_K, CONDENSING_K, LONGEST_S = 120.0, 1.5, 4.0, 1200.0


def _runs(watch: Watch) -> bool:
    return watch.ladder.pumping is True or watch.engine_runs() is True


def _settled(watch: Watch) -> bool:
    steady = watch.steady("vent", SETTLED_S, VENT_K) and watch.steady("condensing", SETTLED_S, CONDENSING_K)
    return steady or watch.since_s > LONGEST_S


STEPS = (
    Step("Start charging. Confirm.", marks=(("charging", ""),)),
    Step("When the rated mass is in, close the machine. Confirm.", marks=(("recharged", ""),)),
    Step(
        "Start the engine, cooling full on, blower high, recirculation.",
        _runs,
        (("engine_on", "after recharge"), ("ac_on", "after recharge")),
    ),
    Step(
        "Let it run until vent air and high side hold for two minutes.",
        _settled,
        (("note", "settled"),),
        enough_s=480.0,
    ),
)
