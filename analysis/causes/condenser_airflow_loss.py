"""The condenser gets too little air."""

from analysis.causes import RECORD, Curve, Narrowed, Weight

CAUSE = "condenser_airflow_loss"
PRIOR = 0.13
NARROWED: tuple[Narrowed, ...] = (
    Narrowed(
        "condenser_airflow_loss: fan_without_supply",
        ("fan relay or control module", "fuse", "fan wiring or plug", "the control that asks for the fan"),
        "record both sides of the relay through the next time: the last place with supply tells the part",
        "wriggle relay, fuse and plugs hot, hands clear of belt and fan, while watching the fan's supply",
    ),
    Narrowed(
        "condenser_airflow_loss: fan_with_current",
        ("blocked condenser or fins", "shroud or seals", "fan blade loose on its shaft or turning backwards"),
        "look through the condenser against light and feel the air behind it while it happens, engine and fan guarded",
        "look through the condenser against light; check shroud, seals and the direction of the fan",
    ),
    Narrowed(
        "condenser_airflow_loss: fan_without_current",
        ("fan motor or its brushes", "ground of the fan", "plug at the fan", "its relay, where no supply was recorded"),
        "measure supply and ground at the fan's plug while it happens: both good is the motor",
        "measure supply and ground at the fan's plug hot, hands clear: the fan can start by itself",
    ),
    Narrowed(
        "condenser_airflow_loss: fan_with_supply",
        ("fan motor", "ground of the fan", "blocked condenser", "shroud"),
        "record the fan's current through the next time: none is motor or ground, plenty is a blocked condenser",
        "measure the fan's current; look through the condenser against light",
    ),
)
COST = 2
PARTS = ("fan motor", "fan relay or control module", "fan wiring or fuse", "blocked condenser")
TELLING_TEST = (
    "while it happens measure supply and current at the fan: supply without current is the motor, no supply is relay, "
    "fuse or wiring, both present is a blocked condenser or shroud"
)
NEXT_CHECK = (
    "watch the fan at idle with the engine hot, hands clear of it; engine off, look at its connector and through the "
    "condenser against light"
)
WEIGHTS = (
    Weight("condenser_airflow_loss seen", 4.5, "the condenser's heat is not carried away", RECORD),
    Weight("condenser_airflow_loss suspected", 1.5, "a sign of it was seen; it does not settle it", RECORD),
    Weight("condenser_airflow_loss comes and goes", 1.5, "a fan comes and goes; the charge, and air inside, do not"),
    Weight("only when slow", 1.5, "ram air replaces the fan at speed"),
    Weight("also at speed", -1.0, "ram air should replace the fan: think of a blocked condenser"),
    Weight("condenser_airflow_loss: fan_without_supply", 2.0, "the fan had no supply", proves=True),
    Weight("condenser_airflow_loss: fan_with_supply", 0.3, "the fan had supply: motor or blockage"),
    Weight("condenser_airflow_loss: fan_without_current", 1.5, "the fan drew nothing", proves=True),
    Weight("condenser_airflow_loss: fan_with_current", 0.3, "the fan turned: the air meets something"),
    Weight("high_pressure_trip seen", 1.5, "trips follow lost airflow first of all"),
    Weight("condenser_airflow_loss absent", -2.7, "condensing never left its own baseline", RECORD),
    Curve(
        "condensing over ambient",
        ((12.0, -0.5), (18.0, -0.1), (22.0, 0.3), (25.0, 0.9), (30.0, 1.8)),
        "the condenser's heat may not be carried away",
        "a condenser short of air throughout would stand higher",
    ),
)
