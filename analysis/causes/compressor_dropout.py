"""The compressor stops by itself: supply, coil or clutch."""

from analysis.causes import Narrowed, Weight

CAUSE = "compressor_dropout"
PRIOR = 0.05
NARROWED: tuple[Narrowed, ...] = (
    Narrowed(
        "stopped mechanical",
        ("clutch coil weak when hot", "ground of the coil", "clutch air gap", "clutch facing"),
        "record the coil's current through the next dropout: full current is gap or facing, little is coil or ground",
        "measure the coil's resistance and ground hot, then the air gap",
    ),
    Narrowed(
        "stopped electrical",
        ("clutch relay", "fuse", "wiring or plug", "pressure switch contact", "the control that feeds the relay"),
        "record both sides of relay and switch through the next dropout: the last place with supply tells the part",
        "wriggle relay, fuse and plugs hot while watching the clutch's supply",
    ),
)
COST = 2
PARTS = (
    "clutch relay or fuse",
    "wiring or ground",
    "pressure switch contact",
    "clutch coil",
    "clutch air gap or facing",
)
TELLING_TEST = (
    "record supply and current at the coil through the next dropout: no supply is relay, fuse, switch or wiring; "
    "supply without current is the coil; both present is air gap or facing"
)
NEXT_CHECK = "measure the supply at the clutch connector hot, then its ground, then the air gap"
WEIGHTS = (
    Weight("compressor_dropout seen", 5.0, "it stayed off although asked for"),
    Weight("compressor_dropout comes and goes", 1.0, "a contact or a hot coil comes and goes"),
    Weight("stopped electrical", 1.5, "no supply reached the clutch", proves=True),
    Weight("stopped mechanical", 1.5, "the clutch had supply and did not drive", proves=True),
    Weight("compressor_dropout absent", -3.5, "every stop has its reason"),
)
