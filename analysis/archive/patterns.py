"""Patterns over an archive: which kinds of episode go with which vehicles and conditions, beyond chance.

The unit is the vehicle, since episodes and recordings of one vehicle are not independent. Each counts once a kind: by
its first recording in which the kind was found or was absent; later ones may follow a repair. Where a kind could not be
decided the vehicle was not at risk of being found to have it, and does not count for that kind.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from itertools import accumulate
from pathlib import Path
from typing import Any

import polars as pl

from analysis.archive.rows import EPISODE, NONE
from analysis.contingency import adjusted, fisher, least_fisher, odds_ratio, trend
from analysis.findings import KINDS
from analysis.limits import PRACTICE, Limit, limit_table
from recorder.errors import InputError

LIMITS = limit_table(
    Limit("false_discoveries", 0.05, "1", "share of the listed patterns that chance may make; level of most sciences"),
    Limit("cool", 15.0, "degC", "first edge of the ambient bands; " + PRACTICE),
    Limit("warm", 25.0, "degC", PRACTICE),
    Limit("hot", 35.0, "degC", PRACTICE),
    Limit("run_in", 50_000.0, "km", "first edge of the mileage bands; " + PRACTICE),
    Limit("middle", 100_000.0, "km", PRACTICE),
    Limit("old", 200_000.0, "km", PRACTICE),
)
GROUPS = ("model", "refrigerant", "metering", "compressor")
"""What a vehicle is; each group is held against all others."""
BANDS = {
    "ambient_degc": tuple(LIMITS[name].value for name in ("cool", "warm", "hot")),
    "odometer_km": tuple(LIMITS[name].value for name in ("run_in", "middle", "old")),
}
"""Edges of ordered bands; over them a trend is tested."""
NOT_OF_THE_VEHICLE = "sensor_fault"
"""A sensor that misreads belongs to whoever measures."""
STANDS_OUT, NOT_SHOWN, TOO_FEW = "stands_out", "not_shown", "too_few"


@dataclass(frozen=True, slots=True)
class Comparison:
    """Vehicles that have a kind here and elsewhere; for a trend here is at or above ``edge``, elsewhere below it.

    Attributes
    ----------
    factor : str
        A column of the screening table.
    level : str or None
        The group that is compared; None for a trend.
    edge : float or None
        The edge of a band that divides the vehicles most evenly [degC or km]; None for a group.
    having, at_risk, having_elsewhere, at_risk_elsewhere : int
        Vehicles with the kind, of how many in which it was looked for with an answer.
    odds_ratio, odds_low, odds_high : float or None
        Odds here over elsewhere with exact 95 % limits; None is without bound, or not had where there are too few.
    p : float
        Fisher's exact test, or the exact test for a trend over all bands; two-sided.
    least_p : float
        The smallest that p could have been with so many vehicles.
    p_adjusted : float or None
        Allowing for all comparisons that were made (Benjamini & Hochberg 1995); None where no split could have had a p
        under the level by itself, so that there was nothing to compare.
    state : str
        ``stands_out``, ``not_shown``, or ``too_few``: not even the most uneven split could have stood out.
    more : bool
        Whether it is commoner here (or grows with the bands) rather than rarer.
    having_by_band, at_risk_by_band : tuple of int
        The same a band, lowest first; empty for a group.
    """

    kind: str
    factor: str
    level: str | None
    edge: float | None
    having: int
    at_risk: int
    having_elsewhere: int
    at_risk_elsewhere: int
    odds_ratio: float | None
    odds_low: float | None
    odds_high: float | None
    p: float
    least_p: float
    p_adjusted: float | None
    state: str
    more: bool
    having_by_band: tuple[int, ...] = ()
    at_risk_by_band: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Patterns:
    """All comparisons of an archive, and what they rest on.

    ``vehicles`` and ``recordings`` were used; ``unidentified`` recordings state neither VIN nor plate and were left
    out; ``unreadable`` ones could not be analysed. ``unstated`` says of how many vehicles a factor is not known,
    ``not_examined`` which kinds no vehicle could be examined for.
    """

    comparisons: tuple[Comparison, ...]
    vehicles: int
    recordings: int
    unidentified: int
    unreadable: int
    unstated: dict[str, int]
    not_examined: tuple[str, ...]

    def of(self, state: str) -> list[Comparison]:
        """The comparisons of a state, the surest first."""
        return sorted((c for c in self.comparisons if c.state == state), key=lambda c: (c.p, c.kind, c.factor))

    @property
    def made(self) -> int:
        """How many comparisons could tell anything and were allowed for."""
        return sum(c.p_adjusted is not None for c in self.comparisons)


def patterns_of(table: pl.DataFrame, kinds: Collection[str] = KINDS) -> Patterns:
    """Look for patterns in a screening table.

    Parameters
    ----------
    table : DataFrame
        Columns of ``analysis.archive.rows.SCHEMA``.
    kinds : collection of str
        Kinds of episode to look at; fewer kinds are fewer comparisons to allow for.
    """
    each = table.unique("path", keep="first", maintain_order=True)
    read = each.filter(pl.col("row").is_in([EPISODE, NONE]))
    known = _identified(read)
    wanted = [kind for kind in KINDS if kind in kinds and kind != NOT_OF_THE_VEHICLE]
    examined = _examined(known, wanted)
    vehicles = known.unique("identity", keep="first", maintain_order=True)
    return Patterns(
        judged(list(_counted(examined, wanted))),
        vehicles.height,
        known.height,
        read.height - known.height,
        each.height - read.height,
        {factor: vehicles[factor].null_count() for factor in (*GROUPS, *BANDS)},
        tuple(kind for kind in wanted if not (examined["kind"] == kind).any()),
    )


def _identified(read: pl.DataFrame) -> pl.DataFrame:
    """Recordings that name their vehicle (``identity``), first ones first; what one states holds for all of it."""
    plain = {
        f"plain_{name}": pl.col(name).str.to_uppercase().str.replace_all(r"[^\p{L}\p{N}]", "").replace("", None)
        for name in ("vin", "plate")
    }
    named = read.with_columns(_one_spelling("model").alias("model"), **plain)
    # A plate that stands beside one VIN alone names that vehicle also where the VIN was not written down.
    by_plate = (
        named.drop_nulls(["plain_plate", "plain_vin"])
        .group_by("plain_plate")
        .agg(pl.col("plain_vin").unique().alias("vins"))
        .filter(pl.col("vins").list.len() == 1)
        .select("plain_plate", pl.col("vins").list.first().alias("vin_of_plate"))
    )
    identity = pl.coalesce("plain_vin", "vin_of_plate", pl.format("plate {}", "plain_plate"))
    return (
        named.join(by_plate, on="plain_plate", how="left")
        .with_columns(identity.alias("identity"))
        .drop_nulls("identity")
        .sort("started_at", "path", nulls_last=True)
        .with_columns(pl.coalesce(name, pl.col(name).drop_nulls().first().over("identity")) for name in GROUPS)
    )


def _one_spelling(name: str) -> pl.Expr:
    """The commonest spelling of words that differ only by case and spaces."""
    text = pl.col(name).str.strip_chars().str.replace_all(r"\s+", " ").replace("", None)
    return text.mode(maintain_order=True).first().over(text.str.to_lowercase())


def _examined(known: pl.DataFrame, kinds: list[str]) -> pl.DataFrame:
    """A row a vehicle and kind: its first recording in which the kind was found (``having``) or is absent."""
    told = [
        known.select("identity", "started_at", "path", *GROUPS, *BANDS, pl.col(column).alias("kind"))
        .explode("kind", empty_as_null=True)
        .with_columns(pl.lit(having).alias("having"))
        for column, having in (("present_kinds", True), ("absent_kinds", False))
    ]
    return (
        pl.concat(told)
        .filter(pl.col("kind").is_in(kinds))
        .sort("started_at", "path", nulls_last=True)
        .unique(["identity", "kind"], keep="first", maintain_order=True)
    )


def _counted(examined: pl.DataFrame, kinds: list[str]) -> Iterator[Comparison]:
    """Every comparison that can be counted, not yet allowed for each other."""
    for kind in kinds:
        of_kind = examined.filter(pl.col("kind") == kind)
        for factor in GROUPS:
            yield from _groups(kind, factor, _counts(of_kind, pl.col(factor)))
        for factor, edges in BANDS.items():
            band = pl.sum_horizontal(pl.col(factor) >= edge for edge in edges)
            counts = _counts(of_kind, pl.when(pl.col(factor).is_finite()).then(band))
            if counts:
                yield _trend(kind, factor, [counts.get(i, (0, 0)) for i in range(len(edges) + 1)])


def _counts(of_kind: pl.DataFrame, level: pl.Expr) -> dict[Any, tuple[int, int]]:
    """Vehicles with the kind, and vehicles at risk, a level."""
    told = (
        of_kind.select(level.alias("level"), "having")
        .drop_nulls("level")
        .group_by("level")
        .agg(pl.col("having").sum(), pl.len().alias("at_risk"))
        .sort("level")
    )
    return {level: (having, at_risk) for level, having, at_risk in told.iter_rows()}


def _groups(kind: str, factor: str, counts: dict[str, tuple[int, int]]) -> Iterator[Comparison]:
    having, at_risk = (sum(pair[i] for pair in counts.values()) for i in (0, 1))
    levels = list(counts)
    if len(levels) == 2:  # one comparison, not two: told from the side where it is commoner
        levels = [max(levels, key=lambda level: counts[level][0] / counts[level][1])]
    for level in levels:
        here, of_here = counts[level]
        yield compared(kind, factor, level, here, of_here, having - here, at_risk - of_here)


def compared(
    kind: str, factor: str, level: str, having: int, at_risk: int, having_elsewhere: int, at_risk_elsewhere: int
) -> Comparison:
    """One group held against all others."""
    table = having, at_risk - having, having_elsewhere, at_risk_elsewhere - having_elsewhere
    more = having * at_risk_elsewhere > having_elsewhere * at_risk
    least = least_fisher(at_risk, at_risk_elsewhere, having + having_elsewhere)
    counts = having, at_risk, having_elsewhere, at_risk_elsewhere
    return _comparison(kind, factor, level, None, counts, fisher(*table), least, more=more)


def _trend(kind: str, factor: str, counts: list[tuple[int, int]]) -> Comparison:
    having, at_risk = [k for k, _ in counts], [n for _, n in counts]
    told = trend(having, at_risk)
    below = list(accumulate(at_risk))[:-1]
    cut = min(range(len(below)), key=lambda i: abs(2 * below[i] - sum(at_risk))) + 1
    split = sum(having[cut:]), sum(at_risk[cut:]), sum(having[:cut]), sum(at_risk[:cut])
    edge = BANDS[factor][cut - 1]
    bands = tuple(having), tuple(at_risk)
    return _comparison(kind, factor, None, edge, split, told.p, told.least_p, bands, more=told.rises)


def _comparison(
    kind: str,
    factor: str,
    level: str | None,
    edge: float | None,
    counts: tuple[int, int, int, int],
    p: float,
    least_p: float,
    bands: tuple[tuple[int, ...], tuple[int, ...]] = ((), ()),
    *,
    more: bool,
) -> Comparison:
    having, at_risk, elsewhere, of_elsewhere = counts
    state = TOO_FEW if least_p > LIMITS["false_discoveries"].value else NOT_SHOWN
    odds = None if state == TOO_FEW else odds_ratio(having, at_risk - having, elsewhere, of_elsewhere - elsewhere)
    ratio = (None, None, None) if odds is None else (odds.value, odds.low, odds.high)
    return Comparison(kind, factor, level, edge, *counts, *ratio, p, least_p, None, state, more, *bands)


def judged(comparisons: list[Comparison]) -> tuple[Comparison, ...]:
    """Comparisons allowed for each other.

    Those that could not reach the level by themselves are no part of the count: that follows from the margins alone,
    not from who has the kind, so that the level holds. Of the others there are also too few where not even the most
    uneven split would have stood out among so many.
    """
    level = LIMITS["false_discoveries"].value
    able = [c for c in comparisons if c.state != TOO_FEW]
    chances = sorted(c.p for c in able)
    steps = [level * k / len(able) for k in range(1, len(able) + 1)]
    reach = max((step for step, p in zip(steps, (0.0, *chances), strict=False) if p <= step), default=0.0)
    told = iter(adjusted([c.p for c in able]))
    return tuple(c if c.state == TOO_FEW else _allowed(c, next(told), level, reach) for c in comparisons)


def _allowed(comparison: Comparison, p_adjusted: float, level: float, reach: float) -> Comparison:
    """A comparison with its adjusted p; ``reach`` is the largest p with which one more would have stood out."""
    state = STANDS_OUT if p_adjusted <= level else TOO_FEW if comparison.least_p > reach else NOT_SHOWN
    return replace(comparison, p_adjusted=p_adjusted, state=state)


SCHEMA = pl.Schema(
    {
        **dict.fromkeys(("kind", "factor", "level"), pl.String),
        "edge": pl.Float64,
        **dict.fromkeys(("having", "at_risk", "having_elsewhere", "at_risk_elsewhere"), pl.Int64),
        **dict.fromkeys(("odds_ratio", "odds_low", "odds_high", "p", "least_p", "p_adjusted"), pl.Float64),
        "state": pl.String,
        "more": pl.Boolean,
        **dict.fromkeys(("having_by_band", "at_risk_by_band"), pl.List(pl.Int64)),
    }
)
"""Columns of the table of patterns: the attributes of ``Comparison``."""


def table_of_patterns(patterns: Patterns) -> pl.DataFrame:
    """All comparisons as a table, a row each, the surest first."""
    ordered = [c for state in (STANDS_OUT, NOT_SHOWN, TOO_FEW) for c in patterns.of(state)]
    return pl.DataFrame([{name: getattr(c, name) for name in SCHEMA} for c in ordered], schema=SCHEMA)


def write_patterns(patterns: Patterns, findings_file: Path) -> tuple[Path, Path]:
    """Write the table beside the file of findings, as Parquet and as CSV: ``x.patterns.parquet`` for ``x.parquet``.

    In the CSV the counts by band are joined by semicolons. Neither file is ever there by half.

    Raises
    ------
    InputError
        If they cannot be written there.
    """
    table = table_of_patterns(patterns)
    flat = table.with_columns(pl.col("having_by_band", "at_risk_by_band").cast(pl.List(pl.String)).list.join(";"))
    parquet, csv = (findings_file.with_name(f"{findings_file.stem}.patterns.{end}") for end in ("parquet", "csv"))
    for path, write in ((parquet, table.write_parquet), (csv, flat.write_csv)):
        aside = path.with_name(f"{path.name}.aside")
        try:
            write(aside)
            aside.replace(path)
        except OSError as reason:
            raise InputError(f"{path}: cannot be written ({reason.strerror or reason}).") from None
    return parquet, csv
