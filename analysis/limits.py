"""A threshold with its unit and its source."""

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
