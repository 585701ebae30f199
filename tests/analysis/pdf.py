"""A PDF as poppler reads it: its words, and where they stand."""

import re
import subprocess
from html import unescape
from itertools import combinations
from pathlib import Path

Box = tuple[float, float, float, float, str]
_WORD = re.compile(r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)</word>')


def words_of(pdf: Path) -> str:
    """Its text, spaces evened, breaks inside long words undone."""
    done = subprocess.run(["pdftotext", "-raw", str(pdf), "-"], capture_output=True, text=True, check=True)
    return " ".join(done.stdout.replace("\u200b", "").split())


def page_words(pdf: Path) -> list[list[Box]]:
    """Words of each page with their boxes [pt]: left, top, right, bottom, word."""
    done = subprocess.run(["pdftotext", "-bbox", str(pdf), "-"], capture_output=True, text=True, check=True)
    pages = done.stdout.split("<page ")[1:]
    return [
        [(float(a), float(b), float(c), float(d), unescape(word)) for a, b, c, d, word in _WORD.findall(page)]
        for page in pages
    ]


def colliding(words: list[Box]) -> list[tuple[str, str]]:
    """Pairs of words that lie over each other: boxes hold ascent and descent, so half of a line's height counts."""
    found: list[tuple[str, str]] = []
    for one, other in combinations(words, 2):
        wide = min(one[2], other[2]) - max(one[0], other[0])
        high = min(one[3], other[3]) - max(one[1], other[1])
        if wide > 0.8 and high > 0.45 * min(one[3] - one[1], other[3] - other[1]):
            found.append((one[4], other[4]))
    return found
