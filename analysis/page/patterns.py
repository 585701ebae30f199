"""The patterns screen: the last screening of the folder, how old it is, and what stands out in it."""

from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from analysis.archive.index import ASIDE, indexed
from analysis.archive.kept import TABLE_FILE, kept_findings
from analysis.archive.pattern_words import told as in_words
from analysis.archive.patterns import patterns_of
from analysis.archive.screening import to_do
from analysis.shown import CHOICES, Units
from analysis.wording import count


def told(archive: Path, software: str, units: Units) -> dict[str, Any] | None:
    """What the screen shows, as plain values; None where nothing was screened yet.

    Parameters
    ----------
    archive : Path
        Folder of the recordings.
    software : str
        Name and version that a screening would be made with now: findings of another are told to be old.
    units : Units
        The reader's.
    """
    kept = kept_findings(archive)
    table = archive / ASIDE / TABLE_FILE
    if kept.is_empty() or not table.exists():
        return None
    made_ns = table.stat().st_mtime_ns
    left = len(to_do(indexed(archive, lambda _: None), kept, software))
    newer = f"{count(left, 'recording is', 'recordings are')} new or changed since, or analysed by another version."
    screened = datetime.fromtimestamp(made_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M")
    return {"screened": screened, "newer": newer if left else "", **_patterns(str(archive), made_ns, units.name)}


@lru_cache(maxsize=2)
def _patterns(archive: str, made_ns: int, units: str) -> dict[str, object]:  # noqa: ARG001 - part of the cache's key
    return in_words(patterns_of(kept_findings(Path(archive))), CHOICES[units])
