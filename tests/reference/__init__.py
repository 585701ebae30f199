"""Published tables, each with its source in its header."""

import csv
from pathlib import Path

HERE = Path(__file__).parent


def table(name: str) -> list[dict[str, str]]:
    """Rows of a table as text; lines that begin with # are its source."""
    with (HERE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))
