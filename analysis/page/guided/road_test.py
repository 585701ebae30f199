"""Road test: driving until the fault shows, or until its absence says something."""

from analysis.page.guided import Step, Watch

ORDER = 6
TITLE = "Road test"
CAUTION = (
    "A passenger watches, never the driver. Bonnet latched, hoses clear of belt and fan. "
    "No customer drives with hoses fitted."
)
NEEDS = ("low_side", "high_side", "vent")
ENOUGH = "Half an hour of driving is recorded. The write-up says how much a fault could still have hidden."
WARM_S, DRIVE_S = 300.0, 1800.0


def _warm(watch: Watch) -> bool:
    return watch.since_s >= WARM_S and watch.ladder.pumping is not False


def _driven(watch: Watch) -> bool:
    return watch.since_s >= DRIVE_S


STEPS = (
    Step(
        "Cooling full on. Passenger holds this page; driver drives. Confirm.",
        marks=(("engine_on", "road test"), ("ac_on", "road test")),
    ),
    Step("Five minutes to settle.", _warm, enough_s=WARM_S),
    Step(
        "Drive the roads of the complaint, stops included. Press Complaint whenever it blows warm.",
        _driven,
        (("note", "road test recorded"),),
        enough_s=DRIVE_S,
    ),
)
