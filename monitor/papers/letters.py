"""Letters that the paper's font has: which font is used, and what becomes of a letter that it lacks.

No font file stands in the repository. Where the computer has one of ``KNOWN_FONTS`` it is used and embedded: Liberation
Sans (SIL Open Font License) first, because its widths are those of Helvetica, then DejaVu Sans Condensed (free, from
Bitstream Vera). Else it is the Helvetica that every PDF reader brings, which has the letters of Windows-1252 only.
"""

from __future__ import annotations

import functools
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from monitor.words import tr

# Regular and bold, where Debian, Fedora and Arch put them.
KNOWN_FONTS: tuple[tuple[str, str], ...] = tuple(
    (f"/usr/share/fonts/{folder}/{regular}", f"/usr/share/fonts/{folder}/{bold}")
    for folders, regular, bold in (
        (
            ("truetype/liberation", "truetype/liberation2", "liberation-sans-fonts", "liberation-sans", "liberation"),
            "LiberationSans-Regular.ttf", "LiberationSans-Bold.ttf",
        ),
        (
            ("truetype/dejavu", "dejavu-sans-fonts", "TTF"),
            "DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf",
        ),
    )
    for folder in folders
)  # fmt: skip

# Written plainly where the font has no such letter and taking the mark off a letter does not help.
_PLAINLY = {
    "ł": "l", "Ł": "L", "đ": "d", "Đ": "D", "ħ": "h", "ı": "i", "ŋ": "ng", "≤": "<=", "≥": ">=", "≈": "~", "−": "-",
    "→": "->", "‐": "-", "‑": "-", "′": "'", "″": '"', "\u202f": " ", "\u2009": " ", "\u2007": " ",
    "₀": "0", "₁": "1", "₂": "2", "₃": "3", "₄": "4",
}  # fmt: skip
# Blanks that nobody misses.
_SILENT = set("\u202f\u2009\u2007‐‑\u00ad\u200b\ufe0f")


@dataclass(frozen=True, slots=True)
class Face:
    """A font: its files ("" for the reader's own Helvetica) and the letters it has."""

    regular: str = ""
    bold: str = ""
    letters: frozenset[int] = frozenset()

    def has(self, letter: str) -> bool:
        """Whether the font can print the letter."""
        if self.regular:
            return ord(letter) in self.letters
        try:
            return len(letter.encode("cp1252")) == 1
        except UnicodeEncodeError:
            return False


HELVETICA = Face()


@functools.cache
def face_at_hand() -> Face:
    """The first of KNOWN_FONTS that is installed and can be read; else Helvetica."""
    for regular, bold in KNOWN_FONTS:
        if Path(regular).is_file() and Path(bold).is_file():
            try:
                return Face(regular, bold, _letters_of(regular) & _letters_of(bold))
            except Exception:  # nosec B112 # another font will do
                continue
    return HELVETICA


def _letters_of(path: str) -> frozenset[int]:
    from fontTools.ttLib import TTFont

    with TTFont(path, lazy=True) as font:
        return frozenset(font.getBestCmap())


class Letters:
    """Makes texts printable and remembers what could not be printed as it stands."""

    def __init__(self, face: Face) -> None:
        self._face = face
        self._plain: dict[str, str] = {}
        self._lost: dict[str, None] = {}

    def printable(self, text: str) -> str:
        """The text on one line in letters that the font has: others written plainly, or as "?"."""
        one_line = "".join(c if c.isprintable() or c in _SILENT else " " for c in unicodedata.normalize("NFC", text))
        return "".join(c if self._face.has(c) else self._instead(c) for c in one_line)

    def _instead(self, letter: str) -> str:
        if letter in _SILENT:
            return _PLAINLY.get(letter, "")
        plain = _PLAINLY.get(letter) or "".join(
            c for c in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(c)
        )
        if plain and plain != letter and all(self._face.has(c) for c in plain):
            self._plain[letter] = plain
            return plain
        if unicodedata.combining(letter):
            # A mark that stands alone after its letter: the letter stays.
            self._lost[letter] = None
            return ""
        self._lost[letter] = None
        return "?"

    def warnings(self) -> tuple[str, ...]:
        """What was not printed as it stands, one sentence for each way."""
        says = []
        if self._plain:
            pairs = ", ".join(f"{letter} = {plain}" for letter, plain in self._plain.items())
            says.append(tr("Letters that the font lacks were written plainly: {letters}.", letters=pairs))
        if self._lost:
            lost = " ".join(self._lost)
            says.append(tr('Letters that the font lacks were printed as "?" or left out: {letters}.', letters=lost))
        if says and not self._face.regular:
            says.append(tr("With the font Liberation Sans or DejaVu Sans installed more letters can be printed."))
        return tuple(says)
