"""Idle and raised idle: the same system at two engine speeds, standing."""

from analysis.page.guided import Step, Watch

ORDER = 5
TITLE = "Idle and raised idle"
CAUTION = "Brake on, chocks in, exhaust led away. Keep clear of belt and fan."
NEEDS = ("low_side", "high_side", "vent", "engine_speed")
ENOUGH = "Both engine speeds are recorded."
EACH_S, RAISED_RPM = 180.0, 1400.0


def _idled(watch: Watch) -> bool:
    return watch.since_s >= EACH_S


def _raised(watch: Watch) -> bool:
    return (watch.ladder.engine_rpm or 0.0) > RAISED_RPM


STEPS = (
    Step(
        "Stand, engine idling, cooling full on, blower high, recirculation. Confirm.",
        marks=(("engine_on", "idle test"), ("ac_on", "idle test")),
    ),
    Step("Idle for three minutes.", _idled, enough_s=EACH_S),
    Step("Raise the engine to about 1500 1/min and hold it.", _raised, (("raised_idle", ""),)),
    Step("Hold it for three minutes.", _idled, (("note", "raised idle recorded"),), enough_s=EACH_S),
)
