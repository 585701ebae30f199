"""Shutdown and equalisation: how the two sides meet after the compressor stops."""

from analysis.page.guided import Step, Watch

ORDER = 1
TITLE = "Shutdown and equalisation"
CAUTION = "The condenser fan may run on with the engine off: keep hands and leads clear."
NEEDS = ("low_side", "high_side")
ENOUGH = "The two sides have met. This rest is recorded: how fast, and at what pressure."
RUNNING_KPA, MET_KPA = 300.0, 15.0
GIVES_UP_S = 600.0


def _running(watch: Watch) -> bool:
    apart = watch.difference_kpa()
    return apart is not None and apart > RUNNING_KPA and watch.steady("condensing", 60.0, 6.0)


def _stopped(watch: Watch) -> bool:
    ladder = watch.ladder
    if watch.engine_runs() is not None:
        return watch.engine_runs() is False
    return ladder.pumping is False


def _met(watch: Watch) -> bool:
    apart = watch.difference_kpa()
    return (apart is not None and abs(apart) < MET_KPA and watch.since_s > 20.0) or watch.since_s > GIVES_UP_S


STEPS = (
    Step("Run with full cooling until the high side holds steady for a minute.", _running, enough_s=60.0),
    Step("Switch the engine off. Leave everything as it is.", _stopped, (("engine_off", "shutdown for equalisation"),)),
    Step(
        "Wait until both sides meet. Do not touch anything.", _met, (("note", "equalisation recorded"),), enough_s=180.0
    ),
)
