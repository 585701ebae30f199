"""The compressor stops by itself: supply, coil or clutch."""

from analysis.causes import RECORD, Narrowed, Weight

CAUSE = "compressor_dropout"
PRIOR = 0.13
NARROWED: tuple[Narrowed, ...] = (
    Narrowed(
        "compressor_dropout: coil_without_current",
        ("clutch coil open when hot", "ground of the coil", "plug at the clutch"),
        "measure the coil's resistance and its ground while it happens: no continuity is the coil, else ground or plug",
        "engine off and still hot: look at the plug at the clutch, measure the coil's resistance and its ground",
    ),
    Narrowed(
        "compressor_dropout: switch_open",
        ("pressure switch contact", "plug of the pressure switch"),
        "record both sides of the switch through the next dropout: open at ordinary pressures is the switch",
        "wriggle the switch's plug while watching its output; never bridge it on the road",
    ),
    Narrowed(
        "compressor_dropout: coil_conducts",
        ("clutch air gap", "clutch facing", "clutch bearing or pulley"),
        "watch or film the clutch plate through the next dropout: current with a standing plate is gap or facing",
        "measure the air gap hot; look for a burnt facing",
    ),
    Narrowed(
        "compressor_dropout: lift_lost",
        ("clutch facing or air gap", "slipping belt", "clutch coil weak when hot"),
        "watch or film plate and belt through the next time, from outside: a plate slower than its pulley slips",
        "look at belt, facing and air gap, engine off; measure the coil's resistance hot",
    ),
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
        "wriggle relay, fuse and plugs hot, hands clear of belt and fan, while watching the clutch's supply",
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
    Weight("compressor_dropout seen", 4.1, "it stayed off although asked for", RECORD),
    Weight("compressor_dropout suspected", 1.0, "a sign of it was seen; it does not settle it", RECORD),
    Weight("compressor_dropout comes and goes", 1.0, "contacts, and a clutch that is hot, come and go"),
    Weight("compressor_dropout: lift_lost", -0.7, "weak pumping loses the lift too"),
    Weight("stopped electrical", 1.5, "without supply no clutch closes", proves=True),
    Weight("stopped mechanical", 1.5, "with supply a sound clutch drives", proves=True),
    Weight("compressor_dropout: coil_without_current", 1.0, "supply without current: the coil's circuit is open"),
    Weight("compressor_dropout: switch_open", 1.0, "the switch opened without a pressure that should open it"),
    Weight("compressor_dropout: coil_conducts", 0.7, "the coil pulled and the compressor stood: gap or facing"),
    Weight("compressor_dropout absent", -1.8, "every stop has its reason; a stop in a rest would not show", RECORD),
)
