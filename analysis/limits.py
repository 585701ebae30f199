"""A threshold with its unit and its source."""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Limit:
    """A number that a judgement hangs on.

    Raises
    ------
    ValueError
        If the source is empty: a number without one is not used.
    """

    name: str
    value: float
    unit: str
    source: str

    def __post_init__(self) -> None:
        if not self.source.strip():
            raise ValueError(f"limit '{self.name}' has no source")


def limit_table(*limits: Limit) -> dict[str, Limit]:
    """Return limits by name; a name stands once.

    Raises
    ------
    ValueError
        If a name stands twice.
    """
    table = {limit.name: limit for limit in limits}
    if len(table) != len(limits):
        raise ValueError("a limit stands twice in its table")
    return table


def weight_at(value: float, points: Sequence[tuple[float, float]]) -> float:
    """Log likelihood ratio of a value by straight lines between (value, weight) points; constant beyond the ends.

    A ramp instead of a step: a value near a limit, within its uncertainty, then weighs little either way.
    """
    at = bisect_right([x for x, _ in points], value)
    if at == 0:
        return points[0][1]
    if at == len(points):
        return points[-1][1]
    (x0, w0), (x1, w1) = points[at - 1], points[at]
    return w0 + (w1 - w0) * (value - x0) / (x1 - x0)
