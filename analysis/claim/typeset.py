"""A template with its data, pictures and photographs to PDF/A and PNG; the same input gives the same bytes."""

import json
import re
import shutil
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

import typst

from recorder.errors import InputError

HERE = Path(__file__).parent
FONTS = HERE / "fonts"
PNG_PPI = 144.0
"""Two pixels a point: the figures of ``look.typ`` are whole pixels then (see ``strip_chart.printed``)."""
STANDARD = "a-1b"
STAND_IN = "?"
LONGEST_WORD = 40
_FOREIGN = re.compile(
    "[^\u0020-\u007e\u00a0-\u0377\u037a-\u037f\u0384-\u038a\u038e-\u03a1\u03a3-\u03e1\u03f0-\u052f\u1e00-\u1eff"
    "\u2010-\u2027\u2030-\u205e\u20a0-\u20bf\u2100-\u214f\u00b1\u2212]"
)
"""All but Latin, Greek, Cyrillic, punctuation and signs: what both shipped fonts cover (read from their maps)."""
_PAGE = re.compile(rb"/Type\s*/Page\b")
_LONG_WORD = re.compile(rf"[^\s\u200b]{{{LONGEST_WORD},}}")


@dataclass(frozen=True, slots=True)
class Sheet:
    """A typeset sheet."""

    pdf: bytes
    pages: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """One way to fill a sheet: its words, and SVG texts by file name."""

    data: dict[str, Any]
    figures: Mapping[str, str]


def typeset(template: str, layouts: Iterable[Layout], pictures: Mapping[str, bytes], least: int = 1) -> Sheet:
    """Typeset a template of this folder; of several layouts the first of those with the fewest pages.

    Parameters
    ----------
    template : str
        File name of the template.
    layouts : iterable of Layout
        From roomy to tight; what the font cannot print is replaced already in their words (see ``printable``).
    pictures : mapping
        JPEG and PNG files by file name.
    least : int
        Pages that no layout can do without: with so few no tighter one is tried.

    Raises
    ------
    InputError
        If a picture cannot be printed.
    """
    with tempfile.TemporaryDirectory(prefix="warmspell-") as name:
        try:
            made: list[tuple[typst.Compiler, bytes]] = []
            for number, layout in enumerate(layouts):
                made.append(_laid_out(Path(name) / str(number), template, layout, pictures))
                if _pages(made[-1][1]) <= least:
                    break
            compiler, pdf = min(made, key=lambda one: _pages(one[1]))
            pages = _files(compiler.compile(format="png", ppi=PNG_PPI))
        except typst.TypstError as reason:
            raise InputError(f"the sheet cannot be typeset: {reason}. Is a photograph damaged?") from None
    return Sheet(pdf, tuple(pages))


def _laid_out(root: Path, template: str, layout: Layout, pictures: Mapping[str, bytes]) -> tuple[typst.Compiler, bytes]:
    """A compiler with a layout in a folder of its own, and its PDF."""
    root.mkdir()
    for file in (template, "look.typ"):
        shutil.copyfile(HERE / file, root / file)
    for file, picture in pictures.items():
        (root / file).write_bytes(picture)
    (root / "data.json").write_text(json.dumps(layout.data, ensure_ascii=False), encoding="utf-8")
    for file, svg in layout.figures.items():
        (root / file).write_text(printable(svg)[0], encoding="utf-8")
    compiler = typst.Compiler(str(root / template), root=str(root), font_paths=[str(FONTS)], ignore_system_fonts=True)
    return compiler, b"".join(_files(compiler.compile(format="pdf", pdf_standards=[STANDARD])))


def _pages(pdf: bytes) -> int:
    """How many pages a PDF has; those of PDF/A-1 lie open (PDF 1.4 knows no object streams)."""
    return len(_PAGE.findall(pdf))


def _files(made: bytes | list[bytes] | None) -> list[bytes]:
    """The typesetter gives one file or one a page."""
    return made if isinstance(made, list) else [made or b""]


def printable(value: Any) -> tuple[Any, int]:
    """Values whose texts the shipped font can print, and how many characters it cannot: they are told, not lost.

    Words too long for a line get places where they may break; these take no room.
    """
    if isinstance(value, str):
        evened = re.sub(r"\s", " ", value)
        kept, foreign = _FOREIGN.subn(STAND_IN, evened)
        return kept, foreign
    if isinstance(value, dict):
        pairs = {key: printable(item) for key, item in cast("dict[str, Any]", value).items()}
        return {key: item for key, (item, _) in pairs.items()}, sum(n for _, n in pairs.values())
    if isinstance(value, list):
        items = [printable(item) for item in cast("list[Any]", value)]
        return [item for item, _ in items], sum(n for _, n in items)
    return value, 0


def breakable(value: Any) -> Any:
    """Texts in which a word too long for a column may break anywhere (zero-width spaces)."""
    if isinstance(value, str):
        return _LONG_WORD.sub(lambda word: "\u200b".join(word[0]), value)
    if isinstance(value, dict):
        return {key: breakable(item) for key, item in cast("dict[str, Any]", value).items()}
    if isinstance(value, list):
        return [breakable(item) for item in cast("list[Any]", value)]
    return value


def foreign_note(count: int) -> str:
    """What is said where a text holds characters that the sheet's font lacks."""
    if not count:
        return ""
    return (
        f"{count} character{'' if count == 1 else 's'} of other scripts cannot be printed with this sheet's font and "
        f"stand as {STAND_IN}; the HTML report shows them."
    )
