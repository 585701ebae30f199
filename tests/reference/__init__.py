"""Published tables, each with its source in its header, and what it takes to show that a test of one can fail."""

import csv
import re
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def table(name: str) -> list[dict[str, str]]:
    """Rows of a table as text; lines that begin with # are its source."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def digits_of(text: str) -> float:
    """One unit of the last printed digit of a number."""
    return 10.0 ** -len(text.partition(".")[2])


def mutations(row: dict[str, str], columns: tuple[str, ...]) -> Iterator[dict[str, str]]:
    """The row with each visible digit of each number in the columns altered by one, one digit at a time.

    A column may hold several numbers (coefficients). A test of the table must notice every one of them.
    """
    for column in columns:
        text = row[column]
        for number in NUMBER.finditer(text):
            for at in range(number.start(), number.end()):
                if text[at].isdigit():
                    other = str((int(text[at]) + 1) % 10)
                    yield {**row, column: text[:at] + other + text[at + 1 :]}
