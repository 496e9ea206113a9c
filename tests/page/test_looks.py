"""The style sheet: contrast, size and states that colour alone does not tell."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from monitor.page import app
from monitor.page.markup import _SHAPES
from monitor.page.view import STANDING_WORDS, STANDINGS

_CSS = (Path(app.__file__).parent / "static" / "page.css").read_text(encoding="utf-8")


def _colours(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block))


_LIGHT_BLOCK, _DARK_BLOCK = _CSS.split("@media (prefers-color-scheme: dark)")[:2]
_SCHEMES = {"light": _colours(_LIGHT_BLOCK), "dark": _colours(_DARK_BLOCK.split("* { box-sizing")[0])}


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 definition."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2 definition."""
    brighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def test_the_contrast_formula_agrees_with_the_standard() -> None:
    """WCAG 2.2: black on white is 21:1; #767676 on white is the well-known 4.54:1."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_can_be_read(scheme: str) -> None:
    """Text reaches 4.5:1 (WCAG 1.4.3 AA); the text of alarms and of states reaches 7:1."""
    colours = _SCHEMES[scheme]
    for ground in ("ground", "card"):
        for text in ("text", "soft", "link"):
            assert _contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for state in STANDINGS:
        assert _contrast(colours[f"{state}-text"], colours[f"{state}-ground"]) >= 7.0, state


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_lines_of_the_curve_can_be_told_from_the_ground(scheme: str) -> None:
    """Lines that carry meaning reach 3:1 on card and on the band (WCAG 1.4.11)."""
    colours = _SCHEMES[scheme]
    for line in ("paste", "wall", "top", "bottom", "air", "limit"):
        for ground in ("card", "band", "forecast"):
            assert _contrast(colours[line], colours[ground]) >= 3.0, (line, ground)


def test_both_schemes_name_the_same_colours() -> None:
    """A colour set for light and forgotten for dark would be unreadable at night."""
    assert _SCHEMES["light"].keys() == _SCHEMES["dark"].keys()


def test_every_state_has_a_word_and_a_shape_of_its_own() -> None:
    """State is told by word and shape as well as by colour."""
    assert set(STANDING_WORDS) == set(_SHAPES) == set(STANDINGS)
    assert len(set(STANDING_WORDS.values())) == len(STANDINGS)
    assert len(set(_SHAPES.values())) == len(STANDINGS)


def test_the_figure_is_large_and_the_targets_fit_gloves() -> None:
    """The temperature is at least 64 px, the bucket's name 24 px, and everything to press 64 px high."""
    root_px = float(re.search(r"html \{ font: ([0-9]+)px", _CSS).group(1))  # type: ignore[union-attr]
    figure = float(re.search(r"\.figure \{ font-size: ([0-9.]+)rem", _CSS).group(1))  # type: ignore[union-attr]
    name = float(re.search(r"\.bucket h2 \{ font-size: ([0-9.]+)rem", _CSS).group(1))  # type: ignore[union-attr]
    assert figure * root_px >= 64
    assert name * root_px >= 24
    for target in (".button", ".back", ".call"):
        rule = re.search(rf"^\{target} \{{(.*?)\}}", _CSS, re.M | re.S).group(1)  # type: ignore[union-attr]
        assert "min-height: 64px" in rule
